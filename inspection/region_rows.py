"""Regions of a scan as their table shows them: each motion with what it is sure to, its limits and its verdict."""

from collections.abc import Mapping
from typing import Any, NamedTuple

from metrology.wording import NBSP, number

TITLES = {
    "high/low": "High, low",
    "forward/back": "Forward, back",
    "left/right": "Left, right",
    "turned about forward": "Turned about forward",
    "turned about left": "Turned about left",
    "turned about up": "Turned about up",
}


class Motion(NamedTuple):
    """words: "0.71 mm high", "0.12° left side up"; sure: "0.13 mm"; made_of: how the uncertainty is put together."""

    title: str
    words: str
    sure: str
    made_of: str
    limits: str
    lower: float | None
    upper: float | None
    value: float | None
    uncertainty: float | None
    unit: str
    result: str


def rows(regions: list[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Stored regions with `moved`, the motions of each. Results stored before there were motions have none."""
    return [{**region, "moved": [_motion(one) for one in region.get("motions", [])]} for region in regions]


def _motion(one: Mapping[str, Any]) -> Motion:
    turned = one["unit"] == "°"
    decimals = 2

    def shown(value: float | None) -> str:
        return "" if value is None else number(value, decimals) + ("°" if turned else f"{NBSP}mm")

    value, sure = one["value"], one["uncertainty"]
    words = ""
    if value is not None:
        still = float(number(abs(value), decimals)) == 0
        words = shown(abs(value)) + ("" if still else f" {one['way']}")
    parts = [
        f"{name} {shown(one[name])}" for name in ("statistical", "instrument", "alignment") if one.get(name) is not None
    ]
    lower, upper = one["lower"], one["upper"]
    limits = ""
    if lower is not None and upper is not None:
        same = number(-lower, decimals) == number(upper, decimals)
        limits = f"±{shown(upper)}" if same else f"{number(lower, decimals)} to {shown(upper)}"
    return Motion(
        TITLES.get(one["name"], one["name"]), words, shown(sure), ", ".join(parts), limits, lower, upper, value, sure,
        one["unit"], one["result"],
    )  # fmt: skip
