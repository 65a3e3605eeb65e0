"""Features of a scan as their tables show them."""

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from metrology.wording import NBSP, number
from parts.limits import shown as limit

from .models import Measurement, Scan


def shown(value: float | None, unit: str) -> str:
    """ "0.312 mm", "45.021°"; empty for nothing."""
    if value is None:
        return ""
    return number(value, 3) + (unit if unit == "°" else f"{NBSP}{unit}")


def figure_row(figure: Mapping[str, Any], title: str) -> dict[str, str]:
    unit = figure["unit"]
    parts = [
        f"{name} {shown(figure[name], unit)}" for name in ("statistical", "instrument", "alignment") if figure[name]
    ]
    return {
        "title": title,
        "value": shown(figure["value"], unit),
        "nominal": shown(figure["nominal"], unit),
        "sure": shown(figure["uncertainty"], unit),
        "made_of": ", ".join(parts),
    }


def feature_rows(features: list[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Stored features with `rows`, their figures in words."""
    return [
        {
            **feature,
            "rows": [
                figure_row(figure, feature["form_name"] if figure["gives"] == "form" else figure["gives"])
                for figure in feature["figures"]
            ],
        }
        for feature in features
    ]


def fed_rows(fed: list[Mapping[str, Any]], scan: Scan, counting: Mapping[int, Measurement]) -> list[dict[str, Any]]:
    """Stored figures that were fed, in words. `typed`: a value typed by a person counts beside a figure of this scan.
    `stands`: in words what counts for the cast, where that is not the figure of this scan."""
    rows = []
    for one in fed:
        row = dict(one) | (figure_row(one["figure"], "") if one["figure"] else _EMPTY)
        counts = counting.get(one["number"])
        row["limits"] = _limits(one.get("lower"), one.get("upper"), one.get("unit", "mm"))
        row["typed"] = bool(counts and counts.scan_id is None and one["result"] != "not measured")
        row["stands"] = ""
        if counts and counts.scan_id is None:
            value = shown(float(counts.value), counts.characteristic.unit)
            row["stands"] = f"{value}, typed by {counts.measured_by}, counts for this cast."
        elif counts and counts.scan_id != scan.pk:
            row["stands"] = f"Scan {counts.scan}, which is newer, counts for this cast."
        rows.append(row)
    return rows


def _limits(lower: float | None, upper: float | None, unit: str) -> str:
    tail = unit if unit == "°" else f"{NBSP}{unit}"
    low, high = (None if value is None else limit(Decimal(repr(value))) for value in (lower, upper))
    if low and high:
        return f"{low} to {high}{tail}"
    return f"at most {high}{tail}" if high else f"at least {low}{tail}" if low else ""


_EMPTY = {"value": "", "nominal": "", "sure": "", "made_of": ""}
