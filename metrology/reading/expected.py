"""How many points a file is about to give, from its header or its first lines, before it is read."""

from pathlib import Path

from metrology.errors import ReadingError
from metrology.reading.accepted import Purpose
from metrology.reading.memory import check_room
from metrology.reading.ply_header import read_header
from metrology.reading.sniff import STL_HEADER, STL_TRIANGLE, Kind

SAMPLE = 1 << 18
# No row of a PLY is shorter, whatever its header promises.
SHORTEST_ROW = 3
LINES_OF_FACET, CORNERS = 7, 3


def check_size_in_memory(path: Path, kind: Kind, purpose: Purpose) -> None:
    """Refuse a file that is bigger than the memory that is free. Raises ReadingError (too-large-for-memory)."""
    check_room(expected_rows(path, kind, purpose), purpose)


def expected_rows(path: Path, kind: Kind, purpose: Purpose) -> int:
    """About how many points a scan has, or vertices and faces a nominal; 0 where the reader itself finds out."""
    size = path.stat().st_size
    match kind:
        case "binary-stl":
            return (size - STL_HEADER) // STL_TRIANGLE.itemsize * CORNERS
        case "ply":
            return _rows_of_ply(path, size, purpose)
        case "obj" | "table":
            return _lines(path, size)
        case "ascii-stl":
            return _lines(path, size) * CORNERS // LINES_OF_FACET
        case _:
            return 0


def _rows_of_ply(path: Path, size: int, purpose: Purpose) -> int:
    try:
        with path.open("rb") as file:
            elements = read_header(file).elements
    except ReadingError:
        return 0  # the reader says what is wrong
    wanted = ("vertex", "face") if purpose == "mesh" else ("vertex",)
    return min(sum(e.rows for e in elements if e.name in wanted), size // SHORTEST_ROW)


def _lines(path: Path, size: int) -> int:
    with path.open("rb") as file:
        top = file.read(SAMPLE)
    breaks = max(top.count(b"\n"), top.count(b"\r"))
    return size * (breaks + 1) // len(top) if top else 0
