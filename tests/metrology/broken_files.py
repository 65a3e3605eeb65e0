"""Files that are broken, foreign or traps, for every format that is read. Made by code and seeded: always the same.

Each is refused with a code and a sentence, never with another failure. `python -m tests.metrology.broken_files FOLDER`
writes them, to try them by hand. Where a format has no mark of its end (OBJ, tables), a file cut off between two rows
is a whole file that is shorter; what is cut here ends inside a row.
"""

import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fixtures.files import write_csv_points, write_obj, write_ply_mesh, write_ply_points, write_stl
from fixtures.formats import RELATIONS, Stand, model_xml, write_3mf, write_3mf_package, write_e57, write_las
from fixtures.step import FlatSided, write_step
from metrology.bodies import Mesh
from metrology.reading.accepted import Purpose

from .broken_traps import mesh_traps, scan_traps
from .files_by_hand import BOX_QUADS, ascii_stl, ply, table

CORNERS = np.array([(x, y, z) for x in (0.0, 400.0) for y in (0.0, 300.0) for z in (0.0, 200.0)])
SIDES = BOX_QUADS
BOX = Mesh(CORNERS, np.array([t for a, b, c, d in SIDES for t in ((a, b, c), (a, c, d))]))
POINTS = np.random.default_rng(11).uniform(-300, 300, size=(240, 3))
SCANNED = Mesh(POINTS, np.arange(240).reshape(-1, 3))
UNITS = {".e57": "m", ".las": "m", ".laz": "m"}
Writer = Callable[[Path], object]

MESHES: dict[str, Writer] = {
    "a.stl": lambda path: write_stl(BOX, path),
    "ascii.stl": lambda path: path.write_text(ascii_stl(CORNERS, BOX.faces)),
    "a.obj": lambda path: write_obj(BOX, path),
    "a.ply": lambda path: write_ply_mesh(BOX, path),
    "ascii.ply": lambda path: ply(path, CORNERS, SIDES),
    "big.ply": lambda path: ply(path, CORNERS, SIDES, form="binary_big_endian", extra=True),
    "a.3mf": lambda path: write_3mf([BOX], path),
    "a.step": lambda path: write_step([FlatSided(CORNERS, SIDES)], path),
}
SCANS: dict[str, Writer] = {
    "a.stl": lambda path: write_stl(SCANNED, path),
    "a.obj": lambda path: path.write_text(vertices(POINTS)),
    "a.3mf": lambda path: write_3mf([SCANNED], path),
    "a.ply": lambda path: write_ply_points(POINTS, path),
    "ascii.ply": lambda path: ply(path, POINTS),
    "big.ply": lambda path: ply(path, POINTS, form="binary_big_endian", real="double"),
    "a.csv": lambda path: write_csv_points(POINTS, path),
    "a.txt": lambda path: table(path, POINTS, delimiter=";", decimal=",", heading="x;y;z\n"),
    "a.xyz": lambda path: table(path, POINTS, delimiter=" "),
    "a.e57": lambda path: write_e57([Stand(POINTS)], path),
    "a.las": lambda path: write_las(POINTS, path),
    "a.laz": lambda path: write_las(POINTS, path),
}
FOREIGN = {
    "a PDF called": b"%PDF-1.7\n1 0 obj\n<<>>\nendobj\n%%EOF\n",
    "a picture called": b"\x89PNG\r\n\x1a\n" + bytes(range(256)),
    "a web page called": b"<!doctype html><html><body>You were signed out.</body></html>",
    "text in UTF-16 called": "1 2 3\n".encode("utf-16") * 50,
    "text in UTF-16 without its mark called": "1 2 3\n".encode("utf-16-le") * 50,
    "nothing in": b"",
    "blanks in": b" \r\n\t\n" * 40,
    "zeros in": bytes(2000),
    "random bytes in": np.random.default_rng(5).bytes(4000),
    "a word of greeting called": b"Good morning.\n",
}
# A text of many short lines can be cut between two of them; these shares fall inside a row.
CUTS = {"the first bytes of": 0.02, "a quarter of": 0.25, "half of": 0.5, "nearly all of": 0.97}


@dataclass(frozen=True)
class Broken:
    """name: as the file was called. what: is wrong with it. purpose: it was sent as. unit: was stated."""

    name: str
    what: str
    purpose: Purpose
    content: bytes

    @property
    def label(self) -> str:
        return f"{self.what} {self.name} as {self.purpose}"

    @property
    def unit(self) -> str:
        return UNITS.get(Path(self.name).suffix, "mm")


def broken_files() -> list[Broken]:
    """The whole corpus, in a fixed order."""
    return [*_of_every_format("mesh", MESHES), *_of_every_format("scan", SCANS), *_traps()]


def _of_every_format(purpose: Purpose, writers: dict[str, Writer]) -> Iterator[Broken]:
    for name, write in writers.items():
        whole = written(name, write)
        for what, content in FOREIGN.items():
            yield Broken(name, what, purpose, content)
        for what, share in CUTS.items():
            yield Broken(name, what, purpose, cut_in_a_row(whole, share))
        if Path(name).suffix not in (".csv", ".txt", ".xyz", ".obj", ".stl"):  # these begin in no certain way
            yield Broken(name, "a wrong beginning of", purpose, b"#?" + whole[2:])


def cut_in_a_row(content: bytes, share: float) -> bytes:
    """The beginning of a file, up to two characters after the start of a line where it has lines."""
    at = int(len(content) * share)
    line = content.rfind(b"\n", 0, at)
    if b"\0" in content or line < 0 or content.startswith(b"PK"):
        return content[:at]
    return content[: line + 3]


def _traps() -> Iterator[Broken]:
    mesh = {name: written(name, write) for name, write in MESHES.items()}
    scan = {name: written(name, write) for name, write in SCANS.items()}
    for name, what, content in mesh_traps(mesh, CORNERS):
        yield Broken(name, what, "mesh", content)
    for name, what, content in scan_traps(scan):
        yield Broken(name, what, "scan", content)
    yield Broken("a.3mf", "a corner that is not there in", "mesh", package('v1="0"', 'v1="77"'))
    yield Broken("a.3mf", "a corner that is no number in", "mesh", package('x="400.0"', 'x="wide"'))
    yield Broken("a.3mf", "infinity in", "mesh", package('x="400.0"', 'x="inf"'))
    yield Broken("a.3mf", "a document type in", "mesh", package("<model", '<!DOCTYPE m [<!ENTITY a "b">]><model'))
    yield Broken("a.3mf", "nothing built in", "mesh", package('<item objectid="1"/>', ""))
    yield Broken("a.3mf", "an object made of itself in", "mesh", package("<mesh>", '<component objectid="1"/><mesh>'))
    yield Broken(
        "a.3mf", "an archive that grows and grows in", "mesh", package("<build>", " " * 20_000_000 + "<build>")
    )
    elsewhere = RELATIONS.replace('Target="/3D/', 'TargetMode="External" Target="https://example.org/3D/')
    yield Broken("a.3mf", "a model elsewhere in", "mesh", package(relations=elsewhere))
    nested = written("a.3mf", lambda path: write_3mf_package(path, mesh["a.3mf"]))
    yield Broken("a.3mf", "an archive within", "mesh", nested)
    yield Broken(
        "a.3mf", "a model of words in", "mesh", written("a.3mf", lambda path: write_3mf_package(path, "words"))
    )
    two = [FlatSided(CORNERS, SIDES), FlatSided(CORNERS + 900, SIDES)]
    yield Broken("a.step", "several solids in", "mesh", written("a.step", lambda path: write_step(two, path)))
    yield Broken("a.las", "points instead of a surface:", "mesh", scan["a.las"])
    yield Broken("a.e57", "points instead of a surface:", "mesh", scan["a.e57"])
    yield Broken("a.step", "a design instead of a scan:", "scan", mesh["a.step"])
    yield from _spoiled_points()


def _spoiled_points() -> Iterator[Broken]:
    """Points that are no scan, in each format that holds points."""
    single = np.repeat(POINTS[:1], 500, axis=0)
    line = np.linspace(0, 400, 500)[:, None] * [1.0, 0.5, 0.0]
    gaps = np.where(np.arange(240)[:, None] % 5 == 0, np.nan, POINTS)
    for what, points in (("one point in", POINTS[:1]), ("one point many times over in", single), ("one line in", line)):
        for name, write in _clouds(points).items():
            yield Broken(name, what, "scan", written(name, write))
    for name, write in _clouds(gaps).items():
        if Path(name).suffix not in (".las", ".laz"):  # whole numbers cannot be missing
            yield Broken(name, "missing coordinates in", "scan", written(name, write))
    fields = ("cartesianX", "cartesianY", "height")
    for what, stands in (
        ("fields missing in", [Stand(POINTS, fields=fields)]),
        ("no scan in", []),
        ("no points in", [Stand(POINTS[:0])]),
        ("only invalid points in", [Stand(POINTS, invalid=np.ones(len(POINTS), dtype=bool))]),
        ("a pose that is no rotation in", [Stand(POINTS, rotation=(0.0, 0.0, 0.0, 0.0))]),
    ):
        yield Broken("a.e57", what, "scan", written("a.e57", lambda path, s=stands: write_e57(s, path)))


def _clouds(points: np.ndarray) -> dict[str, Writer]:
    return {
        "a.ply": lambda path: write_ply_points(points, path),
        "ascii.ply": lambda path: ply(path, points),
        "a.csv": lambda path: table(path, points),
        "a.obj": lambda path: path.write_text(vertices(points)),
        "a.e57": lambda path: write_e57([Stand(points)], path),
        "a.las": lambda path: write_las(points, path),
        "a.laz": lambda path: write_las(points, path),
    }


def vertices(points: np.ndarray) -> str:
    """An OBJ that holds points only."""
    return "".join(f"v {x!r} {y!r} {z!r}\n" for x, y, z in points.tolist())


def written(name: str, write: Writer) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        write(path)
        return path.read_bytes()


def package(*changes: str, **given: str) -> bytes:
    """A 3MF of the box with parts of its model replaced: what, by what, what, by what."""
    body = (
        '<resources><object id="1"><mesh><vertices>'
        + "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in CORNERS.tolist())
        + "</vertices><triangles>"
        + "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in BOX.faces.tolist())
        + '</triangles></mesh></object></resources><build><item objectid="1"/></build>'
    )
    model = model_xml(body)
    for old, new in zip(changes[::2], changes[1::2], strict=True):
        assert old in model
        model = model.replace(old, new)
    return written("a.3mf", lambda path: write_3mf_package(path, model, **given))


if __name__ == "__main__":
    target = Path(sys.argv[1])
    for number, one in enumerate(broken_files()):
        (target / f"{number:03d}-{one.purpose}-{one.name}").write_bytes(one.content)
