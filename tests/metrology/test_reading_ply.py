"""PLY in its three encodings, written by hand; trimesh as a second reader (COMPUTED)."""

import numpy as np
import pytest
import trimesh
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from metrology.reading import read_mesh, read_scan
from metrology.surfaces.mesh_facts import mesh_facts

from .files_by_hand import BOX, BOX_FACES, BOX_QUADS, NOT_ON_A_LINE, ply

FORMS = ["ascii", "binary_little_endian", "binary_big_endian"]
POINTS = np.random.default_rng(3).normal(size=(400, 3)).astype(np.float32).astype(float)


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("real", ["float", "double"])
@pytest.mark.parametrize("extra", [False, True])
def test_triangles_come_back_as_they_were_written(tmp_path, form, real, extra):
    mesh = read_mesh(ply(tmp_path / "b.ply", BOX, BOX_FACES.tolist(), form=form, real=real, extra=extra), unit="mm")
    assert np.array_equal(mesh.vertices, BOX)
    assert np.array_equal(mesh.faces, BOX_FACES)


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("extra", [False, True])
def test_four_sided_faces_become_triangles(tmp_path, form, extra):
    mesh = read_mesh(ply(tmp_path / "b.ply", BOX, BOX_QUADS, form=form, extra=extra), unit="mm")
    assert mesh_facts(mesh).volume == pytest.approx(24)
    assert len(mesh.faces) == 12


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("extra", [False, True])
@pytest.mark.parametrize(("count", "index"), [("uchar", "int"), ("int", "uint"), ("ushort", "short")])
@pytest.mark.parametrize("split", [0, 3])
def test_faces_of_mixed_length_become_triangles_in_their_order(tmp_path, form, extra, count, index, split):
    faces = [*BOX_QUADS[:split], *BOX_FACES[2 * split : 2 * split + 2].tolist(), *BOX_QUADS[split + 1 :]]
    path = ply(tmp_path / "b.ply", BOX, faces, form=form, extra=extra, index=index, count=count)
    assert np.array_equal(read_mesh(path, unit="mm").faces, BOX_FACES)


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("extra", [False, True])
def test_points_of_a_scan_come_back_in_their_order(tmp_path, form, extra):
    assert np.array_equal(read_scan(ply(tmp_path / "s.ply", POINTS, form=form, extra=extra), unit="mm").points, POINTS)


@pytest.mark.parametrize("form", FORMS)
def test_a_scan_with_faces_gives_its_vertices(tmp_path, form):
    path = ply(tmp_path / "s.ply", POINTS, [(0, 1, 2), (3, 4, 5)], form=form)
    assert np.array_equal(read_scan(path, unit="mm").points, POINTS)


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("line_break", ["\n", "\r\n", "\r"])
def test_any_line_break_ends_the_header(tmp_path, form, line_break):
    points = POINTS.copy()
    points[0, 0] = np.frombuffer(b"\x0a\x0a\x0a\x0a", "<f4")[0]  # the first data byte looks like a line feed
    path = ply(tmp_path / "s.ply", points, form=form, line_break=line_break)
    assert np.array_equal(read_scan(path, unit="mm").points, points)


def test_elements_in_another_order_are_found(tmp_path):
    path = tmp_path / "b.ply"
    path.write_bytes(
        b"ply\nformat ascii 1.0\nelement camera 1\nproperty float view\nelement face 4\n"
        b"property list uchar int vertex_index\nelement vertex 4\nproperty int x\nproperty int y\nproperty int z\n"
        b"end_header\n0.5\n3 0 2 1\n3 0 1 3\n3 0 3 2\n3 1 2 3\n0 0 0\n3 0 0\n0 3 0\n0 0 3\n"
    )
    assert mesh_facts(read_mesh(path, unit="mm")).volume == pytest.approx(27 / 6)


@pytest.mark.parametrize("encoding", ["ascii", "binary"])
def test_a_file_of_another_writer_reads_as_its_own_reader_reads_it(tmp_path, encoding):
    ball = trimesh.creation.icosphere(subdivisions=3, radius=40)
    path = tmp_path / "ball.ply"
    path.write_bytes(ball.export(file_type="ply", encoding=encoding))
    theirs = trimesh.load(path, process=False)
    ours = read_mesh(path, unit="mm")
    assert np.allclose(ours.vertices, theirs.vertices, rtol=1e-7, atol=0)  # theirs is rounded to single precision
    assert np.array_equal(ours.faces, theirs.faces)


def test_an_ascii_file_longer_than_a_block_loses_nothing(tmp_path, monkeypatch):
    monkeypatch.setattr("metrology.reading.text.BLOCK_BYTES", 97)
    mesh = read_mesh(ply(tmp_path / "b.ply", BOX, BOX_FACES.tolist()), unit="mm")
    assert np.array_equal(mesh.vertices, BOX)
    assert np.array_equal(mesh.faces, BOX_FACES)


def test_a_binary_file_longer_than_a_portion_loses_nothing(tmp_path, monkeypatch):
    monkeypatch.setattr("metrology.reading.ply.ROWS_AT_ONCE", 37)
    path = ply(tmp_path / "s.ply", POINTS, form="binary_little_endian")
    assert np.array_equal(read_scan(path, unit="mm").points, POINTS)


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, derandomize=True)
@given(
    rows=st.lists(
        st.tuples(*[st.floats(-1e6, 1e6, allow_subnormal=False)] * 3), min_size=100, max_size=120, unique=True
    ),
    form=st.sampled_from(FORMS),
)
def test_any_coordinates_survive_the_round_trip(tmp_path, rows, form):
    points = np.array([*NOT_ON_A_LINE, *rows]) + 0.0
    assert np.array_equal(
        read_scan(ply(tmp_path / "s.ply", points, form=form, real="double"), unit="mm").points, points
    )
