"""Elements, motions and lines through measured points, against published and closed-form answers."""

import numpy as np
import pytest
from scipy import stats
from scipy.spatial.transform import Rotation

from metrology.calculations.fits import SpacePoint
from metrology.calculations.fitted_features import CylinderInputs, SphereInputs, cylinder, sphere
from metrology.calculations.point_fit import PointFitInputs, SpacePair, point_fit
from metrology.calculations.problems import Refused
from metrology.calculations.regression_line import XY, RegressionInputs, regression
from metrology.errors import MetrologyError
from tests.metrology.test_pour_trend import NORRIS_X, NORRIS_Y
from tests.metrology.test_registration import CORNERS, SEEN, SHIFT, TURN
from tests.published import published

RIGID = "eight noisy corners of a box: scipy Rotation.align_vectors, open3d point to point"
NORRIS = "NIST StRD, linear regression, dataset Norris"


PAIRS = {
    "pairs": [
        dict(zip(("x", "y", "z", "to_x", "to_y", "to_z"), map(float, (*one, *other)), strict=True))
        for one, other in zip(CORNERS, SEEN, strict=True)
    ]
}
LINE = {"values": [{"x": float(x), "y": float(y)} for x, y in zip(NORRIS_X, NORRIS_Y, strict=True)]}


def check(name, what, source, status, given, figure, expected, within):
    return published(
        name, what, source=source, status=status, given=given, figure=figure, expected=expected, within=within
    )


CHECKS = [
    check("point-fit", "rms", RIGID, "COMPUTED with scipy 1.17.1", PAIRS, "rms", 0.62865281, 1e-7),
    *(
        check("point-fit", f"rotation, {row} {k}", RIGID, "COMPUTED with scipy 1.17.1", PAIRS, f"{row}.{k}", one, 1e-7)
        for row, values in zip(("rotation_x", "rotation_y", "rotation_z"), TURN, strict=True)
        for k, one in enumerate(values)
    ),
    *(
        check("point-fit", f"translation {k}", RIGID, "COMPUTED with scipy 1.17.1", PAIRS, f"translation.{k}", v, 1e-6)
        for k, v in enumerate(SHIFT)
    ),
    *(
        check("regression-line", figure, NORRIS, "READ", LINE, figure, value, abs(value) * 1e-9)
        for figure, value in (
            ("intercept", -0.262323073774029), ("slope", 1.00211681802045),
            ("intercept_deviation", 0.232818234301152), ("slope_deviation", 0.000429796848199937),
            ("residual_deviation", 0.884796396144373), ("determination", 0.999993745883712),
        )
    ),
]  # fmt: skip

# Closed forms: an octahedron about (100, −40, 7) of half diagonal 25; two hexagons about an axis, corners 12 from it.
OCTAHEDRON = [(125, -40, 7), (75, -40, 7), (100, -15, 7), (100, -65, 7), (100, -40, 32), (100, -40, -18)]
HEXAGONS = [(12 * np.cos(a), 12 * np.sin(a), z) for z in (0, 50) for a in np.radians(np.arange(0, 360, 60))]


def space(points):
    return {"points": [{"x": float(x), "y": float(y), "z": float(z)} for x, y, z in points]}


CHECKS += [
    *(
        check("sphere-fit", figure, "octahedron, closed form", "definition", space(OCTAHEDRON), figure, value, 1e-9)
        for figure, value in (("x", 100.0), ("y", -40.0), ("z", 7.0), ("radius", 25.0))
    ),
    *(
        check("cylinder-fit", figure, "two hexagons, closed form", "definition", space(HEXAGONS), figure, value, 1e-9)
        for figure, value in (("x", 0.0), ("y", 0.0), ("direction_z", 1.0), ("radius", 12.0))
    ),
]


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_published_values_come_out(check):
    check.holds()


def round_about(rng, count):
    return rng.uniform(0, 2 * np.pi, count)


def test_a_perfect_sphere_comes_back():
    rng = np.random.default_rng(4)
    ways = rng.normal(size=(30, 3))
    points = [100.0, -40.0, 7.0] + 25.0 * ways / np.linalg.norm(ways, axis=1)[:, None]
    found = sphere(SphereInputs(tuple(SpacePoint(*row) for row in points.tolist())))
    assert [found.x, found.y, found.z, found.radius] == pytest.approx([100, -40, 7, 25], abs=1e-9)


def test_a_perfect_cylinder_comes_back_with_its_axis_upright():
    rng = np.random.default_rng(5)
    turn, along = round_about(rng, 40), rng.uniform(0, 200, 40)
    straight = np.stack([12 * np.cos(turn), 12 * np.sin(turn), along], axis=1)
    leaning = straight @ Rotation.from_rotvec([0.2, 0, 0]).as_matrix().T
    found = cylinder(CylinderInputs(tuple(SpacePoint(*row) for row in leaning.tolist())))
    axis = [found.direction_x, found.direction_y, found.direction_z]
    assert axis == pytest.approx([0, -np.sin(0.2), np.cos(0.2)], abs=1e-9)
    assert found.diameter == pytest.approx(24, abs=1e-9) and found.cylindricity == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize(
    ("fit", "code"),
    [
        (lambda: sphere(SphereInputs(tuple(SpacePoint(float(k), k * k, 0.0) for k in range(6)))), "in-a-plane"),
        (lambda: cylinder(CylinderInputs(tuple(SpacePoint(float(k), k * k, 0.0) for k in range(6)))), "in-a-plane"),
    ],
)
def test_points_that_determine_no_element_are_refused(fit, code):
    with pytest.raises(MetrologyError) as fault:
        fit()
    assert fault.value.code == code


def pairs(source, target):
    return tuple(SpacePair(*one, *other) for one, other in zip(source.tolist(), target.tolist(), strict=True))


BODY = np.array([[0, 0, 0], [600, 0, 0], [600, 400, 0], [0, 400, 240], [300, 10, 100]], dtype=float)


def test_mirrored_pairs_are_refused_rather_than_fitted():
    with pytest.raises(Refused) as fault:
        point_fit(PointFitInputs(pairs(BODY, BODY * [1, -1, 1])))
    assert fault.value.code == "mirrored"


def test_a_scale_is_fitted_only_when_asked_for():
    turned = 1.002 * BODY @ Rotation.from_rotvec([0.1, 0.2, 0.3]).as_matrix().T + [5, 6, 7]
    rigid, scaled = point_fit(PointFitInputs(pairs(BODY, turned))), point_fit(PointFitInputs(pairs(BODY, turned), True))
    assert rigid.scale == 1 and rigid.rms > 0.1
    assert scaled.scale == pytest.approx(1.002, abs=1e-12) and scaled.rms == pytest.approx(0, abs=1e-9)
    assert scaled.translation == pytest.approx((5, 6, 7), abs=1e-9)


def test_the_regression_agrees_with_scipy():
    rng = np.random.default_rng(8)
    x, y = rng.uniform(0, 10, 25), rng.normal(size=25)
    found = regression(RegressionInputs(tuple(XY(a, b) for a, b in zip(x.tolist(), y.tolist(), strict=True))))
    other = stats.linregress(x, y)
    assert (found.slope, found.p_value) == pytest.approx((other.slope, other.pvalue), rel=1e-10)
    assert found.slope_high - found.slope == pytest.approx(stats.t.ppf(0.975, 23) * other.stderr, rel=1e-10)
    assert "no trend is shown" in found.sentence


@pytest.mark.parametrize("values", [((1.0, 2.0), (1.0, 3.0), (1.0, 4.0)), ((0.0, 1.0), (0.0, 1.0))])
def test_values_at_one_x_have_no_slope(values):
    with pytest.raises(Refused) as fault:
        regression(RegressionInputs(tuple(XY(*pair) for pair in values)))
    assert fault.value.code == "one-x"


def test_values_without_spread_have_a_slope_of_nothing_and_no_share_explained():
    found = regression(RegressionInputs((XY(1.0, 2.5), XY(2.0, 2.5), XY(3.0, 2.5)), at=9.0))
    assert (found.slope, found.determination, found.foretold) == (0, None, 2.5)
