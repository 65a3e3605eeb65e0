"""What the alignment of a finished scan rests on, as its page reads it out."""

from typing import Any

from metrology.alignment.model import BEST_FIT
from metrology.wording import listed, number, quantity

from .models import ScanResult

WAYS = (("forward", "back"), ("left", "right"), ("up", "down"))
TURNS = ("front–back axis", "left–right axis", "up axis")


class AlignmentReading:
    """From `ScanResult.figures["alignment"]`; a result from before that was kept has none."""

    def __init__(self, result: ScanResult) -> None:
        self.result = result
        self.kept: dict[str, Any] = result.figures["alignment"]
        self.beside: dict[str, Any] | None = result.best_fit

    @property
    def title(self) -> str:
        return str(self.kept["kind"])

    @property
    def regions(self) -> list[dict[str, Any]]:
        """Rows of datums, or the whole surface."""
        return [one for one in self.kept["supports"] if one["role"] != "pair"]

    @property
    def pairs(self) -> list[dict[str, Any]]:
        """Rows of marked pairs, the offset of the scan point from the nominal one in words."""
        return [
            one | {"ways": [_way(value, *ways) for value, ways in zip(one["offset"], WAYS, strict=True)]}
            for one in self.kept["supports"]
            if one["role"] == "pair"
        ]

    @property
    def sure(self) -> dict[str, Any]:
        return self.kept["uncertainty"]

    @property
    def spread(self) -> list[tuple[str, str, str]]:
        """Each axis of the part: how surely the scan is placed along it and turned about it."""
        free = "free"
        return [
            (
                axis,
                free if slide is None else "±" + quantity(slide, "mm", 3),
                free if turn is None else "±" + quantity(turn, "°", 4),
            )
            for axis, slide, turn in zip(TURNS, self.sure["slide_mm"], self.sure["turn_deg"], strict=True)
        ]

    @property
    def other(self) -> str:
        """Whether another pose fits almost as well, in words."""
        other = self.kept["other"]
        if self.sure["free"]:
            return f"No: {listed(self.sure['free'])} is not held by anything measured."
        if other is None:
            return "Yes: no other pose comes near." if self.kept["kind"] == BEST_FIT else "No other pose was found."
        residuals = f"residual {number(other['rms'], 2)} against {quantity(other['best_rms'], 'mm', 2)}"
        if other["almost"]:
            return f"No: after {other['words']} it fits almost as well, {residuals}."
        return f"Yes: the next best is {other['words']}, {residuals}."

    @property
    def together(self) -> str:
        """How the uncertainty of the verdict comes about."""
        scanner, placed = self.result.figures.get("scanner_mm"), self.sure["deviation_mm"]
        if scanner is None or placed is None:
            return ""
        return (
            f"Scanner {quantity(scanner, 'mm', 3)} and alignment {quantity(placed, 'mm', 3)}, root sum of squares: "
            f"{quantity(self.result.uncertainty, 'mm', 3)}."
        )

    @property
    def words(self) -> str:
        """What best fit would change."""
        between = self.kept["difference"]
        return between["words"] if between else ""

    @property
    def greatest(self) -> float | None:
        between = self.kept["difference"]
        return between["greatest_mm"] if between else None


def _way(value: float, positive: str, negative: str) -> str:
    text = number(abs(value), 2)
    return text if float(text) == 0 else f"{text} {positive if value > 0 else negative}"
