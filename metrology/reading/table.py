"""Tables of points: one point per line, columns parted by commas, semicolons, tabs or spaces."""

from pathlib import Path

import numpy as np

from metrology.bodies import Floats, Progress, silent
from metrology.reading.raw import Raw, bad_row, counted, shown, truncated
from metrology.reading.table_layout import (
    COMMENT,
    Layout,
    TableChoice,
    fields_of,
    is_number,
    layout_as_told,
    layout_of,
)
from metrology.reading.text import blocks_of_lines, rectangle, stack, written_step

SAMPLE = 300


def read_table(path: Path, progress: Progress, choice: TableChoice | None = None) -> Raw:
    """The points of a table; a missing coordinate is NaN. choice: how a person said that it is to be read.

    Raises ReadingError: no-points, bad-row, truncated.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        _, top = next(blocks_of_lines(file, size, silent))
        layout = layout_as_told(top, choice) if choice else layout_of(top)
        file.seek(0)
        reader = _Reader(layout)
        points = stack([reader.points(line, text) for line, text in blocks_of_lines(file, size, progress)])
    if layout.promised is not None and layout.promised > len(points):
        raise truncated(f"The first line promises {layout.promised:,} points but the file holds {len(points):,}.")
    return Raw(points, row_name="point", own_unit=layout.own_unit, step=written_step(_first_words(top, layout)))


def _first_words(top: bytes, layout: Layout) -> list[list[bytes]]:
    """The words of x, y and z of the first points."""
    lines = top.split(b"\n", layout.skipped + SAMPLE)[layout.skipped : layout.skipped + SAMPLE]
    rows = [fields_of(line, layout.delimiter) for line in lines if not line.lstrip().startswith(COMMENT)]
    return [[row[axis] for axis in layout.axes] for row in rows if len(row) >= layout.columns]


class _Reader:
    """Reads blocks of lines of one table and remembers which decimal mark it has met."""

    def __init__(self, layout: Layout) -> None:
        self._layout = layout
        self._marks: set[bytes] = {layout.decimal} if layout.decimal else set()

    def points(self, first_line: int, text: bytes) -> Floats:
        """(n, 3) coordinates of whole lines: at once where they are clean, else line by line."""
        skipped = self._layout.skipped - (first_line - 1)
        if skipped > 0:
            text = text.split(b"\n", skipped)[skipped]
            first_line += skipped
        found = self._at_once(text)
        return found if found is not None else self._line_by_line(first_line, text)

    def _at_once(self, text: bytes) -> Floats | None:
        delimiter = self._layout.delimiter.decode() if self._layout.delimiter else None
        marks = set(self._marks)
        if delimiter != ",":
            marks |= {mark for mark in (b",", b".") if mark in text}
            if len(marks) > 1:
                return None
            text = text.replace(b",", b".")
        if self._layout.numeric:
            found = rectangle(text, delimiter)
            found = (
                found[:, self._layout.axes] if found is not None and found.shape[1] == self._layout.columns else None
            )
        else:
            found = rectangle(text, delimiter, self._layout.axes)
        if found is not None:
            self._marks = marks
        return found

    def _line_by_line(self, first_line: int, text: bytes) -> Floats:
        rows = []
        lines = text.split(b"\n")
        for number, line in enumerate(map(bytes.strip, lines), first_line):
            if not line or line.startswith(COMMENT):
                continue
            fields = fields_of(line, self._layout.delimiter)
            if len(fields) == self._layout.columns + 1 and not fields[-1]:
                fields.pop()
            try:
                rows.append(self._coordinates(fields))
            except ValueError as problem:
                unfinished = number == first_line + len(lines) - 1 and len(fields) < self._layout.columns
                if unfinished and all(is_number(field, self._layout.delimiter) for field in fields):
                    raise truncated(f"The table ends in the middle of line {number:,}, {shown(line)}.") from None
                raise bad_row(number, f"reads {shown(line)}: {problem} Correct or remove the line.") from None
        return np.array(rows).reshape(-1, 3)

    def _coordinates(self, fields: list[bytes]) -> list[float]:
        columns = self._layout.columns
        if len(fields) < columns or (self._layout.delimiter and len(fields) > columns):
            raise ValueError(f"it has {counted(len(fields), 'column', 'columns')} where the first point has {columns}.")
        return [self._number(fields[axis]) for axis in self._layout.axes]

    def _number(self, field: bytes) -> float:
        if not field:
            return float("nan")
        delimiter = self._layout.delimiter
        if delimiter != b",":
            self._marks |= {mark for mark in (b",", b".") if mark in field}
            if len(self._marks) > 1:
                raise ValueError("decimal commas and decimal points are mixed.")
        if not is_number(field, delimiter):
            raise ValueError(f"{shown(field)} is not a number.")
        return float(field.replace(b",", b"."))
