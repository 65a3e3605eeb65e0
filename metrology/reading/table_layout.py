"""How a table of points is laid out: delimiter, heading, columns. Worked out from the top, or told by a person."""

import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from metrology.errors import ReadingError
from metrology.reading.raw import bad_row, counted, shown

COMMENT = (b"#", b"//", b"%", b"!")
NUMBER = rb"[-+]?(\d+(\.\d*|,\d+)?|\.\d+)([eE][-+]?\d+)?"
SPACED_NUMBERS = re.compile(rb"(%s\s+){2,}%s(\s.*)?" % (NUMBER, NUMBER))
UNIT_IN_BRACKETS = re.compile(rb"[ _]?(\[[^\]]*\]|\([^)]*\))")
AXIS = re.compile(rb"([xyz])([ _](mm|cm|m|in|ft))?")
AXIS_WITH_UNIT = re.compile(rb"([xyz])[ _]?[\[(]?(mm|cm|m|in|ft)[\])]?")
LINES_AT_TOP = 1000
LINES_FOR_DECIMALS = 20
DELIMITERS: dict[str, bytes | None] = {"comma": b",", "semicolon": b";", "tab": b"\t", "space": None}
DECIMALS = {"point": b".", "comma": b","}


@dataclass(frozen=True)
class TableChoice:
    """How a person says a table is to be read.

    delimiter: comma, semicolon, tab or space. decimal: point or comma. skipped: lines before the first point.
    x, y, z: the columns of the coordinates, counted from 1.
    """

    delimiter: str
    decimal: str
    skipped: int
    x: int
    y: int
    z: int

    @property
    def axes(self) -> tuple[int, int, int]:
        """Places of the columns, counted from 0."""
        return self.x - 1, self.y - 1, self.z - 1

    def in_words(self) -> str:
        """“x, y, z from columns 1, 2, 3; semicolons between them, decimal comma; 1 line passed over”."""
        parted = {"comma": "commas", "semicolon": "semicolons", "tab": "tabs", "space": "spaces"}[self.delimiter]
        lines = f"{counted(self.skipped, 'line', 'lines')} passed over" if self.skipped else "no line passed over"
        columns = f"{self.x}, {self.y}, {self.z}"
        return f"x, y, z from columns {columns}; {parted} between them, decimal {self.decimal}; {lines}"

    def as_stored(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def from_stored(cls, stored: Mapping[str, Any]) -> "TableChoice":
        return cls(**stored)


@dataclass(frozen=True)
class Layout:
    """How the lines of one table are laid out.

    delimiter: None for white space. decimal: the mark before decimals, None while it is open. columns: fields in a
    line. axes: places of x, y and z. skipped: number of lines before the first point. numeric: every field of the first
    point is a number. promised: number of points stated on a line of its own at the top, if any. own_unit: of the
    coordinates, where the heading names it, else "".
    """

    delimiter: bytes | None
    columns: int
    axes: tuple[int, int, int]
    skipped: int
    numeric: bool
    promised: int | None = None
    own_unit: str = ""
    decimal: bytes | None = None


def layout_of(text: bytes) -> Layout:
    """Work out the layout from the first block of a file. Raises ReadingError: no-points, bad-row."""
    top = _top(text)
    content = [(place, line) for place, line in top if line and not line.startswith(COMMENT)]
    promised: int | None = None
    if len(content) > 1 and content[0][1].isdigit() and not content[1][1].isdigit():
        promised = int(content.pop(0)[1])
    heading: tuple[int, bytes] | None = None
    if content and not _is_point(content[0][1]):
        heading = content.pop(0)
        if _axes(heading[1]) is None:
            raise bad_row(
                heading[0] + 1,
                f"reads {shown(heading[1])}, which is neither a point nor a heading with columns x, y and z. "
                "Name the columns of the coordinates x, y and z, or begin a remark with #.",
            )
    if not content:
        raise _no_points()
    place, first = content[0]
    delimiter = delimiter_of(first)
    fields = whole_fields(first, delimiter)
    columns = len(fields)
    axes, title = _axes_for(heading, [line for _, line in top[:place] if line.startswith(COMMENT)], columns)
    if not heading and is_ambiguous([line for _, line in content[:LINES_FOR_DECIMALS]]):
        raise bad_row(
            place + 1,
            f"reads {shown(first)}: its commas may part columns or mark decimals. "
            "Export with semicolons between the columns, or add a heading that names all columns.",
        )
    return Layout(
        delimiter=delimiter,
        columns=columns,
        axes=axes,
        skipped=place,
        numeric=all(is_number(field, delimiter) for field in fields),
        promised=promised,
        own_unit=_unit_of(title),
    )


def layout_as_told(text: bytes, choice: TableChoice) -> Layout:
    """The layout of a file that begins with `text`, read as a person said. Raises ReadingError: no-points, bad-row."""
    delimiter, decimal = DELIMITERS[choice.delimiter], DECIMALS[choice.decimal]
    if delimiter == decimal:
        raise ReadingError(
            "bad-row", "A comma cannot both part the columns and mark decimals. Export with semicolons in between."
        )
    top = _top(text)
    content = [(p, line) for p, line in top[choice.skipped :] if line and not line.startswith(COMMENT)]
    if not content:
        raise _no_points()
    place, first = content[0]
    fields = whole_fields(first, delimiter)
    if max(choice.axes) >= len(fields):
        raise bad_row(
            place + 1,
            f"reads {shown(first)}: it has {counted(len(fields), 'column', 'columns')}, so there is no column "
            f"{max(choice.axes) + 1}. Choose other columns, or another delimiter.",
        )
    if len(set(choice.axes)) < 3:
        raise ReadingError("bad-row", "Two of x, y and z are read from the same column. Choose three columns.")
    before = [line for _, line in top[:place] if line]
    promised = next((int(line) for line in before if line.isdigit()), None)
    return Layout(
        delimiter=delimiter,
        columns=len(fields),
        axes=choice.axes,
        skipped=place,
        numeric=all(is_number(field, delimiter) for field in fields),
        promised=promised,
        own_unit=next((unit for line in reversed(before) if (unit := _unit_of(line))), ""),
        decimal=decimal,
    )


def _top(text: bytes) -> list[tuple[int, bytes]]:
    return [(place, line.strip()) for place, line in enumerate(text.split(b"\n", LINES_AT_TOP)[:LINES_AT_TOP])]


def _no_points() -> ReadingError:
    return ReadingError("no-points", "The file holds no points. Export the scan again as a table of x, y, z.")


def is_ambiguous(lines: list[bytes]) -> bool:
    """True when six numbers parted by commas may as well be three numbers with decimal commas."""
    delimiter = delimiter_of(lines[0])
    return delimiter == b"," and len(whole_fields(lines[0], delimiter)) == 6 and not any(b"." in line for line in lines)


def delimiter_of(line: bytes) -> bytes | None:
    """Semicolon, tab or comma, whichever the line has in this order, or None for white space."""
    if b";" in line:
        return b";"
    if b"\t" in line:
        return b"\t"
    return b"," if b"," in line and not SPACED_NUMBERS.fullmatch(line) else None


def fields_of(line: bytes, delimiter: bytes | None) -> list[bytes]:
    """The fields of a line, without blanks and quotation marks around them."""
    return line.split() if delimiter is None else [field.strip(b' \t"') for field in line.split(delimiter)]


def whole_fields(line: bytes, delimiter: bytes | None) -> list[bytes]:
    """As fields_of, without the empty one after a delimiter at the end."""
    fields = fields_of(line, delimiter)
    return fields if not fields or fields[-1] else fields[:-1]


def is_number(field: bytes, delimiter: bytes | None) -> bool:
    """True for a number as it may stand between such delimiters; a comma marks decimals unless it is the delimiter."""
    try:
        float(field if delimiter == b"," else field.replace(b",", b"."))
    except ValueError:
        return False
    return b"_" not in field


def _is_point(line: bytes) -> bool:
    delimiter = delimiter_of(line)
    return sum(is_number(field, delimiter) for field in fields_of(line, delimiter)) >= 3


def _names(line: bytes) -> list[bytes]:
    bare = UNIT_IN_BRACKETS.sub(b"", line.lstrip(b"#/%! \t")).lower()
    return [name.strip(b'"') for name in whole_fields(bare, delimiter_of(bare))]


def _axes(line: bytes) -> tuple[int, int, int] | None:
    """Places of the columns named x, y and z, each exactly once."""
    letters = [match[1] if (match := AXIS.fullmatch(name)) else b"" for name in _names(line)]
    if any(letters.count(axis) != 1 for axis in (b"x", b"y", b"z")):
        return None
    return letters.index(b"x"), letters.index(b"y"), letters.index(b"z")


def _unit_of(title: bytes) -> str:
    """The unit that a heading names for x, y and z alike, as in “x [mm];y [mm];z [mm]”, else ""."""
    bare = title.lstrip(b"#/%! \t").lower()
    for delimiter in (b";", b"\t", b",", None):
        found = [m for name in fields_of(bare, delimiter) if (m := AXIS_WITH_UNIT.fullmatch(name))]
        if sorted(match[1] for match in found) == [b"x", b"y", b"z"]:
            units = {match[2] for match in found}
            return units.pop().decode() if len(units) == 1 else ""
    return ""


def _axes_for(
    heading: tuple[int, bytes] | None, remarks: list[bytes], columns: int
) -> tuple[tuple[int, int, int], bytes]:
    """Places of x, y and z from the heading, else from a remark that names all columns, else the first three; and the
    line that named them."""
    if heading:
        named = len(_names(heading[1]))
        if named != columns:
            raise bad_row(
                heading[0] + 1,
                f"names {counted(named, 'column', 'columns')} but the first point has {columns}. "
                "Use one delimiter throughout; if commas mark decimals, part the columns with semicolons.",
            )
    titles = [heading[1]] if heading else [r for r in reversed(remarks) if len(_names(r)) == columns]
    return next(((axes, title) for title in titles if (axes := _axes(title))), ((0, 1, 2), b""))
