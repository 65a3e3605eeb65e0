"""Reading a pasted table of characteristics: which delimiter, which column is which, which cell belongs where."""

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from metrology.wording import count, listed

from .errors import Unusable
from .models import Characteristic, Weight

MOST_ROWS = 500
HEADINGS: dict[str, tuple[str, ...]] = {
    "number": ("number", "no", "nr", "#", "balloon", "item", "number on the drawing"),
    "name": ("name", "characteristic", "feature", "description"),
    "kind": ("kind", "type"),
    "nominal": ("nominal", "nominal value", "nom"),
    "tolerance": ("tolerance", "tol", "±", "+/-", "nominal ±"),
    "lower": ("lower", "lower limit", "low", "min", "minimum"),
    "upper": ("upper", "upper limit", "high", "max", "maximum"),
    "unit": ("unit", "units"),
    "weight": ("class", "weight", "criticality"),
    "method": ("method", "measured by", "how measured"),
}
COLUMN_OF = {heading: column for column, headings in HEADINGS.items() for heading in headings}
UNITS = {
    "mm": ("mm", "millimetre", "millimetres", "millimeter", "millimeters"),
    "cm": ("cm",),
    "m": ("m",),
    "in": ("in", "inch", "inches", '"'),
    "ft": ("ft", "foot", "feet"),
    "°": ("°", "deg", "degree", "degrees"),
    "kg": ("kg",),
    "%": ("%", "percent"),
    "1": ("1", "-", "none", "no unit"),
}
UNIT_OF = {word: unit for unit, words in UNITS.items() for word in words}
KINDS = {
    "dia": "diameter", "dia.": "diameter", "ø": "diameter", "profile of a surface": "profile", "weight": "mass",
    "width": "length", "height": "length", "depth": "length", "distance": "length", "thickness": "length",
    **{word: word for word in Characteristic.Kind.values},
}  # fmt: skip
METHODS = {
    "hand": "by hand", "manual": "by hand", "calliper": "by hand", "tape": "by hand", "scanner": "scan",
    "go/no-go": "gauge", **{word: word for word in Characteristic.Method.values},
}  # fmt: skip
KIND_OF_UNIT = {"°": "angle", "kg": "mass", "%": "other", "1": "other"}
DELIMITERS = {"\t": "tabs", ";": "semicolons", ",": "commas", "|": "bars"}
IN_BRACKETS = re.compile(r"\s*[\[(]([^\])]*)[\])]\s*$")


@dataclass(frozen=True)
class PastedRow:
    """line: in the pasted text, counted from 1. cells: by column, as written. fault: why it cannot be read at all."""

    line: int
    cells: Mapping[str, str]
    fault: str = ""


@dataclass(frozen=True)
class Pasted:
    """columns: the known column of each heading, None for one that is passed over."""

    delimiter: str
    headings: Sequence[tuple[str, str | None]]
    rows: Sequence[PastedRow]

    @property
    def passed_over(self) -> list[str]:
        return [heading for heading, column in self.headings if column is None and heading]


def read_paste(text: str) -> Pasted:
    """Read text with headings in its first line. Raises Unusable when that line or the table as a whole is no use."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n").replace("\ufeff", "")
    first = next((line for line in lines.split("\n") if line.strip()), "")
    if not first:
        raise Unusable("Paste a table, or choose a CSV file.", field="text")
    delimiter = next((d for d in "\t;" if d in first), max(",|", key=first.count))
    reader = csv.reader(io.StringIO(lines), delimiter=delimiter, skipinitialspace=True)
    headings, rows = None, []
    try:
        for cells in reader:
            cells = [cell.strip() for cell in cells]
            if not any(cells):
                continue
            if headings is None:
                headings, unit = _headings(cells)
            else:
                rows.append(_row(reader.line_num, cells, headings, delimiter, unit))
    except csv.Error:
        raise Unusable(
            f"Line {reader.line_num} cannot be read as a table. Check its quotation marks.", field="text"
        ) from None
    if not rows:
        raise Unusable("There is only a line of headings. Paste at least one row below it.", field="text")
    if len(rows) > MOST_ROWS:
        raise Unusable(
            f"The table has {len(rows)} rows and {MOST_ROWS} are the most. Import it in parts.", field="text"
        )
    return Pasted(delimiter, headings, rows)


def _headings(cells: list[str]) -> tuple[list[tuple[str, str | None]], str]:
    """Each heading with its column, and the unit that stands in brackets behind one of them."""
    headings, unit = [], ""
    for cell in cells:
        in_brackets = IN_BRACKETS.search(cell)
        bare = (cell[: in_brackets.start()] if in_brackets else cell).lower().strip(" .:")
        column = COLUMN_OF.get(bare)
        if column in ("nominal", "lower", "upper", "tolerance") and in_brackets:
            unit = UNIT_OF.get(in_brackets[1].strip().lower(), unit)
        headings.append((cell, column))
    found = [column for _, column in headings if column]
    twice = next((column for column in found if found.count(column) > 1), None)
    if twice:
        names = [heading for heading, column in headings if column == twice]
        raise Unusable(f"{listed([f'“{n}”' for n in names])} mean the same column. Keep one of them.", field="text")
    if "name" not in found or not {"lower", "upper", "tolerance"} & set(found):
        raise Unusable(
            "The first line must name the columns: at least “name”, and “lower”, “upper” or “tolerance”. "
            f"It reads {listed([f'“{cell[:20]}”' for cell in cells if cell], most=6)}.",
            field="text",
        )
    return headings, unit


def _row(
    line: int, cells: list[str], headings: Sequence[tuple[str, str | None]], delimiter: str, unit: str
) -> PastedRow:
    while len(cells) > len(headings) and not cells[-1]:
        cells.pop()
    values = {column: cell for (_, column), cell in zip(headings, cells, strict=False) if column}
    if len(cells) > len(headings):
        fault = f"It has {count(len(cells), 'cell')} and there are {count(len(headings), 'heading')}."
        if delimiter == ",":
            fault += " If commas mark decimals, part the columns with semicolons or tabs."
        return PastedRow(line, values, fault)
    return PastedRow(line, _in_our_words(values, unit))


def _in_our_words(values: dict[str, str], unit_of_headings: str) -> dict[str, str]:
    """Units, kinds, classes and methods as the form knows them; a word nobody knows stays and is refused there."""
    unit = values.get("unit", "")
    unit = UNIT_OF.get(unit.lower(), unit) or unit_of_headings
    kind = values.get("kind", "").lower()
    weight = values.get("weight", "").lower()
    method = values.get("method", "").lower()
    kind = KINDS.get(kind, kind) or KIND_OF_UNIT.get(unit, "length")
    return values | {
        "kind": kind,
        "unit": unit or {"angle": "°", "mass": "kg"}.get(kind, "mm"),
        "weight": weight or Weight.MAJOR.value,
        "method": METHODS.get(method, method) or Characteristic.Method.BY_HAND.value,
    }
