"""OBJ: vertices and polygon faces; materials, texture coordinates, normals and lines are passed over, and no other file
is ever opened. What would leave a hole, as surfaces that are curved or kept in another file, is refused."""

from array import array
from pathlib import Path

import numpy as np

from metrology.bodies import Floats, Ints, Progress
from metrology.errors import ReadingError
from metrology.reading.polygons import triangulate
from metrology.reading.raw import Raw, bad_face, bad_row, shown
from metrology.reading.text import blocks_of_lines, written_step

SAMPLE = 300
HIGHEST = 2**62
OTHER_FILES = (b"call", b"csh")
CURVED = (b"surf", b"curv", b"curv2")


def read_obj(path: Path, progress: Progress, *, faces: bool) -> Raw:
    """Vertices, and triangles when `faces` are asked for.

    Raises ReadingError: bad-row, bad-index, outside-file, not-a-mesh.
    """
    coordinates, corners, counts = array("d"), array("q"), array("q")
    written: list[list[bytes]] = []
    with path.open("rb") as file:
        for first_line, text in blocks_of_lines(file, path.stat().st_size, progress):
            text = text.replace(b"\\\n", b" ")
            for number, line in enumerate(text.split(b"\n"), first_line):
                words = line.split()
                if not words:
                    continue
                if words[0] == b"v":
                    _add_vertex(coordinates, words, number, line)
                    if len(written) < SAMPLE:
                        written.append(words[1:4])
                elif faces and words[0] == b"f":
                    counts.append(_add_face(corners, words, len(coordinates) // 3, number, line))
                elif words[0] in OTHER_FILES:
                    raise ReadingError(
                        "outside-file",
                        f"Line {number:,} reads {shown(line)}: the OBJ keeps a part of itself in another file or asks "
                        "for a command to be run, and neither is done here. Export it as one plain OBJ, or as STL.",
                    )
                elif faces and words[0] in CURVED:
                    raise ReadingError(
                        "not-a-mesh",
                        f"Line {number:,} reads {shown(line)}: the OBJ holds curved surfaces, and only flat faces are "
                        "read from OBJ. Export it with flat faces, or as STEP.",
                    )
    points = np.array(coordinates).reshape(-1, 3)
    step = written_step(written)
    if not faces:
        return Raw(points, step=step)
    triangles = _triangles(points, np.array(counts, dtype=np.int64), np.array(corners, dtype=np.int64))
    return Raw(points, triangles, step=step)


def _add_vertex(coordinates: "array[float]", words: list[bytes], number: int, line: bytes) -> None:
    try:
        x, y, z = map(float, words[1:4])
    except ValueError:
        raise bad_row(number, f"reads {shown(line)}: a vertex needs three numbers. Export the OBJ again.") from None
    coordinates.extend((x, y, z))


def _add_face(corners: "array[int]", words: list[bytes], vertices: int, number: int, line: bytes) -> int:
    """Append the corners of one face, counted from 0, and return how many there are."""
    try:
        around = [int(word.partition(b"/")[0]) for word in words[1:]]
    except ValueError:
        raise bad_row(number, f"reads {shown(line)}: a face lists vertex numbers. Export the OBJ again.") from None
    if max(map(abs, around), default=0) > HIGHEST:
        raise bad_row(number, f"reads {shown(line)}: no file has so many vertices. Export the OBJ again.")
    if len(around) < 3 or 0 in around:
        raise bad_row(
            number, f"reads {shown(line)}: a face needs three vertices or more, counted from 1. Export the OBJ again."
        )
    # A negative number counts back from the newest vertex.
    around = [i - 1 if i > 0 else vertices + i for i in around]
    if min(around) < 0:
        raise bad_row(number, f"reads {shown(line)}, which counts back past the first vertex. Export the OBJ again.")
    corners.extend(around)
    return len(around)


def _triangles(points: Floats, counts: Ints, corners: Ints) -> Ints:
    wrong = np.flatnonzero(corners >= len(points))
    if len(wrong):
        face = int(np.searchsorted(np.cumsum(counts), wrong[0], side="right")) + 1
        raise bad_face(face, int(corners[wrong[0]]) + 1, len(points))
    return triangulate(points, counts, corners)
