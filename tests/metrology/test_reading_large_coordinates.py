"""Coordinates near 4,000,000: no digit is lost here, and lost ones are told. Steps of single precision: IEEE 754."""

import numpy as np
import pytest

from fixtures.files import write_ply_points
from metrology.bodies import Mesh
from metrology.reading import read_mesh, read_mesh_file, read_scan_file
from metrology.surfaces.exact_mesh import exact_ply

from .files_by_hand import BOX, BOX_FACES, binary_stl, ply, table

FAR = np.array([4_000_000.0, 5_300_000.0, 120.0])
POINTS = np.random.default_rng(7).uniform(-300, 300, size=(200, 3))


@pytest.mark.parametrize("form", ["ascii", "binary_little_endian", "binary_big_endian"])
def test_a_ply_in_double_precision_keeps_every_digit_about_a_local_zero(tmp_path, form):
    file = read_scan_file(ply(tmp_path / "a.ply", POINTS + FAR, form=form, real="double"), unit="mm")
    assert file.cloud.origin == (4_000_000, 5_300_000, 0)
    assert np.array_equal(file.cloud.points + file.cloud.origin, POINTS + FAR)
    assert np.abs(file.cloud.points).max() < 1000
    assert "x\u00a04,000,000, y\u00a05,300,000, z\u00a00\u00a0mm of the file's own frame" in file.notes[0]


def test_a_table_keeps_every_digit_about_a_local_zero(tmp_path):
    file = read_scan_file(table(tmp_path / "a.csv", POINTS + FAR), unit="mm")
    assert np.array_equal(file.cloud.points + file.cloud.origin, POINTS + FAR)


def test_points_near_zero_stay_where_they_are(tmp_path):
    file = read_scan_file(table(tmp_path / "a.csv", POINTS), unit="mm")
    assert file.cloud.origin == (0, 0, 0)
    assert np.array_equal(file.cloud.points, POINTS)


def test_single_precision_far_from_zero_is_told_with_its_steps(tmp_path):
    write_ply_points(POINTS + FAR, tmp_path / "a.ply")
    file = read_scan_file(tmp_path / "a.ply", unit="mm")
    assert file.step_mm == 0.5  # between 2²² and 2²³ numbers of 24 bits come in halves
    assert "steps of 0.50\u00a0mm" in file.notes[-1]
    assert np.abs(file.cloud.points + file.cloud.origin - POINTS - FAR).max() <= 0.25


def test_single_precision_near_zero_is_no_matter(tmp_path):
    write_ply_points(POINTS, tmp_path / "a.ply")
    file = read_scan_file(tmp_path / "a.ply", unit="mm")
    assert file.step_mm == pytest.approx(2.0**-15)
    assert file.notes == ()


def test_a_few_strays_move_neither_the_zero_nor_the_steps(tmp_path):
    strays = np.vstack([POINTS, np.full((8, 3), 9e8)])
    write_ply_points(strays, tmp_path / "a.ply")
    file = read_scan_file(tmp_path / "a.ply", unit="mm")
    assert file.cloud.origin == (0, 0, 0)
    assert file.step_mm < 1e-3


def test_a_far_stl_is_told_to_have_lost_digits(tmp_path):
    far = read_mesh_file(binary_stl(tmp_path / "a.stl", BOX * 100 + FAR, BOX_FACES), unit="mm")
    assert far.step_mm == 0.5
    near = read_mesh_file(binary_stl(tmp_path / "b.stl", BOX * 100, BOX_FACES), unit="mm")
    assert near.notes == ()


def test_a_mesh_written_exactly_is_read_back_bit_for_bit(tmp_path):
    mesh = Mesh(BOX / 3 + FAR, BOX_FACES)
    (tmp_path / "a.ply").write_bytes(exact_ply(mesh))
    back = read_mesh(tmp_path / "a.ply", unit="mm")
    assert np.array_equal(back.vertices, mesh.vertices)
    assert np.array_equal(back.faces, mesh.faces)
