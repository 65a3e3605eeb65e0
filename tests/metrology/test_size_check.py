"""Sizes of scans against nominals in every pair of units. Boxes are closed forms; the factors are exact."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from metrology.alignment.size_check import (
    SizeMismatchError,
    box_sides,
    check_size,
    surface_samples,
    thinned,
    without_strays,
)
from metrology.amounts.units import LENGTH_IN_MM
from metrology.bodies import Cloud, Mesh
from metrology.errors import AlignmentError, UnitError

from .files_by_hand import BOX, BOX_FACES


def box(x, y, z):
    return Mesh(BOX / (4, 3, 2) * (x, y, z), BOX_FACES)


BLOCK, CUBE, PANEL, BAR = box(400, 300, 200), box(300, 300, 300), box(2000, 1500, 40), box(4000, 80, 60)


def scan_of(mesh, *, strays=0.0, keep=lambda p: p[:, 0] > -1e9, seed=1, true_unit="mm", stated="mm"):
    """Points on the surface in some pose with 0.05 mm of noise, written in one unit and read in another."""
    random = np.random.default_rng(seed)
    points = surface_samples(mesh, 8000) + random.normal(scale=0.05, size=(8000, 3))
    points = points[keep(points)]
    around = random.uniform(-1, 2, (int(strays * len(points) / (1 - strays)), 3)) * mesh.size
    pose = Rotation.random(rng=seed).as_matrix()
    points = np.concatenate([points, around]) @ pose.T + random.normal(scale=1000, size=3)
    return Cloud(points / LENGTH_IN_MM[true_unit] * LENGTH_IN_MM[stated])


def upper_side(points):
    return points[:, 2] > points[:, 2].max() - 1.0


@pytest.mark.parametrize("mesh", [BLOCK, CUBE, PANEL, BAR])
@pytest.mark.parametrize("strays", [0.0, 0.2])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_scan_in_the_right_unit_passes_in_any_pose(mesh, strays, seed):
    check_size(mesh, scan_of(mesh, strays=strays, seed=seed), "mm")


@pytest.mark.parametrize("mesh", [BLOCK, CUBE, PANEL, BAR])
@pytest.mark.parametrize(
    "part", [upper_side, lambda p: p[:, 0] > 0.6 * p[:, 0].max(), lambda p: p[:, 1] > p[:, 1].mean()]
)
def test_a_scan_of_a_piece_passes(mesh, part):
    check_size(mesh, scan_of(mesh, keep=part), "mm")


@pytest.mark.parametrize("stated", LENGTH_IN_MM)
@pytest.mark.parametrize("true_unit", LENGTH_IN_MM)
@pytest.mark.parametrize(("mesh", "strays"), [(BLOCK, 0.0), (PANEL, 0.2)])
def test_every_mix_up_of_two_units_is_caught_and_named(mesh, strays, true_unit, stated):
    scan = scan_of(mesh, true_unit=true_unit, stated=stated, strays=strays)
    if true_unit == stated:
        check_size(mesh, scan, stated)
        return
    with pytest.raises(UnitError) as caught:
        check_size(mesh, scan, stated)
    assert caught.value.code == "size-mismatch"
    assert caught.value.likely_unit == true_unit


@pytest.mark.parametrize("true_unit", ["in", "cm", "m", "ft"])
def test_a_scan_of_one_side_only_in_another_unit_is_caught(true_unit):
    with pytest.raises(SizeMismatchError) as caught:
        check_size(BLOCK, scan_of(BLOCK, keep=upper_side, true_unit=true_unit), "mm")
    assert caught.value.likely_unit == true_unit


def test_the_sentence_shows_both_sizes_and_the_unit_that_would_fit():
    with pytest.raises(SizeMismatchError) as caught:
        check_size(box(406.4, 304.8, 203.2), scan_of(box(406.4, 304.8, 203.2), true_unit="in"), "mm")
    assert caught.value.sentence == (
        "The scan measures 16 × 12 × 8\u00a0mm but the nominal 406 × 305 × 203\u00a0mm. "
        "Read in inches it would fit: choose in as the unit and run it again."
    )
    assert caught.value.nominal_size == pytest.approx((406.4, 304.8, 203.2), rel=0.01)
    assert caught.value.scan_size == pytest.approx((16, 12, 8), rel=0.01)


def test_a_factor_that_no_unit_explains_points_to_the_nominal():
    with pytest.raises(SizeMismatchError) as caught:
        check_size(BLOCK, Cloud(scan_of(BLOCK).points * 12), "mm")
    assert caught.value.likely_unit is None
    assert "check the unit of the nominal" in caught.value.sentence


@pytest.mark.parametrize("factor", [0.9, 1.1])
def test_a_factor_within_twelve_percent_of_an_inch_is_taken_for_one(factor):
    with pytest.raises(SizeMismatchError) as caught:
        check_size(BLOCK, Cloud(scan_of(BLOCK, true_unit="in").points * factor), "mm")
    assert caught.value.likely_unit == "in"


@pytest.mark.parametrize("factor", [0.5, 0.8, 1.2, 2.1])
def test_a_scan_up_to_twice_as_big_is_left_to_the_alignment(factor):
    check_size(BLOCK, Cloud(scan_of(BLOCK).points * factor), "mm")


@pytest.mark.parametrize("factor", [3.5, 5.0, 40.0, 1 / 15, 1 / 60])
def test_a_scan_of_something_else_is_refused_with_both_sizes(factor):
    with pytest.raises(AlignmentError) as caught:
        check_size(BLOCK, Cloud(scan_of(BLOCK).points * factor), "mm")
    assert caught.value.code == "wrong-size"
    assert "400 × 300 × 200\u00a0mm" in caught.value.sentence


def test_the_box_around_points_does_not_depend_on_their_pose():
    points = surface_samples(BLOCK, 3000)
    for seed in range(5):
        assert box_sides(points @ Rotation.random(rng=seed).as_matrix().T) == pytest.approx((400, 300, 200), rel=0.01)


def test_strays_do_not_widen_the_box():
    clean = without_strays(thinned(scan_of(BLOCK, strays=0.2).points, 20_000))
    assert box_sides(thinned(clean, 3000)) == pytest.approx((400, 300, 200), rel=0.03)
