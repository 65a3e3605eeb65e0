"""Large text files by blocks of whole lines, and rectangles of numbers in them."""

import io
from collections.abc import Iterator, Sequence
from typing import BinaryIO

import numpy as np

from metrology.bodies import Floats, Progress
from metrology.errors import ReadingError
from metrology.reading.raw import STAGE

BLOCK_BYTES = 1 << 22
LONGEST_LINE = 1 << 20
ENOUGH_DIFFERENT = 30
BYTE_ORDER_MARK = b"\xef\xbb\xbf"


def blocks_of_lines(file: BinaryIO, size: int, progress: Progress, first_line: int = 1) -> Iterator[tuple[int, bytes]]:
    """Yield (number of the first line, text) from the file's position to its end.

    Each text ends with a line break, except perhaps the last; line breaks of any kind become line feeds.
    """
    line, kept = first_line, b""
    while True:
        fresh = file.read(BLOCK_BYTES)
        progress(STAGE, file.tell() / size)
        text = kept + fresh
        if line == 1 and text.startswith(BYTE_ORDER_MARK):
            text = text[len(BYTE_ORDER_MARK) :]
        if fresh:
            end = max(text.rfind(b"\n"), text.rfind(b"\r", 0, -1)) + 1
            text, kept = text[:end], text[end:]
            if len(kept) > LONGEST_LINE:
                long_line = line + text.count(b"\n")
                raise ReadingError(
                    "bad-row",
                    f"Line {long_line:,} is longer than a megabyte. "
                    "This is not a text of points: export it again as PLY, STL or a table with one point per line.",
                )
        if b"\r" in text:
            text = text.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        if text:
            yield line, text
            line += text.count(b"\n")
        if not fresh:
            return


def rectangle(text: bytes, delimiter: str | None = None, columns: tuple[int, ...] | None = None) -> Floats | None:
    """The numbers in `text`, (rows, columns) float64, or None when it is not a clean rectangle of numbers.

    delimiter: None for white space. columns: take only these, and let the others hold anything.
    """
    if not text or text.isspace():
        return None
    try:
        return np.loadtxt(io.BytesIO(text), comments=None, delimiter=delimiter, usecols=columns, ndmin=2)
    except ValueError:
        return None


def written_step(rows: Sequence[Sequence[bytes]]) -> float:
    """Steps in which coordinates were written, from the last digit of those in `rows`; 0 when it cannot be told.

    rows: the words of x, y and z of some points. 12.25 comes in steps of 0.01, 1.5e3 in steps of 100. Of each axis the
    usual place of the last digit counts, for zeros at the end may be left off, and of the axes the coarsest. An axis on
    which there are few different ones says nothing: it may be a grid.
    """
    steps = [
        float(np.median([_last_place(word) for word in column]))
        for column in zip(*rows, strict=True)
        if len(set(column)) >= ENOUGH_DIFFERENT
    ]
    return max(steps, default=0.0)


def _last_place(word: bytes) -> float:
    mantissa, _, power = word.lower().replace(b",", b".").partition(b"e")
    decimals = len(mantissa.partition(b".")[2])
    try:
        return float(f"1e{int(power or 0) - decimals}")
    except ValueError:
        return 0.0


def stack(pieces: list[Floats], columns: int = 3) -> Floats:
    """The pieces one below the other, (n, columns). Empties the list as it goes, so that memory holds them once."""
    whole = np.empty((sum(map(len, pieces)), columns))
    row = 0
    pieces.reverse()
    while pieces:
        piece = pieces.pop()
        whole[row : row + len(piece)] = piece
        row += len(piece)
    return whole
