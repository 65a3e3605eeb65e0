"""STL, binary and ASCII. Every triangle carries its own three corners; shared corners are joined later."""

import re
from pathlib import Path

import numpy as np

from metrology.bodies import Floats, Progress
from metrology.reading.raw import STAGE, Raw, bad_row, counted, shown, truncated
from metrology.reading.sniff import STL_HEADER, STL_TRIANGLE
from metrology.reading.text import blocks_of_lines, stack, written_step
from metrology.reading.tidy import single_step

TRIANGLES_AT_ONCE = 1 << 18

# Words of one facet in order, with where the coordinates stand among them.
FACET_WORDS = 21
KEYWORDS = {0: b"facet", 1: b"normal", 5: b"outer", 6: b"loop", 7: b"vertex", 11: b"vertex", 15: b"vertex"}
KEYWORDS |= {19: b"endloop", 20: b"endfacet"}
AGAIN = "Export the STL again."
LONGEST_FACET = 1 << 20
VERTEX = re.compile(rb"vertex\s+(\S+)\s+(\S+)\s+(\S+)")
END_OF_SAMPLE = 1 << 15
COORDINATES = (8, 9, 10, 12, 13, 14, 16, 17, 18)


def read_binary_stl(path: Path, progress: Progress) -> Raw:
    """All triangles of a binary STL whose length has been checked."""
    with path.open("rb") as file:
        count = int.from_bytes(file.read(STL_HEADER)[80:], "little")
        corners = np.empty((count, 9))
        for start in range(0, count, TRIANGLES_AT_ONCE):
            part = np.fromfile(file, STL_TRIANGLE, min(TRIANGLES_AT_ONCE, count - start))
            with np.errstate(invalid="ignore"):  # a damaged number may be no number; that is said later
                corners[start : start + len(part)] = part["corners"].reshape(-1, 9)
            progress(STAGE, (start + len(part)) / count)
    return _soup(corners)


def read_ascii_stl(path: Path, progress: Progress) -> Raw:
    """All facets of an ASCII STL, of one or several solids. Raises ReadingError: bad-row, truncated."""
    pieces: list[Floats] = []
    rest, step = b"", 0.0
    with path.open("rb") as file:
        for line, text in blocks_of_lines(file, path.stat().st_size, progress):
            line -= rest.count(b"\n")
            text = rest + text.lower()
            last = text.rfind(b"endfacet")
            end = 0 if last < 0 else text.find(b"\n", last) + 1 or len(text)
            if len(text) - end > LONGEST_FACET:
                raise bad_row(line + text.count(b"\n", 0, end), f"begins a facet that does not end. {AGAIN}")
            if end:
                step = step if pieces else written_step(VERTEX.findall(text, 0, END_OF_SAMPLE))
                pieces.append(_facets(text[:end], line))
            rest = text[end:]
            rest_line = line + text.count(b"\n", 0, end)
    facets = sum(map(len, pieces))
    if not re.search(rb"(?m)^\s*endsolid[^\n]*\s*\Z", rest):
        raise truncated(f"The ASCII STL ends after {counted(facets, 'whole facet', 'whole facets')}, without endsolid.")
    _facets_by_line(rest, rest_line)
    return _soup(stack(pieces, 9), step)


def _soup(corners: Floats, step: float | None = None) -> Raw:
    """step: None for coordinates in single precision."""
    points = corners.reshape(-1, 3)
    step = single_step(points) if step is None else step
    return Raw(points, np.arange(len(points), dtype=np.int64).reshape(-1, 3), unmerged=True, step=step)


def _facets(text: bytes, first_line: int) -> Floats:
    """(n, 9) corner coordinates of whole facets: by position when nothing but facets is there, else line by line."""
    body = text
    if body.lstrip().startswith(b"solid"):
        body = body.lstrip().partition(b"\n")[2]
    words = body.split()
    if not words or len(words) % FACET_WORDS:
        return _facets_by_line(text, first_line)
    if any(set(words[place::FACET_WORDS]) != {word} for place, word in KEYWORDS.items()):
        return _facets_by_line(text, first_line)
    corners = np.empty((len(words) // FACET_WORDS, 9))
    try:
        for column, place in enumerate(COORDINATES):
            corners[:, column] = np.fromiter(map(float, words[place::FACET_WORDS]), np.float64, len(corners))
    except ValueError:
        return _facets_by_line(text, first_line)
    return corners


def _facets_by_line(text: bytes, first_line: int) -> Floats:
    corners: list[float] = []
    in_facet = 0
    for number, line in enumerate(text.split(b"\n"), first_line):
        words = line.split()
        match words[0] if words else b"":
            case b"vertex":
                in_facet += 1
                try:
                    x, y, z = map(float, words[1:])
                except ValueError:
                    raise bad_row(number, f"reads {shown(line)}: a vertex needs three numbers. {AGAIN}") from None
                corners += (x, y, z)
            case b"endfacet" | b"endsolid" | b"facet" if in_facet not in (0, 3):
                raise bad_row(number, f"follows {counted(in_facet, 'vertex', 'vertices')}: a facet has three. {AGAIN}")
            case b"endfacet" | b"endsolid" | b"facet":
                in_facet = 0
            case b"" | b"solid" | b"outer" | b"endloop":
                pass
            case _:
                raise bad_row(number, f"reads {shown(line)}, which has no meaning in an STL. {AGAIN}")
    return np.array(corners).reshape(-1, 9)
