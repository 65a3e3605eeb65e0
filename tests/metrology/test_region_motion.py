"""What a region's deviations say about how it stands off as a whole."""

import numpy as np
import pytest

from metrology.alignment.region_motion import Limits, design_effect, motions, patches

NAMES = ["high/low", "forward/back", "left/right", "turned about forward", "turned about left", "turned about up"]


def plate(count=2000, size=(300.0, 200.0), seed=1):
    """Samples of a level face about (1000, −50, 40)."""
    at = np.random.default_rng(seed).random((count, 2)) * size
    points = np.column_stack([at - np.array(size) / 2, np.zeros(count)]) + [1000.0, -50.0, 40.0]
    return points, np.tile([0.0, 0.0, 1.0], (count, 1))


def block(count=6000, size=(300.0, 200.0, 150.0), seed=2):
    """Samples of all six sides of a block about the origin, each for the same area."""
    rng = np.random.default_rng(seed)
    size = np.array(size)
    areas = np.repeat([size[1] * size[2], size[0] * size[2], size[0] * size[1]], 2)
    side = rng.choice(6, count, p=areas / areas.sum())
    points = (rng.random((count, 3)) - 0.5) * size
    axis, sign = side // 2, np.where(side % 2, 1.0, -1.0)
    points[np.arange(count), axis] = sign * size[axis] / 2
    normals = np.zeros((count, 3))
    normals[np.arange(count), axis] = sign
    return points, normals


def moved_by(points, normals, slide, turn_deg, about):
    shift = np.asarray(slide) + np.cross(np.radians(turn_deg), points - about)
    return np.einsum("ij,ij->i", shift, normals)


def found(points, normals, deviation, **given):
    usual = {"instrument_mm": 0.1, "whole": True, "limits": Limits(-1.0, 1.0)}
    limits = (usual | given).pop("limits")
    rest = {name: value for name, value in (usual | given).items() if name != "limits"}
    return {motion.name: motion for motion in motions(points, normals, deviation, limits, **rest)}


def test_a_level_face_tells_its_height_and_its_two_tilts_and_nothing_else():
    points, normals = plate()
    deviation = moved_by(points, normals, (5.0, -7.0, 0.42), (0.10, -0.05, 3.0), points.mean(axis=0))
    motion = found(points, normals, deviation)
    assert list(motion) == NAMES
    assert motion["high/low"].value == pytest.approx(0.42, abs=1e-9) and motion["high/low"].way == "high"
    about_forward, about_left = motion["turned about forward"], motion["turned about left"]
    assert (about_forward.value, about_forward.way) == (pytest.approx(0.10, abs=1e-9), "left side up")
    assert (about_left.value, about_left.way) == (pytest.approx(-0.05, abs=1e-9), "front up")
    for name in ("forward/back", "left/right", "turned about up"):
        assert (motion[name].value, motion[name].result) == (None, "not determined")


def test_a_whole_block_tells_all_six():
    points, normals = block()
    slide, turn = (0.3, -0.2, 0.1), (0.05, 0.08, -0.12)
    motion = found(points, normals, moved_by(points, normals, slide, turn, points.mean(axis=0)))
    values = [motion[name].value for name in NAMES]
    assert values == pytest.approx([0.1, 0.3, -0.2, 0.05, 0.08, -0.12], abs=1e-9)
    assert motion["left/right"].way == "right" and motion["turned about up"].way == "front to the right"


def test_noise_moves_the_values_no_farther_than_the_statistical_part_says():
    points, normals = block(600)
    truth = moved_by(points, normals, (0.0, 0.0, 0.2), (0.0, 0.03, 0.0), points.mean(axis=0))
    rng, off = np.random.default_rng(5), []
    for _ in range(200):
        motion = found(points, normals, truth + rng.normal(0, 0.05, len(points)))
        off.append((motion["high/low"].value - 0.2) / motion["high/low"].statistical)
    # k = 2: 95 of 100 within; seeded, so never a matter of luck.
    assert 0.92 <= (np.abs(off) <= 1).mean() <= 1.0


def test_neighbours_that_err_alike_count_once():
    points, normals = plate()
    rng = np.random.default_rng(6)
    patch = patches(points)
    alike = rng.normal(0, 0.05, patch.max() + 1)[patch]
    apart = rng.normal(0, 0.05, len(points))
    unsure = [found(points, normals, noise)["high/low"].statistical for noise in (alike, apart)]
    assert unsure[0] > 5 * unsure[1]
    assert design_effect(alike, patch) == pytest.approx(len(points) / (patch.max() + 1), rel=0.2)


def test_the_instrument_counts_in_full_on_a_slide_and_over_the_lever_on_a_tilt():
    points, normals = plate()
    motion = found(points, normals, np.zeros(len(points)), instrument_mm=0.1)
    assert motion["high/low"].instrument == pytest.approx(0.1, rel=1e-6)
    # Closed form: up on one half and down on the other tilts a face of width w by 3 U / w.
    assert motion["turned about left"].instrument == pytest.approx(np.degrees(3 * 0.1 / 300), rel=0.02)
    assert motion["turned about forward"].instrument == pytest.approx(np.degrees(3 * 0.1 / 200), rel=0.02)


def test_the_pose_counts_where_the_region_lies():
    points, normals = plate()
    covariance = np.diag([0.0, 0.0, 0.02**2, 0.0, 0.0001**2, 0.0])
    motion = found(points, normals, np.zeros(len(points)), alignment=(covariance, np.array([0.0, -50.0, 40.0])))
    # The height of a place 1000 mm forward: its own 0.02 mm and 1000 mm times a tilt of 0.0001.
    expected = 2 * np.hypot(0.02, points[:, 0].mean() * 0.0001)
    assert motion["high/low"].alignment == pytest.approx(expected, rel=1e-9)
    assert motion["turned about left"].alignment == pytest.approx(2 * np.degrees(0.0001), rel=1e-9)


def test_limits_of_a_motion_are_what_the_surface_allows_or_what_was_given():
    points, normals = plate(size=(300.0, 200.0))
    motion = found(points, normals, np.zeros(len(points)), limits=Limits(-0.5, 1.0))
    assert (motion["high/low"].lower, motion["high/low"].upper) == pytest.approx((-0.5, 1.0))
    # Tilted about the left axis, one end of 300 mm sinks by 0.5 first.
    assert motion["turned about left"].upper == pytest.approx(np.degrees(0.5 / 150), rel=0.02)
    given = found(points, normals, np.zeros(len(points)), limits=Limits(-0.5, 1.0, 0.3, 0.2))
    assert (given["high/low"].lower, given["high/low"].upper) == (-0.3, 0.3)
    assert given["turned about left"].upper == 0.2


@pytest.mark.parametrize(
    ("height", "whole", "result"),
    [
        (0.0, True, "conforms"),
        (0.35, True, "inconclusive"),
        (0.6, True, "does not conform"),
        (0.0, False, "inconclusive"),
    ],
)
def test_each_motion_has_its_verdict(height, whole, result):
    points, normals = plate()
    deviation = np.full(len(points), height)
    motion = found(points, normals, deviation, limits=Limits(-1.0, 1.0, 0.4, None), whole=whole)
    assert motion["high/low"].result == result


def test_a_face_with_a_draft_angle_still_tells_how_far_forward_it_stands():
    points, _ = plate()
    points = points[:, [2, 0, 1]]
    lean = np.radians(8.0)
    normals = np.tile([np.cos(lean), 0.0, np.sin(lean)], (len(points), 1))
    points[:, 0] -= points[:, 2] * np.tan(lean)
    motion = found(points, normals, moved_by(points, normals, (0.5, 0.0, 0.0), (0, 0, 0), points.mean(axis=0)))
    assert motion["forward/back"].value == pytest.approx(0.5, abs=1e-9)
    assert motion["high/low"].value is None


def test_too_few_measured_places_determine_nothing():
    points, normals = plate(count=40)
    deviation = np.full(40, np.nan)
    deviation[:5] = 0.1
    assert {motion.result for motion in found(points, normals, deviation).values()} == {"not determined"}


def test_turning_and_moving_the_part_leaves_the_height_along_the_turned_axis():
    points, normals = plate()
    deviation = 0.3 + np.random.default_rng(3).normal(0, 0.02, len(points))
    turn = np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    here = found(points, normals, deviation)["high/low"]
    there = found(points @ turn.T + [5.0, 6.0, 7.0], normals @ turn.T, deviation)["forward/back"]
    assert (there.value, there.uncertainty) == pytest.approx((here.value, here.uncertainty), rel=1e-6)
