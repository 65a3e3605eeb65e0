"""Mesh files small enough to write by hand, and any other as STL."""

from pathlib import Path
from tempfile import TemporaryDirectory

from fixtures.files import write_stl
from metrology.bodies import Mesh

CORNERS = [(x, y, z) for x in (0, 1) for y in (0, 1) for z in (0, 1)]
# Each side of the cube as two triangles, counter-clockwise seen from outside.
SIDES = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]


def cube_obj(side: float = 100, *, without: int = 0) -> bytes:
    """A cube from the origin as OBJ; `without` leaves out that many of its sides."""
    lines = [f"v {x * side} {y * side} {z * side}" for x, y, z in CORNERS]
    lines += ["f " + " ".join(str(corner + 1) for corner in around) for around in SIDES[: len(SIDES) - without]]
    return "\n".join(lines).encode() + b"\n"


PDF = b"%PDF-1.4\n1 0 obj<</Type/Catalog>>endobj\ntrailer<</Root 1 0 R>>\n%%EOF\n"


def stl_of(mesh: Mesh) -> bytes:
    """Any mesh as a binary STL."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "part.stl"
        write_stl(mesh, path)
        return path.read_bytes()
