"""Files that are odd but sound: far from zero, every point twice, another end of line or a byte order mark."""

import re

import numpy as np
import pytest

from fixtures.formats import Stand, write_e57, write_las
from metrology.bodies import Cloud, Mesh
from metrology.comparison.compare import Settings, compare
from metrology.reading import read_mesh_file, read_scan_file
from metrology.reading.tidy import on_one_line

from .broken_files import BOX, MESHES, POINTS, vertices, written
from .files_by_hand import ascii_stl, ply, table

FAR = np.array([4_000_000.0, 5_300_000.0, 120.0])
THERE = POINTS.round(3) + FAR
WRITERS = {
    "a.ply": lambda path, points: ply(path, points, real="double"),
    "a.csv": lambda path, points: table(path, points),
    "a.obj": lambda path, points: path.write_text(vertices(points)),
    "a.e57": lambda path, points: write_e57([Stand(points)], path),
    "a.las": lambda path, points: write_las(points, path, step=1e-3, zero=tuple(points.mean(axis=0).round())),
    "a.laz": lambda path, points: write_las(points, path, step=1e-3, zero=tuple(points.mean(axis=0).round())),
}


def scan_of(tmp_path, name, content, unit="mm"):
    path = tmp_path / name
    path.write_bytes(content)
    return read_scan_file(path, unit=unit, name=name)


@pytest.mark.parametrize("name", WRITERS)
def test_points_near_4_000_000_keep_their_digits_in_every_format(tmp_path, name):
    in_metres = name.endswith((".e57", ".las", ".laz"))
    content = written(name, lambda path: WRITERS[name](path, THERE))
    file = scan_of(tmp_path, name, content, "m" if in_metres else "mm")
    factor = 1000 if in_metres else 1
    assert np.abs(file.cloud.points).max() < 2000 * factor
    there = (file.cloud.points + file.cloud.origin) / factor
    # A double near 5,300,000 comes in steps of 1e-9; metres are turned to millimetres and back.
    assert np.abs(there - THERE).max() < 5e-9


@pytest.mark.parametrize("name", WRITERS)
def test_every_point_twice_is_no_fault(tmp_path, name):
    twice = np.repeat(POINTS.round(3), 2, axis=0)
    unit = "m" if name.endswith((".e57", ".las", ".laz")) else "mm"
    file = scan_of(tmp_path, name, written(name, lambda path: WRITERS[name](path, twice)), unit)
    assert len(np.unique(file.cloud.points, axis=0)) == len(POINTS)


def test_every_point_twice_measures_the_same():
    rng = np.random.default_rng(4)
    face = np.repeat([[0, 0, 200.0], [0, 300.0, 0], [400.0, 0, 0]], 700, axis=0)
    points = rng.uniform(0, 1, (2100, 3)) * [400.0, 300.0, 200.0]
    points = np.where(face > 0, face, points) + rng.normal(0, 0.05, (2100, 3))
    settings = Settings(-1.0, 1.0, 0.1)
    once, twice = (compare(BOX, read, settings) for read in (Cloud(points), Cloud(np.repeat(points, 2, axis=0))))
    assert twice.coverage == pytest.approx(once.coverage, abs=0.02)
    assert twice.rms == pytest.approx(once.rms, abs=0.01)


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"], ids=["plain", "byte order mark"])
@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"], ids=["LF", "CRLF", "CR"])
@pytest.mark.parametrize("name", ["a.csv", "a.obj", "ascii.ply"])
def test_any_end_of_line_and_a_byte_order_mark_are_read(tmp_path, name, end, mark):
    write = {"ascii.ply": lambda path: ply(path, POINTS, real="double")}.get(
        name, lambda path: WRITERS[name](path, POINTS)
    )
    file = scan_of(tmp_path, name, mark + written(name, write).replace(b"\n", end))
    assert np.array_equal(file.cloud.points, POINTS)


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"], ids=["plain", "byte order mark"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"], ids=["LF", "CRLF", "CR"])
def test_an_ascii_stl_reads_the_same_with_any_end_of_line(tmp_path, end, mark):
    path = tmp_path / "a.stl"
    path.write_bytes(mark + ascii_stl(BOX.vertices, BOX.faces).replace("\n", end).encode())
    assert read_mesh_file(path, unit="mm").mesh.faces.shape == BOX.faces.shape


def test_a_material_library_named_in_an_obj_is_never_opened(tmp_path):
    obj = vertices(BOX.vertices) + "mtllib /dev/full/none.mtl\nusemtl red\n"
    obj += "".join(f"f {a + 1} {b + 1} {c + 1}\n" for a, b, c in BOX.faces.tolist())
    path = tmp_path / "a.obj"
    path.write_text(obj)
    found = read_mesh_file(path, unit="mm").mesh
    assert isinstance(found, Mesh)
    assert len(found.faces) == 12


def test_a_step_solid_that_lost_a_face_is_told(tmp_path):
    whole = written("a.step", MESHES["a.step"])
    lost = re.sub(rb"(CLOSED_SHELL\('',\(.*),#\d+\)\)", rb"\1))", whole)
    for content, words in ((whole, ""), (lost, "The solid does not close")):
        (tmp_path / "a.step").write_bytes(content)
        notes = read_mesh_file(tmp_path / "a.step", unit="mm").notes
        assert [note[: len(words)] for note in notes] == [words] * bool(words)


def test_a_scan_of_which_most_points_are_one_point_is_no_line():
    rng = np.random.default_rng(2)
    points = np.vstack([np.zeros((600, 3)), rng.uniform(0, 100, (500, 3))])
    assert not on_one_line(points)
