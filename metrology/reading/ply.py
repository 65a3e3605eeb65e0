"""PLY, ASCII and binary in either byte order. Polygons become triangles; other properties are passed over."""

from collections.abc import Iterator
from itertools import chain
from pathlib import Path
from typing import BinaryIO

import numpy as np

from metrology.bodies import Floats, Ints, Progress
from metrology.errors import ReadingError
from metrology.reading.ply_header import CORNER_LISTS, ByteOrder, Element, Header, Property, read_header
from metrology.reading.ply_lists import read_binary_list
from metrology.reading.polygons import triangulate
from metrology.reading.raw import STAGE, Raw, bad_face, bad_row, counted, shown, truncated
from metrology.reading.text import blocks_of_lines, rectangle, stack
from metrology.reading.tidy import single_step

ROWS_AT_ONCE = 1 << 18
AGAIN = "Export the PLY again."


def read_ply(path: Path, progress: Progress, *, faces: bool) -> Raw:
    """Vertices, and triangles when `faces` are asked for.

    Raises ReadingError: truncated, not-a-mesh (a header without meaning), no-points, bad-row, bad-index.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        header = read_header(file)
        vertex = next((e for e in header.elements if e.name == "vertex"), None)
        if vertex is None or any(vertex.place_of(axis) is None for axis in "xyz"):
            raise ReadingError("no-points", "The PLY has no vertices with x, y and z. Export it with coordinates.")
        if vertex.has_lists:
            raise ReadingError("not-a-mesh", "Vertices of this PLY carry lists. Export it with plain vertices.")
        file.seek(header.length)
        if header.byte_order:
            points, corner_lists = _read_binary(file, size, header, header.byte_order, progress, faces)
        else:
            points, corner_lists = _read_ascii(file, size, header, progress, faces)
    step = single_step(points) if vertex.is_single else 0.0
    if not faces or corner_lists is None:
        return Raw(points, step=step)
    counts, corners = corner_lists
    wrong = np.flatnonzero((corners < 0) | (corners >= len(points)))
    if len(wrong):
        face = int(np.searchsorted(np.cumsum(counts), wrong[0], side="right")) + 1
        # PLY counts vertices from 0.
        raise bad_face(face, int(corners[wrong[0]]), len(points))
    return Raw(points, triangulate(points, counts, corners), step=step)


Lists = tuple[Ints, Ints]


def _corner_list(element: Element) -> Property | None:
    if element.name != "face":
        return None
    return next((p for p in element.properties if p.count_type is not None and p.name in CORNER_LISTS), None)


def _read_binary(
    file: BinaryIO, size: int, header: Header, byte_order: ByteOrder, progress: Progress, faces: bool
) -> tuple[Floats, Lists | None]:
    points = np.empty((0, 3))
    lists: Lists | None = None
    for element in header.elements:
        left = size - file.tell()
        if element.rows * element.shortest_row > left:
            raise truncated(
                f"The PLY promises {counted(element.rows, 'row', 'rows')} of {element.name} data, at least "
                f"{element.rows * element.shortest_row:,} bytes, but {left:,} bytes are left in the file."
            )
        if element.name == "vertex":
            points = _binary_points(file, element, byte_order, progress)
            if not faces:
                _check_room(header, size - file.tell())
                return points, None
        elif element.has_lists:
            found = read_binary_list(file, element, _corner_list(element), byte_order, progress)
            lists = lists or found
        else:
            file.seek(element.rows * element.shortest_row, 1)
    return points, lists


def _check_room(header: Header, left: int) -> None:
    """Refuse a file that ends before the elements after its vertices can, even if all their lists were empty."""
    names = [e.name for e in header.elements]
    needed = sum(e.rows * e.shortest_row for e in header.elements[names.index("vertex") + 1 :])
    if needed > left:
        raise truncated(f"The PLY needs {needed:,} bytes or more after its vertices, but {left:,} are left.")


def _binary_points(file: BinaryIO, element: Element, byte_order: ByteOrder, progress: Progress) -> Floats:
    row = np.dtype([(str(i), p.type.newbyteorder(byte_order)) for i, p in enumerate(element.properties)])
    places = [str(element.place_of(axis)) for axis in "xyz"]
    points = np.empty((element.rows, 3))
    for start in range(0, element.rows, ROWS_AT_ONCE):
        part = np.fromfile(file, row, min(ROWS_AT_ONCE, element.rows - start))
        with np.errstate(invalid="ignore"):  # a damaged number may be no number; that is said later
            for axis, place in enumerate(places):
                points[start : start + len(part), axis] = part[place]
        progress(STAGE, (start + len(part)) / element.rows)
    return points


class _Rows:
    """Hands out the lines of an ASCII PLY in portions of a stated number of rows."""

    def __init__(self, blocks: Iterator[tuple[int, bytes]]) -> None:
        self._blocks = blocks
        self._line, self._text = 0, b""

    def take(self, element: Element) -> Iterator[tuple[int, int, bytes]]:
        """Yield (line number, rows, text) until all rows of `element` are handed out."""
        wanted = element.rows
        while wanted:
            if not self._text:
                self._line, self._text = next(self._blocks, (0, b""))
            if not self._text.strip():
                raise truncated(
                    f"The PLY promises {counted(element.rows, 'row', 'rows')} of {element.name} data "
                    f"but ends after {element.rows - wanted:,}."
                )
            breaks = np.flatnonzero(np.frombuffer(self._text, dtype=np.uint8) == ord("\n"))
            rows = len(breaks) + (not self._text.endswith(b"\n"))
            if rows > wanted:
                rows, end = wanted, int(breaks[wanted - 1]) + 1
            else:
                end = len(self._text)
            yield self._line, rows, self._text[:end]
            self._line, self._text = self._line + rows, self._text[end:]
            wanted -= rows


def _read_ascii(
    file: BinaryIO, size: int, header: Header, progress: Progress, faces: bool
) -> tuple[Floats, Lists | None]:
    points = np.empty((0, 3))
    lists: Lists | None = None
    rows = _Rows(blocks_of_lines(file, size, progress, header.lines + 1))
    for element in header.elements:
        corner_list = _corner_list(element) if faces else None
        if element.name == "vertex":
            points = stack([_ascii_points(text, n, line, element) for line, n, text in rows.take(element)])
        elif corner_list:
            parts = [_ascii_corners(text, n, line, element, corner_list) for line, n, text in rows.take(element)]
            if parts:
                lists = np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])
        else:
            for _ in rows.take(element):
                pass
    return points, lists


def _ascii_points(text: bytes, rows: int, first_line: int, element: Element) -> Floats:
    x, y, z = (element.place_of(axis) or 0 for axis in "xyz")
    found = rectangle(text, columns=(x, y, z))
    if found is not None and len(found) == rows:
        return found
    points = []
    for number, line in _numbered(text, first_line):
        words = line.split()
        try:
            points.append((float(words[x]), float(words[y]), float(words[z])))
        except (ValueError, IndexError):
            raise bad_row(
                number, f"reads {shown(line)}: a vertex needs {len(element.properties)} numbers. {AGAIN}"
            ) from None
    return np.array(points).reshape(-1, 3)


def _ascii_corners(text: bytes, rows: int, first_line: int, element: Element, wanted: Property) -> Lists:
    """(corners per face, all corners) of some rows of the face element."""
    if element.properties[0] is wanted:
        found = rectangle(text)
        if found is not None and len(found) == rows and (found[:, 0] == found[0, 0]).all():
            sides = int(found[0, 0])
            if 0 <= sides < found.shape[1]:
                with np.errstate(invalid="ignore"):  # what is no vertex number is refused as such later
                    return np.full(rows, sides, dtype=np.int64), found[:, 1 : sides + 1].astype(np.int64).ravel()
    counts, corners = [], []
    for number, line in _numbered(text, first_line):
        try:
            around = _list_in_row(line.split(), element, wanted)
        except (ValueError, IndexError):
            raise bad_row(
                number, f"reads {shown(line)}: a face is a count and that many vertex numbers. {AGAIN}"
            ) from None
        counts.append(len(around))
        corners.append(around)
    return np.array(counts, dtype=np.int64), np.array(list(chain.from_iterable(corners)), dtype=np.int64)


def _list_in_row(words: list[bytes], element: Element, wanted: Property) -> list[int]:
    place = 0
    for prop in element.properties:
        length = 1
        if prop.count_type is not None:
            length = int(words[place])
            place += 1
        values = words[place : place + length]
        if length < 0 or len(values) < length:
            raise ValueError
        if prop is wanted:
            return [int(value) for value in values]
        place += length
    raise ValueError


def _numbered(text: bytes, first_line: int) -> Iterator[tuple[int, bytes]]:
    return enumerate(text.removesuffix(b"\n").split(b"\n"), first_line)
