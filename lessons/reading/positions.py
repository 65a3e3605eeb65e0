"""Position reports as their pages read them out."""

import csv
import io
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from lessons.models import MockupScan
from metrology.wording import NBSP, quantity

State = MockupScan.State
SLIDES = (("forward", "back"), ("left", "right"), ("too high", "too low"))
TURNS = (("right", "left"), ("forward", "back"), ("anticlockwise", "clockwise"))
CSV_HEAD = (
    "rank", "label", "part", "found", "forward mm", "left mm", "up mm", "U forward mm", "U left mm", "U up mm",
    "about forward deg", "about left deg", "about up deg", "U about forward deg", "U about left deg", "U about up deg",
    "off mm", "U off mm", "allowed mm", "turned deg", "U turned deg", "allowed deg", "result", "coverage", "points",
    "rms mm",
)  # fmt: skip


@dataclass(frozen=True)
class Number:
    """One of the six: its size with the way in words, its uncertainty; empty when it is not determined."""

    value: str
    way: str
    plus_minus: str


@dataclass(frozen=True)
class Row:
    rank: int
    part: dict[str, Any]
    slides: tuple[Number, ...]
    turns: tuple[Number, ...]
    mark: str
    share: str
    off: str
    turned: str


def state_in_words(scan: MockupScan) -> tuple[str, str, str]:
    """Mark, sentence and what then, for rows and heads."""
    if scan.withdrawn_at:
        return "withdrawn", scan.sentence or "Withdrawn.", ""
    match scan.state:
        case State.DONE:
            mark = scan.result or "none"
            return mark, scan.sentence, "" if scan.result else "No part has a tolerance, so nothing is judged."
        case State.FAILED:
            return "missing", "Could not be worked out.", scan.error
        case State.STOPPED:
            return "none", "Stopped. Nothing was measured.", "The file is safe: work it out again when you like."
    return "way", "Being worked out.", "You may leave this page; the work goes on."


def spoken_reports(scans: Iterable[MockupScan]) -> list[MockupScan]:
    """Each with its `mark`, what it `said` and `then`, for a list."""
    rows = list(scans)
    for scan in rows:
        scan.mark, scan.said, scan.then = state_in_words(scan)
    return rows


class Report:
    """A finished report."""

    def __init__(self, scan: MockupScan) -> None:
        self.scan, self.figures = scan, scan.figures

    @property
    def rows(self) -> list[Row]:
        return [_row(rank, part) for rank, part in enumerate(self.figures["parts"], 1)]

    @property
    def notes(self) -> list[str]:
        notes = [*self.figures["notes"], *self.figures["file_notes"]]
        if self.figures["scale"] != 1:
            notes.insert(0, f"A model at 1{NBSP}:{NBSP}{self.figures['scale']:g}: all lengths stand for full size.")
        return notes

    @property
    def seconds(self) -> list[tuple[str, str]]:
        return [(stage, f"{seconds:.1f}") for stage, seconds in self.figures["seconds"].items()]

    @property
    def is_old(self) -> bool:
        return not self.scan.assembly.current

    def csv(self) -> str:
        """One line a part in the order of the report, every number with a point; empty where nothing is known."""
        lines = io.StringIO()
        writer = csv.writer(lines)
        writer.writerow(CSV_HEAD)
        for rank, part in enumerate(self.figures["parts"], 1):
            known = part["known"]
            slide = [v if known[k] else None for k, v in enumerate(part["slide"])]
            turn = [v if known[k + 3] else None for k, v in enumerate(part["turn_deg"])]
            numbers = [
                *slide, *part["slide_u"], *turn, *part["turn_u"],
                part["off"] if part["found"] else None, part["off_u"], part["limit_mm"],
                part["turned_deg"] if part["found"] else None, part["turned_u"], part["turn_limit_deg"],
            ]  # fmt: skip
            writer.writerow([
                rank, _harmless(part["label"]), _harmless(part["part"]), "yes" if part["found"] else "no",
                *("" if v is None else f"{v:.4f}" for v in numbers),
                part["result"], f"{part['coverage']:.3f}", part["points"], f"{part['rms']:.3f}",
            ])  # fmt: skip
        return lines.getvalue()


def _harmless(text: str) -> str:
    """A spreadsheet takes a cell that begins like a formula for one."""
    return f"'{text}" if text[:1] in "=+-@\t" else text


def _row(rank: int, part: dict[str, Any]) -> Row:
    known = part["known"]
    slides = tuple(
        _number(part["slide"][k], part["slide_u"][k], SLIDES[k], "mm", 1) if known[k] else Number("", "", "")
        for k in range(3)
    )
    turns = tuple(
        _number(part["turn_deg"][k], part["turn_u"][k], TURNS[k], "°", 2) if known[k + 3] else Number("", "", "")
        for k in range(3)
    )
    least_off, least_turned = ("" if all(part) else "at least " for part in (known[:3], known[3:]))
    off = f"{least_off}{quantity(part['off'], 'mm', 1)}" if any(known[:3]) else "not determined"
    turned = f"{least_turned}{part['turned_deg']:.2f}°" if any(known[3:]) else "not determined"
    share = "" if part["share"] is None else f"{least_off or least_turned}{quantity(100 * part['share'], '%', 0)}"
    mark = part["result"] or ("missing" if not part["found"] else "none")
    return Row(rank, part, slides, turns, mark, share, off, turned)


def _number(value: float, uncertainty: float | None, ways: tuple[str, str], unit: str, decimals: int) -> Number:
    shown = f"{abs(value):.{decimals}f}"
    said = shown + "°" if unit == "°" else quantity(abs(value), unit, decimals)
    way = "" if float(shown) == 0 else ways[0] if value > 0 else ways[1]
    plus_minus = "" if uncertainty is None else f"±{NBSP}{uncertainty:.{decimals}f}"
    return Number(said, way, plus_minus)
