"""OBJ faces in every form, written by hand; areas and volumes are closed forms."""

import numpy as np
import pytest
import trimesh

from metrology.reading import read_mesh, read_scan
from metrology.surfaces.mesh_facts import mesh_facts

from .files_by_hand import BOX, BOX_FACES, BOX_QUADS, same_triangles

VERTICES = "".join(f"v {x} {y} {z}\n" for x, y, z in BOX.tolist())


def written(tmp_path, text):
    path = tmp_path / "body.obj"
    path.write_text(text)
    return path


def faces(form, shapes):
    return "".join("f " + " ".join(form.format(v=i + 1, back=i - 8) for i in shape) + "\n" for shape in shapes)


@pytest.mark.parametrize("form", ["{v}", "{v}/1", "{v}//1", "{v}/1/1", "{back}", "{back}/-1/-1"])
@pytest.mark.parametrize("shapes", [BOX_QUADS, BOX_FACES.tolist()])
def test_faces_in_every_form_make_the_box(tmp_path, form, shapes):
    text = f"mtllib x.mtl\no box\n{VERTICES}vt 0 0\nvn 0 0 1\ns off\n{faces(form, shapes)}"
    mesh = read_mesh(written(tmp_path, text), unit="mm")
    assert mesh_facts(mesh).watertight
    assert mesh_facts(mesh).volume == pytest.approx(24)


def test_faces_may_stand_between_vertices(tmp_path):
    parts = VERTICES.splitlines(keepends=True)
    text = "".join(parts[:4]) + faces("{v}", BOX_QUADS[:1]) + "".join(parts[4:]) + faces("{v}", BOX_QUADS[1:])
    mesh = read_mesh(written(tmp_path, text), unit="mm")
    assert same_triangles(mesh.vertices, mesh.faces, BOX, BOX_FACES)


def test_negative_numbers_count_from_the_vertices_so_far(tmp_path):
    text = "v 9 9 9\nv 0 0 0\nv 1 0 0\nv 0 1 0\nf -3 -2 -1\nv 5 5 5\n"
    mesh = read_mesh(written(tmp_path, text), unit="mm")
    assert mesh.vertices.tolist() == [[0, 0, 0], [1, 0, 0], [0, 1, 0]]


def test_a_long_line_may_be_continued(tmp_path):
    mesh = read_mesh(written(tmp_path, VERTICES + faces("{v}", BOX_QUADS).replace(" 2 ", " \\\n2 ")), unit="mm")
    assert mesh_facts(mesh).volume == pytest.approx(24)


# An L, an arrow and a comb, each with its area; drawn in a slanted plane from every starting corner.
HOLLOW = {
    "L": ([(0, 0), (4, 0), (4, 1), (1, 1), (1, 3), (0, 3)], 6.0),
    "arrow": ([(0, 0), (2, 1), (4, 0), (2, 4)], 6.0),
    "comb": ([(0, 0), (5, 0), (5, 3), (4, 3), (4, 1), (3, 1), (3, 3), (2, 3), (2, 1), (1, 1), (1, 3), (0, 3)], 11.0),
}


@pytest.mark.parametrize("shape", HOLLOW)
@pytest.mark.parametrize("plane", [((1, 0, 0), (0, 1, 0)), ((0, 0, 1), (1, 0, 0)), ((0.6, 0.8, 0), (0, 0, 1))])
@pytest.mark.parametrize("turned", [False, True])
def test_a_hollow_polygon_is_covered_exactly_once(tmp_path, shape, plane, turned):
    corners, area = HOLLOW[shape]
    points = np.array(corners, dtype=float) @ np.array(plane, dtype=float)
    for first in range(len(points)):
        around = np.roll(points, first, axis=0)[:: -1 if turned else 1]
        text = "".join(f"v {x!r} {y!r} {z!r}\n" for x, y, z in around.tolist())
        text += "f " + " ".join(str(i + 1) for i in range(len(points))) + "\n"
        mesh = read_mesh(written(tmp_path, text), unit="mm")
        assert mesh_facts(mesh).area == pytest.approx(area)
        a, b, c = (mesh.vertices[mesh.faces[:, i]] for i in range(3))
        normal = np.cross(*np.array(plane, dtype=float)) * (-1 if turned else 1)
        assert np.cross(b - a, c - a).sum(axis=0) == pytest.approx(2 * area * normal)


def test_a_scan_gives_its_vertices_and_passes_over_faces_and_colours(tmp_path):
    points = np.random.default_rng(5).normal(size=(150, 3))
    text = "".join(f"v {x!r} {y!r} {z!r} 0.1 0.2 0.3\n" for x, y, z in points.tolist())
    assert np.array_equal(read_scan(written(tmp_path, text + "f 1 2 900\n"), unit="mm").points, points)


def test_a_file_of_another_writer_reads_as_its_own_reader_reads_it(tmp_path):
    ball = trimesh.creation.icosphere(subdivisions=3, radius=40)
    path = written(tmp_path, ball.export(file_type="obj", digits=12))
    ours = read_mesh(path, unit="mm")
    theirs = trimesh.load(path, process=False)
    assert np.array_equal(ours.vertices, theirs.vertices)
    assert np.array_equal(ours.faces, theirs.faces)
