"""STL in both forms, written by hand and by trimesh (a reference writer and reader, COMPUTED)."""

import numpy as np
import pytest
import trimesh

from metrology.reading import read_mesh, read_scan
from metrology.surfaces.mesh_facts import mesh_facts

from .files_by_hand import BOX, BOX_FACES, ascii_stl, binary_stl, same_triangles


@pytest.fixture
def ball():
    return trimesh.creation.icosphere(subdivisions=3, radius=40)


def test_binary_corners_are_joined_and_faces_keep_their_winding(tmp_path):
    mesh = read_mesh(binary_stl(tmp_path / "box.stl", BOX, BOX_FACES), unit="mm")
    assert len(mesh.vertices) == 8
    assert same_triangles(mesh.vertices, mesh.faces, BOX, BOX_FACES)


def test_ascii_corners_are_joined_and_faces_keep_their_winding(tmp_path):
    path = tmp_path / "box.stl"
    path.write_text(ascii_stl(BOX, BOX_FACES))
    mesh = read_mesh(path, unit="mm")
    assert len(mesh.vertices) == 8
    assert same_triangles(mesh.vertices, mesh.faces, BOX, BOX_FACES)


@pytest.mark.parametrize("unit, factor", [("mm", 1), ("cm", 10), ("m", 1000), ("in", 25.4), ("ft", 304.8)])
def test_lengths_are_converted_to_millimetres(tmp_path, unit, factor):
    mesh = read_mesh(binary_stl(tmp_path / "box.stl", BOX, BOX_FACES), unit=unit)
    assert mesh.size.tolist() == [4 * factor, 3 * factor, 2 * factor]


@pytest.mark.parametrize("kind", ["stl", "stl_ascii"])
def test_a_file_of_another_writer_reads_as_its_own_reader_reads_it(tmp_path, ball, kind):
    path = tmp_path / "ball.stl"
    data = ball.export(file_type=kind)
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    theirs = trimesh.load(path, file_type="stl")
    ours = read_mesh(path, unit="mm")
    assert len(ours.vertices) == len(theirs.vertices)
    assert len(ours.faces) == len(theirs.faces)
    assert mesh_facts(ours).volume == pytest.approx(theirs.volume, rel=1e-9)


def test_a_binary_file_whose_header_begins_with_solid_is_read_as_binary(tmp_path):
    path = binary_stl(tmp_path / "box.stl", BOX, BOX_FACES, header=b"solid facet by hand")
    assert len(read_mesh(path, unit="mm").faces) == 12


def test_colours_in_the_attribute_bytes_change_nothing(tmp_path):
    path = binary_stl(tmp_path / "box.stl", BOX, BOX_FACES, attribute=0x7FFF)
    assert len(read_mesh(path, unit="mm").faces) == 12


def test_bytes_after_the_last_triangle_are_passed_over(tmp_path):
    path = binary_stl(tmp_path / "box.stl", BOX, BOX_FACES)
    path.write_bytes(path.read_bytes() + b"tail")
    assert len(read_mesh(path, unit="mm").faces) == 12


def test_upper_case_several_solids_and_other_line_breaks_are_read(tmp_path):
    path = tmp_path / "two.stl"
    text = ascii_stl(BOX, BOX_FACES) + "\n\n" + ascii_stl(BOX + 10, BOX_FACES, name="")
    path.write_bytes(text.upper().replace("\n", "\r\n").encode())
    mesh = read_mesh(path, unit="mm")
    assert mesh_facts(mesh).shells == 2
    assert mesh_facts(mesh).volume == pytest.approx(48)


def test_an_ascii_file_longer_than_a_block_loses_no_facet(tmp_path, monkeypatch):
    monkeypatch.setattr("metrology.reading.text.BLOCK_BYTES", 333)
    path = tmp_path / "box.stl"
    path.write_text(ascii_stl(BOX, BOX_FACES))
    mesh = read_mesh(path, unit="mm")
    assert same_triangles(mesh.vertices, mesh.faces, BOX, BOX_FACES)


def test_a_scan_gives_each_shared_corner_once(tmp_path, ball):
    path = tmp_path / "ball.stl"
    path.write_bytes(ball.export(file_type="stl"))
    assert len(read_scan(path, unit="mm").points) == len(ball.vertices)


def test_minus_zero_and_zero_are_the_same_corner(tmp_path):
    points = np.concatenate([BOX, [(-0.0, -0.0, -0.0)]])
    faces = BOX_FACES.copy()
    faces[0, 0] = 8
    assert len(read_mesh(binary_stl(tmp_path / "box.stl", points, faces), unit="mm").vertices) == 8
