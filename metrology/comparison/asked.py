"""What a person asks for in a line of text: regions with their limits, and what to align by.

    seat: facing up, box -170 -200 200 170 200 310, limits -0.5 0.5
    bore: grown 60 30 15 20, moved 0.4
    datum: facing down / facing back / facing right
    points: pairs.csv

Conditions of one region are parted by commas, and all must hold. Lengths in mm, nominal frame.
"""

import csv
import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from metrology.alignment.model import Alignment, BestFit, DatumAlignment, DatumRegion, MarkedPair, MarkedPoints
from metrology.amounts.units import mm_per
from metrology.comparison.results import RegionSpec
from metrology.errors import InputError
from metrology.surfaces.selection import AllOf, Box, Facing, Grown, Selection, check
from metrology.surfaces.selection_plain import WAYS

CONDITIONS = (
    "A condition is “facing up” (down, forward, back, left, right, or three numbers), “box” with six numbers (x y z of "
    "one corner, then of the other), or “grown” with x y z of a place on the surface and an angle in degrees."
)
HOW_TO_ALIGN = (
    "Give best-fit; or datum: with three regions parted by “/”, such as “datum: facing down / facing back / facing "
    "right”; or points: with a file of pairs, six numbers a line."
)
_FEWEST_PAIRS = 3


def region(text: str, lower: float, upper: float) -> RegionSpec:
    """A region from “NAME: condition, condition, limits LOW HIGH”. lower, upper: its limits unless it names its own.

    Raises InputError (region).
    """
    name, colon, rest = text.partition(":")
    if not colon or not name.strip():
        raise InputError("region", f"The region “{text}” has no name: write “NAME: condition”. {CONDITIONS}")
    parts, spec = [], RegionSpec(name.strip(), lower, upper)
    for condition in _listed(rest):
        word, *values = condition.split()
        if word == "limits":
            low, high = _numbers(values, 2, condition, text)
            spec = replace(spec, lower_mm=low, upper_mm=high)
        elif word == "moved":
            (moved,) = _numbers(values, 1, condition, text)
            spec = replace(spec, moved_mm=moved)
        else:
            parts.append(_condition(condition, text))
    if not parts:
        raise InputError("region", f"The region “{text}” has no condition. {CONDITIONS}")
    return replace(spec, selection=_all(parts))


def alignment(text: str, unit: str, nominal_unit: str) -> Alignment:
    """What to align by, from “best-fit”, “datum: A / B / C”, “points: FILE” or “points-then-fit: FILE”.

    unit, nominal_unit: of the coordinates of pairs, as for the two files. Raises InputError: alignment, region, pairs.
    """
    kind, _, rest = text.partition(":")
    match kind.strip():
        case "best-fit" if not rest.strip():
            return BestFit()
        case "datum":
            return _datums(rest)
        case "points" | "points-then-fit" if rest.strip():
            pairs = tuple(_pairs(Path(rest.strip()), mm_per(unit), mm_per(nominal_unit)))
            return MarkedPoints(pairs, refined=kind.strip() == "points-then-fit")
    raise InputError("alignment", f"“{text}” is no alignment. {HOW_TO_ALIGN}")


def _datums(text: str) -> DatumAlignment:
    regions = [each.strip() for each in text.split("/")]
    if len(regions) != 3 or not all(regions):
        raise InputError("alignment", f"A datum alignment needs three regions. {HOW_TO_ALIGN}")
    primary, secondary, tertiary = (
        DatumRegion(each, _all([_condition(part, each) for part in _listed(each)])) for each in regions
    )
    return DatumAlignment(primary, secondary, tertiary)


def _condition(condition: str, text: str) -> Selection:
    word, *values = condition.split()
    selection: Selection
    match word:
        case "facing" if len(values) == 1 and values[0] in WAYS:
            selection = Facing(WAYS[values[0]])
        case "facing":
            x, y, z = _numbers(values, 3, condition, text)
            selection = Facing((x, y, z))
        case "box":
            a, b, c, d, e, f = _numbers(values, 6, condition, text)
            selection = Box((a, b, c), (d, e, f))
        case "grown":
            x, y, z, angle = _numbers(values, 4, condition, text)
            selection = Grown((x, y, z), angle)
        case _:
            raise InputError("region", f"“{condition}” in “{text}” is no condition. {CONDITIONS}")
    check(selection)
    return selection


def _all(parts: list[Selection]) -> Selection:
    return parts[0] if len(parts) == 1 else AllOf(tuple(parts))


def _listed(text: str) -> list[str]:
    return [part.strip() for part in text.split(",") if part.strip()]


def _numbers(words: list[str], count: int, condition: str, text: str) -> list[float]:
    try:
        values = [float(word) for word in words]
    except ValueError:
        values = []
    if len(values) != count or not all(math.isfinite(value) for value in values):
        some = "1 number" if count == 1 else f"{count} numbers parted by blanks"
        raise InputError("region", f"“{condition}” in “{text}” needs {some}, with decimal points.")
    return values


def _pairs(path: Path, scan_factor: float, nominal_factor: float) -> Iterator[MarkedPair]:
    """Six numbers a line: x, y, z in the scan, then in the nominal; a name may stand first, a heading at the top."""
    try:
        rows = list(csv.reader(path.read_text(encoding="utf-8-sig").splitlines()))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        why = getattr(error, "strerror", None) or "it is not a table in UTF-8"
        raise InputError("pairs", f"The pairs in {path} cannot be read: {why}.") from None
    count = 0
    for number, row in enumerate(rows, 1):
        fields = [field.strip() for field in row]
        if not any(fields) or fields[0].startswith("#"):
            continue
        name, values = (fields[0], fields[1:]) if len(fields) == 7 else ("", fields)
        try:
            found = [float(value) for value in values]
        except ValueError:
            found = []
        if len(found) != 6 or not all(math.isfinite(value) for value in found):
            if count == 0 and number == 1:
                continue
            raise InputError(
                "pairs",
                f"Line {number} of {path.name} is no pair: write x, y, z in the scan, then x, y, z in the nominal, "
                "with decimal points, parted by commas.",
            )
        count += 1
        a, b, c = (value * scan_factor for value in found[:3])
        d, e, f = (value * nominal_factor for value in found[3:])
        yield MarkedPair((a, b, c), (d, e, f), name or str(count))
    if count < _FEWEST_PAIRS:
        raise InputError("pairs", f"{path.name} holds fewer than {_FEWEST_PAIRS} pairs. Add pairs, far apart.")
