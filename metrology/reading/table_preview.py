"""The first rows of a table of points as they would be read, for a person to confirm or to put right."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from metrology.bodies import silent
from metrology.errors import ReadingError
from metrology.reading.raw import bad_row, counted, shown
from metrology.reading.table_layout import (
    COMMENT,
    DECIMALS,
    DELIMITERS,
    Layout,
    TableChoice,
    delimiter_of,
    is_number,
    layout_as_told,
    layout_of,
    whole_fields,
)
from metrology.reading.text import blocks_of_lines

ROWS_SHOWN = 8
ROWS_TRIED = 2000
LINES_BEFORE_SHOWN = 3
LONGEST_FIELD = 24
MOST_COLUMNS = 12
Point = tuple[float, float, float]


@dataclass(frozen=True)
class PreviewRow:
    """One line as it stands in the file: its number, counted from 1, and its fields."""

    number: int
    fields: tuple[str, ...]


@dataclass(frozen=True)
class TablePreview:
    """How a table is understood.

    choice: delimiter, decimal mark, lines passed over and columns; a guess where fault is not empty. fault: what does
    not fit, in a sentence. before: the last lines before the first point. spans: least and greatest x, y and z among
    the first rows, in the file's numbers; empty when a row cannot be read. own_unit: named by the heading, or "".
    """

    choice: TableChoice
    fault: str
    before: tuple[str, ...]
    rows: tuple[PreviewRow, ...]
    columns: int
    spans: tuple[tuple[float, float], ...] = ()
    own_unit: str = ""


def preview_table(path: Path, choice: TableChoice | None = None) -> TablePreview:
    """The first rows of the table at `path`, read as `choice` says or else as they are understood.

    Raises ReadingError (no-points, bad-row) only for a file without any line to show.
    """
    with path.open("rb") as file:
        _, top = next(blocks_of_lines(file, max(path.stat().st_size, 1), silent))
    if not top.strip():
        raise ReadingError("no-points", "The file holds no points. Export the scan again as a table of x, y, z.")
    fault, own_unit = "", ""
    if choice is None:
        choice, fault = _understood(top)
    try:
        layout = layout_as_told(top, choice)
        own_unit = layout.own_unit
    except ReadingError as error:
        fault = fault or error.sentence
        layout = None
    lines = [line.strip() for line in top.split(b"\n", choice.skipped + ROWS_TRIED)]
    delimiter = DELIMITERS[choice.delimiter]
    rows = [
        (number, whole_fields(line, delimiter))
        for number, line in enumerate(lines[choice.skipped : choice.skipped + ROWS_TRIED], choice.skipped + 1)
        if line and not line.startswith(COMMENT)
    ]
    spans: tuple[tuple[float, float], ...] = ()
    if layout:
        try:
            points = [_point(number, fields, layout) for number, fields in rows]
            spans = _spans(points)
        except ReadingError as error:
            fault = fault or error.sentence
    return TablePreview(
        choice=choice,
        fault=fault,
        before=tuple(_text(line) for line in lines[max(0, choice.skipped - LINES_BEFORE_SHOWN) : choice.skipped]),
        rows=tuple(PreviewRow(number, _shown(fields)) for number, fields in rows[:ROWS_SHOWN]),
        columns=max((len(fields) for _, fields in rows), default=0),
        spans=spans,
        own_unit=own_unit,
    )


def _spans(points: Sequence[Point]) -> tuple[tuple[float, float], ...]:
    whole = [point for point in points if not any(map(math.isnan, point))]
    return tuple((min(column), max(column)) for column in zip(*whole, strict=True))


def _understood(top: bytes) -> tuple[TableChoice, str]:
    """The choice that the layout of a table speaks for; where it is not understood, a guess and what is wrong."""
    try:
        layout = layout_of(top)
    except ReadingError as error:
        return _guess(top), error.sentence
    x, y, z = (place + 1 for place in layout.axes)
    told = TableChoice(_name(DELIMITERS, layout.delimiter), "point", layout.skipped, x, y, z)
    return replace(told, decimal=_decimal(top, layout)), ""


def _guess(top: bytes) -> TableChoice:
    """The first line that ends in numbers, or the first that says anything, with x, y and z in its first columns."""
    lines = list(enumerate(top.split(b"\n")[:ROWS_TRIED]))
    content = [(place, line.strip()) for place, line in lines if line.strip() and not line.strip().startswith(COMMENT)]
    place, line = next(
        ((p, text) for p, text in content if sum(map(str.isdigit, _text(text))) * 2 > len(text)),
        content[0] if content else (0, b""),
    )
    delimiter = delimiter_of(line)
    return TableChoice(_name(DELIMITERS, delimiter), "point", place, 1, 2, 3)


def _decimal(top: bytes, layout: Layout) -> str:
    """The decimal mark in the first rows; a comma only where commas do not part columns."""
    if layout.delimiter == b",":
        return "point"
    for line in top.split(b"\n", layout.skipped + ROWS_TRIED)[layout.skipped : layout.skipped + ROWS_TRIED]:
        fields = whole_fields(line.strip(), layout.delimiter)
        for axis in layout.axes:
            if axis < len(fields) and b"," in fields[axis]:
                return "comma"
            if axis < len(fields) and b"." in fields[axis]:
                return "point"
    return "point"


def _point(number: int, fields: Sequence[bytes], layout: Layout) -> Point:
    if len(fields) < layout.columns:
        raise bad_row(
            number, f"has {counted(len(fields), 'column', 'columns')} where the first point has {layout.columns}."
        )
    x, y, z = (_coordinate(number, fields[axis], layout.decimal) for axis in layout.axes)
    return x, y, z


def _coordinate(number: int, field: bytes, decimal: bytes | None) -> float:
    if not field:
        return float("nan")
    other = DECIMALS["point" if decimal == b"," else "comma"]
    if other in field or not is_number(field, None):
        raise bad_row(number, f"has {shown(field)} as a coordinate, which is not a number when it is read like this.")
    return float(field.replace(b",", b"."))


def _name(names: dict[str, bytes | None], value: bytes | None) -> str:
    return next(name for name, one in names.items() if one == value)


def _shown(fields: Sequence[bytes]) -> tuple[str, ...]:
    return tuple(_text(field)[:LONGEST_FIELD] for field in fields[:MOST_COLUMNS])


def _text(line: bytes) -> str:
    return "".join(c if c.isprintable() else " " for c in line.decode("utf-8", "replace")).strip()[:200]
