"""What a file holds before it is checked and converted, and the few words all formats share."""

from dataclasses import dataclass

from metrology.bodies import Floats, Ints
from metrology.errors import ReadingError

STAGE = "reading"


@dataclass(frozen=True)
class Raw:
    """Coordinates as written in the file.

    points: (n, 3) float64 in the file's own unit; may hold values that are not finite.
    faces: (m, 3) int64 triangles, or None when the file has no faces or they were not asked for.
    unmerged: True when the format repeats shared corners in every face.
    row_name: what one point is called in messages.
    own_unit: the unit of length that the file itself states, "" when it states none.
    step: steps in which the coordinates come, in the file's unit: the greatest of the three axes; 0 when not known.
    bodies: how many separate solids or objects the file says it holds; 0 when the format does not say.
    notes: a plain sentence for each thing that was left out or changed on the way.
    """

    points: Floats
    faces: Ints | None = None
    unmerged: bool = False
    row_name: str = "vertex"
    own_unit: str = ""
    step: float = 0.0
    bodies: int = 0
    notes: tuple[str, ...] = ()


def counted(number: int, one: str, many: str) -> str:
    """“1 face”, “1,200 faces”."""
    return f"{number:,} {one if number == 1 else many}"


def shown(text: bytes, limit: int = 40) -> str:
    """A short, printable quotation of bytes from a file."""
    clean = "".join(c if c.isprintable() else " " for c in text.decode("utf-8", "replace")).strip()
    return f"“{clean[:limit]}…”" if len(clean) > limit else f"“{clean}”"


def truncated(sentence: str) -> ReadingError:
    return ReadingError("truncated", f"{sentence} The file was cut short: export or copy it again and check its size.")


def bad_row(line: int, what: str) -> ReadingError:
    return ReadingError("bad-row", f"Line {line:,} {what}")


def bad_face(face: int, vertex: int, vertices: int) -> ReadingError:
    """For a face (counted from 1) that refers to a vertex (counted as the file does) that is not there."""
    return ReadingError(
        "bad-index",
        f"Face {face:,} refers to vertex {vertex:,}, but the file has {counted(vertices, 'vertex', 'vertices')}. "
        "The file is damaged: export it again.",
    )
