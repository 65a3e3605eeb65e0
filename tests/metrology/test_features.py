"""Least-squares elements against reference points, closed forms and a second route (scipy)."""

import numpy as np
import pytest
from scipy.optimize import least_squares

from metrology.features.fit import FeatureError, fit_circle, fit_cylinder, fit_line, fit_plane, fit_sphere

from . import reference_fits as known

TURN = np.array([[0.36, 0.48, -0.8], [-0.8, 0.6, 0.0], [0.48, 0.64, 0.6]])
SHIFT = np.array([4_000_000.0, -250.0, 77.0])


def wall(radius=24.0, height=60.0, count=4000, noise=0.05, seed=1, arc=360.0):
    """Points on a hole along Z."""
    rng = np.random.default_rng(seed)
    turn, z = np.radians(arc) * rng.random(count), height * (rng.random(count) - 0.5)
    r = radius + rng.normal(0, noise, count)
    return np.stack([r * np.cos(turn), r * np.sin(turn), z], axis=1)


def ball(radius=40.0, count=3000, noise=0.05, seed=2):
    rng = np.random.default_rng(seed)
    way = rng.normal(size=(count, 3))
    way /= np.linalg.norm(way, axis=1)[:, None]
    return way * (radius + rng.normal(0, noise, count))[:, None]


def test_a_plane_has_the_normal_the_rms_and_the_flatness_known_beforehand():
    found = fit_plane(known.PLANE)
    sign = np.sign(found.direction @ known.PLANE_NORMAL)
    assert found.direction * sign == pytest.approx(known.PLANE_NORMAL, abs=1e-9)
    assert found.direction * sign @ found.point == pytest.approx(known.PLANE_OFFSET, abs=1e-7)
    assert (found.rms, found.form) == pytest.approx((known.PLANE_RMS, known.PLANE_RANGE), abs=1e-8)


def test_an_arc_has_the_centre_and_the_radius_known_beforehand():
    found = fit_circle(known.ARC)
    assert found.point[:2] == pytest.approx(known.ARC_CENTRE, abs=1e-6)
    assert (found.radius, found.rms) == pytest.approx((known.ARC_RADIUS, known.ARC_RMS), abs=1e-6)
    assert found.converged and found.arc_deg == pytest.approx(70, abs=0.1)


def test_of_three_circles_through_six_points_it_is_the_geometric_one():
    found = fit_circle(known.CIRCLE_GGS)
    assert (*found.point[:2], found.radius) == pytest.approx(known.GGS_GEOMETRIC, abs=1e-6)
    for other in (known.GGS_PLAINEST_ALGEBRA, known.GGS_UNIT_ALGEBRA):
        assert abs(found.radius - other[2]) > 0.5


def test_a_line_minimises_distances_at_right_angles():
    found = fit_line(np.hstack([known.LINE_GH, np.zeros((10, 1))]), lateral=np.array([0.0, 0.0, 1.0]))
    normal = np.array([-found.direction[1], found.direction[0]])
    assert np.abs(normal) == pytest.approx(np.abs(known.LINE_GH_NORMAL), abs=1e-7)
    assert abs(normal @ found.point[:2]) == pytest.approx(known.LINE_GH_CONSTANT, abs=1e-6)


def test_a_line_in_space_goes_through_its_points_and_reports_the_round_zone_about_it():
    turn, along = np.linspace(0, 2 * np.pi, 24, endpoint=False), np.repeat([0.0, 50.0, 100.0], 8)
    points = np.stack([0.2 * np.cos(3 * turn), 0.2 * np.sin(3 * turn), along], axis=1)
    found = fit_line(points @ TURN.T + SHIFT)
    assert abs(found.direction @ TURN[:, 2]) == pytest.approx(1, abs=1e-8)
    assert found.form == pytest.approx(0.4, abs=1e-3)


def test_a_cylinder_agrees_with_scipy_on_the_same_points():
    points = wall(arc=200.0) @ TURN.T

    def distances(p):
        way = np.array([p[2], p[3], 1.0]) @ TURN.T
        off = np.cross(points - np.array([p[0], p[1], 0.0]) @ TURN.T, way / np.linalg.norm(way))
        return np.linalg.norm(off, axis=1) - p[4]

    other = least_squares(distances, [0.1, 0.1, 0.01, 0.0, 20.0], xtol=1e-15, ftol=1e-15, gtol=1e-15)
    found = fit_cylinder(points)
    assert found.radius == pytest.approx(other.x[4], abs=1e-7)
    assert found.rms == pytest.approx(np.sqrt(2 * other.cost / len(points)), rel=1e-9)
    way = np.array([other.x[2], other.x[3], 1.0]) @ TURN.T
    assert abs(found.direction @ way) / np.linalg.norm(way) == pytest.approx(1, abs=1e-12)
    spread = np.sqrt(2 * other.cost / (len(points) - 5))
    sure = spread * np.sqrt(np.linalg.inv(other.jac.T @ other.jac)[4, 4])
    assert np.sqrt(found.covariance[4, 4]) == pytest.approx(sure, rel=1e-3)


def test_a_sphere_agrees_with_scipy_on_a_cap_of_it():
    points = ball()
    points = points[points[:, 2] > 15] + [10.0, 20.0, 30.0]
    other = least_squares(
        lambda p: np.linalg.norm(points - p[:3], axis=1) - p[3], [9.0, 19.0, 28.0, 35.0], xtol=1e-15, ftol=1e-15
    )
    found = fit_sphere(points)
    assert (*found.point, found.radius) == pytest.approx(tuple(other.x), abs=1e-6)


@pytest.mark.parametrize(("lobes", "height"), [(2, 0.3), (3, 0.3), (7, 0.05)])
def test_a_lobed_hole_is_out_of_round_by_twice_its_wave(lobes, height):
    turn = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    r = 50 + height * np.cos(lobes * turn)
    found = fit_circle(np.stack([r * np.cos(turn), r * np.sin(turn)], axis=1))
    # Closed form to second order in the wave: it is orthogonal to shift and radius.
    assert found.form == pytest.approx(2 * height, rel=2e-3)
    assert found.radius == pytest.approx(50, abs=height**2 / 50)


FITS = {
    "plane": (fit_plane, lambda: wall()[:, [2, 1, 0]] * [1.0, 1.0, 0.01]),
    "line": (fit_line, lambda: wall(radius=0.1, height=200.0)),
    "circle": (fit_circle, lambda: wall(height=0.2)),
    "cylinder": (fit_cylinder, wall),
    "sphere": (fit_sphere, ball),
}


@pytest.mark.parametrize("kind", FITS)
def test_moving_the_points_moves_the_element_with_them(kind):
    fit, made = FITS[kind]
    points = made()
    here, there = fit(points), fit(points @ TURN.T + SHIFT)
    assert there.point == pytest.approx(TURN @ here.point + SHIFT, abs=2e-6)
    assert (there.form, there.rms) == pytest.approx((here.form, here.rms), abs=1e-7)
    if here.radius:
        assert there.radius == pytest.approx(here.radius, abs=1e-7)
    if here.direction is not None:
        assert abs(there.direction @ TURN @ here.direction) == pytest.approx(1, abs=1e-12)


@pytest.mark.parametrize("kind", FITS)
def test_the_same_points_give_the_same_element_to_the_last_digit(kind):
    fit, made = FITS[kind]
    one, two = fit(made()), fit(made())
    assert np.array_equal(one.point, two.point) and np.array_equal(one.residuals, two.residuals)


CLEAN = {
    "plane": lambda: np.hstack([np.random.default_rng(5).random((150, 2)) * 90, np.zeros((150, 1))]),
    "circle": lambda: wall(height=1e-9, count=150, noise=0.0),
    "cylinder": lambda: wall(count=150, noise=0.0, arc=120.0),
    "sphere": lambda: ball(count=150, noise=0.0),
}


@pytest.mark.parametrize("kind", CLEAN)
def test_the_uncertainty_is_how_much_repeated_scans_differ(kind):
    """Seeded simulation, 200 scans with fresh noise: their standard deviation is itself good to 5 %."""
    rng = np.random.default_rng(7)
    fit, clean = FITS[kind][0], CLEAN[kind]()
    found = [fit(clean + rng.normal(0, 0.02, clean.shape)) for _ in range(200)]
    if kind == "plane":
        moves, sure = [one.point[2] for one in found], [one.covariance[0, 0] for one in found]
    else:
        moves, sure = [one.radius for one in found], [one.d_radius @ one.covariance @ one.d_radius for one in found]
    assert np.std(moves) == pytest.approx(np.sqrt(np.mean(sure)), rel=0.15)


def test_twice_the_weight_is_the_point_taken_twice():
    points = wall(count=50)
    weights = np.ones(50)
    weights[:10] = 2.0
    assert fit_cylinder(points, weights).radius == pytest.approx(
        fit_cylinder(np.vstack([points, points[:10]])).radius, abs=1e-9
    )


LINE = np.outer(np.arange(10.0), [1.0, 2.0, 3.0])
FLAT = np.hstack([np.random.default_rng(0).random((30, 2)) * 50, np.zeros((30, 1))])


@pytest.mark.parametrize(
    ("fit", "points", "code"),
    [
        (fit_plane, LINE[:2], "too-few-points"),
        (fit_plane, LINE, "on-one-line"),
        (fit_plane, np.ones((8, 3)), "at-one-place"),
        (fit_plane, ball(count=200), "no-plane"),
        (fit_plane, np.full((5, 3), np.nan), "not-a-number"),
        (fit_line, LINE[:1], "too-few-points"),
        (fit_line, np.ones((8, 3)), "at-one-place"),
        (fit_line, FLAT, "no-line"),
        (fit_circle, LINE, "on-one-line"),
        (fit_circle, LINE[:2], "too-few-points"),
        (fit_circle, wall(radius=2000, height=1e-6, arc=1.0, noise=0.5), "short-arc"),
        (fit_cylinder, FLAT, "in-a-plane"),
        (fit_cylinder, LINE, "on-one-line"),
        (fit_cylinder, wall(count=4), "too-few-points"),
        (fit_sphere, FLAT, "in-a-plane"),
        (fit_sphere, LINE, "on-one-line"),
        (fit_sphere, np.ones((8, 3)), "at-one-place"),
    ],
)
def test_points_that_determine_nothing_are_refused_by_name(fit, points, code):
    with pytest.raises(FeatureError) as refused:
        fit(points)
    assert refused.value.code == code and refused.value.sentence.endswith(".")
