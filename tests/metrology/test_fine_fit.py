import numpy as np
import pytest

from metrology.alignment.fine_fit import fit
from metrology.rotation import turned_by
from metrology.surfaces.surface import prepare, sample
from tests.metrology.bodies_for_tests import corner_block


@pytest.fixture(scope="module")
def surface():
    return prepare(corner_block())


def taken(surface, points: int, noise: float = 0.05) -> np.ndarray:
    """Points of the surface about its middle, with noise."""
    at = sample(surface, points).points - surface.centroid
    return at + np.random.default_rng(3).normal(scale=noise, size=at.shape)


def fitted(surface, points, turn, shift, most=60, **more):
    return fit(surface, points, turn, np.array(shift), most, lambda: None, **more)


def test_a_fit_that_stands_still_is_where_a_fresh_look_moves_nothing(surface):
    points = taken(surface, 3000)
    start = turned_by(np.array([[0.004, -0.003, 0.005]]))[0]
    found = fitted(surface, points, start, [0.8, -0.5, 0.6])
    again = fitted(surface, points, found.turn, found.shift, 1)
    assert found.converged
    assert again.shift == pytest.approx(found.shift, abs=1e-7 * surface.diagonal)
    assert again.turn == pytest.approx(found.turn, abs=1e-7)


def test_distances_after_the_last_step_are_those_of_the_mesh(surface):
    points = taken(surface, 3000)
    found = fitted(surface, points, turned_by(np.array([[0.002, 0.001, -0.002]]))[0], [0.3, 0.2, -0.1])
    on_mesh = surface.closest(np.ascontiguousarray(points @ found.turn.T + found.shift + surface.centroid))[0]
    assert found.residuals == pytest.approx(on_mesh, abs=1e-6)


def test_a_pose_that_leaves_too_much_and_gains_nothing_is_given_up(surface):
    points = taken(surface, 600)
    quarter = turned_by(np.array([[0.0, 0.0, np.pi / 2]]))[0]
    patient = fitted(surface, points, quarter, [0.0, 0.0, 0.0], 30)
    given_up = fitted(surface, points, quarter, [0.0, 0.0, 0.0], 30, hopeless=0.5)
    assert given_up.iterations < patient.iterations
    assert not given_up.converged


def test_a_pose_that_gains_is_followed_however_much_it_leaves_at_first(surface):
    points = taken(surface, 600)
    start = turned_by(np.array([[0.01, 0.0, 0.01]]))[0]
    found = fitted(surface, points, start, [2.0, 2.0, 2.0], hopeless=0.5)
    assert found.converged
    assert found.shift == pytest.approx(np.zeros(3), abs=0.05)


def test_the_nearest_sample_of_a_place_far_from_all_is_found_too(surface):
    samples = sample(surface, 50)
    places = np.random.default_rng(4).normal(size=(200, 3)) * 2000.0
    normals = np.tile([0.0, 0.0, 1.0], (200, 1))
    away, rows = samples.nearest(places, normals)
    # By brute force over all samples, in place and direction together.
    side = 0.5 * samples.SIDE * samples.spacing
    gaps = np.concatenate([places[:, None] - samples.points, side * (normals[:, None] - samples.normals)], axis=2)
    apart = np.linalg.norm(gaps, axis=2)
    assert rows.tolist() == apart.argmin(axis=1).tolist()
    assert away == pytest.approx(apart.min(axis=1))
