"""Elements of a binary PLY that hold lists: rows of any length, read at once when all rows are alike."""

from array import array
from typing import BinaryIO, Literal

import numpy as np
import numpy.typing as npt

from metrology.bodies import Ints, Progress
from metrology.errors import ReadingError
from metrology.reading.ply_header import ByteOrder, Element, Property
from metrology.reading.raw import STAGE, truncated

ROWS_BETWEEN_REPORTS = 1 << 17


def read_binary_list(
    file: BinaryIO, element: Element, wanted: Property | None, byte_order: ByteOrder, progress: Progress
) -> tuple[Ints, Ints] | None:
    """(length of each list, all values) of the list `wanted`, or None when it is None; leaves `file` after the element.

    Raises ReadingError: truncated, bad-row.
    """
    start = file.tell()
    data = np.frombuffer(file.read(), dtype=np.uint8)
    alike = _rows_alike(data, element, byte_order)
    if alike is not None:
        file.seek(start + alike.nbytes)
        if wanted is None:
            return None
        values = alike[f"values {element.properties.index(wanted)}"].astype(np.int64)
        return np.full(len(values), values.shape[1], dtype=np.int64), values.ravel()
    starts, lengths, end = _walk(data, element, wanted, byte_order, progress)
    file.seek(start + end)
    return None if wanted is None else (lengths, _gather(data, starts, lengths, wanted.type.newbyteorder(byte_order)))


def _rows_alike(data: npt.NDArray[np.uint8], element: Element, byte_order: ByteOrder) -> npt.NDArray[np.void] | None:
    """All rows as one structured array, when every list is as long as in the first row."""
    fields: list[tuple[str, np.dtype[np.generic], tuple[int, ...]]] = []
    lengths: dict[str, int] = {}
    place = 0
    if not element.rows:
        return None
    for number, prop in enumerate(element.properties):
        size: tuple[int, ...] = ()
        if prop.count_type is not None:
            length = _number_at(data, place, prop.count_type.newbyteorder(byte_order))
            if length is None or not 0 <= length <= len(data):
                return None
            fields.append((f"length {number}", prop.count_type.newbyteorder(byte_order), ()))
            lengths[f"length {number}"] = length
            size = (length,)
        fields.append((f"values {number}", prop.type.newbyteorder(byte_order), size))
        place = np.dtype(fields).itemsize
    row: np.dtype[np.void] = np.dtype(fields)
    if row.itemsize * element.rows > len(data):
        return None
    rows = np.frombuffer(data, row, element.rows)
    return rows if all((rows[name] == length).all() for name, length in lengths.items()) else None


def _number_at(data: npt.NDArray[np.uint8], place: int, kind: np.dtype[np.generic]) -> int | None:
    piece = data[place : place + kind.itemsize]
    return int(piece.view(kind)[0]) if len(piece) == kind.itemsize else None


def _walk(
    data: npt.NDArray[np.uint8], element: Element, wanted: Property | None, byte_order: ByteOrder, progress: Progress
) -> tuple[Ints, Ints, int]:
    """(start, length) of the wanted list in every row, and the place after the last row, stepping from row to row."""
    raw = data.tobytes()
    order: Literal["little", "big"] = "little" if byte_order == "<" else "big"
    steps = [
        (
            p.type.itemsize,
            p.count_type.itemsize if p.count_type else 0,
            p.count_type is not None and p.count_type.kind == "i",
            p is wanted,
        )
        for p in element.properties
    ]
    starts, lengths = array("q"), array("q")
    place = 0
    for row in range(element.rows):
        for width, count_width, signed, keep in steps:
            if not count_width:
                place += width
                continue
            length = int.from_bytes(raw[place : place + count_width], order, signed=signed)
            place += count_width
            if length < 0:
                raise ReadingError(
                    "bad-row", f"Row {row + 1:,} of {element.name} data has a list of {length} values. Export it again."
                )
            if keep:
                starts.append(place)
                lengths.append(length)
            place += length * width
        if place > len(raw):
            raise truncated(
                f"The PLY promises {element.rows:,} rows of {element.name} data "
                f"but its {len(raw):,} bytes end inside row {row + 1:,}."
            )
        if row % ROWS_BETWEEN_REPORTS == 0:
            progress(STAGE, row / element.rows)
    return np.array(starts, dtype=np.int64), np.array(lengths, dtype=np.int64), place


def _gather(data: npt.NDArray[np.uint8], starts: Ints, lengths: Ints, kind: np.dtype[np.generic]) -> Ints:
    """The values of lists that begin at `starts`, one list after the other."""
    values = np.empty(int(lengths.sum()), dtype=np.int64)
    into = np.cumsum(lengths) - lengths
    for length in np.unique(lengths[lengths > 0]):
        chosen = np.flatnonzero(lengths == length)
        span = np.arange(length * kind.itemsize)
        found = np.ascontiguousarray(data[starts[chosen, None] + span]).view(kind)
        values[into[chosen, None] + np.arange(length)] = found
    return values
