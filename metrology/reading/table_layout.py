"""How a table of points is laid out: delimiter, heading, columns. Worked out from its first lines."""

import re
from dataclasses import dataclass

from metrology.errors import ReadingError
from metrology.reading.raw import bad_row, counted, shown

COMMENT = (b"#", b"//", b"%", b"!")
NUMBER = rb"[-+]?(\d+(\.\d*|,\d+)?|\.\d+)([eE][-+]?\d+)?"
SPACED_NUMBERS = re.compile(rb"(%s\s+){2,}%s(\s.*)?" % (NUMBER, NUMBER))
UNIT_IN_BRACKETS = re.compile(rb"[ _]?(\[[^\]]*\]|\([^)]*\))")
AXIS = re.compile(rb"([xyz])([ _](mm|cm|m|in|ft))?")
LINES_AT_TOP = 1000
LINES_FOR_DECIMALS = 20


@dataclass(frozen=True)
class Layout:
    """How the lines of one table are laid out.

    delimiter: None for white space. columns: fields in a line. axes: places of x, y and z.
    skipped: number of lines before the first point. numeric: every field of the first point is a number.
    promised: number of points stated on a line of its own at the top, if any.
    """

    delimiter: bytes | None
    columns: int
    axes: tuple[int, int, int]
    skipped: int
    numeric: bool
    promised: int | None


def layout_of(text: bytes) -> Layout:
    """Work out the layout from the first block of a file. Raises ReadingError: no-points, bad-row."""
    top = [(place, line.strip()) for place, line in enumerate(text.split(b"\n", LINES_AT_TOP)[:LINES_AT_TOP])]
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
        raise ReadingError("no-points", "The file holds no points. Export the scan again as a table of x, y, z.")
    place, first = content[0]
    delimiter = delimiter_of(first)
    fields = fields_of(first, delimiter)
    fields = fields if fields[-1] else fields[:-1]
    columns = len(fields)
    axes = _axes_for(heading, [line for _, line in top[:place] if line.startswith(COMMENT)], columns)
    if (
        not heading
        and delimiter == b","
        and columns == 6
        and not any(b"." in line for _, line in content[:LINES_FOR_DECIMALS])
    ):
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
    )


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
    names = [name.strip(b'"') for name in fields_of(bare, delimiter_of(bare))]
    return names if not names or names[-1] else names[:-1]


def _axes(line: bytes) -> tuple[int, int, int] | None:
    """Places of the columns named x, y and z, each exactly once."""
    letters = [match[1] if (match := AXIS.fullmatch(name)) else b"" for name in _names(line)]
    if any(letters.count(axis) != 1 for axis in (b"x", b"y", b"z")):
        return None
    return letters.index(b"x"), letters.index(b"y"), letters.index(b"z")


def _axes_for(heading: tuple[int, bytes] | None, remarks: list[bytes], columns: int) -> tuple[int, int, int]:
    """Places of x, y and z from the heading, else from a remark that names all columns, else the first three."""
    if heading:
        named = len(_names(heading[1]))
        if named != columns:
            raise bad_row(
                heading[0] + 1,
                f"names {counted(named, 'column', 'columns')} but the first point has {columns}. "
                "Use one delimiter throughout; if commas mark decimals, part the columns with semicolons.",
            )
    titles = [heading[1]] if heading else [r for r in reversed(remarks) if len(_names(r)) == columns]
    return next((axes for title in titles if (axes := _axes(title))), (0, 1, 2))
