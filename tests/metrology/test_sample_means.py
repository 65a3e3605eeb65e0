import numpy as np
import pytest

from metrology.comparison.profile_value import profile_of_surface
from metrology.comparison.sample_means import sample_means
from metrology.surfaces.surface import prepare, sample
from tests.metrology.bodies_for_tests import corner_block

SURFACE = prepare(corner_block())
SAMPLES = sample(SURFACE, 400)
CENTRE = int(np.argmin(np.linalg.norm(SAMPLES.points - [80.0, 100.0, 150.0], axis=1)))


def means(values, owners, undecided=None):
    undecided = np.zeros(400, dtype=bool) if undecided is None else undecided
    return sample_means(SAMPLES, values, owners, np.ones(len(values), dtype=bool), undecided)


def scattered(each, noise=0.05, seed=1):
    owners = np.repeat(np.arange(400), each)
    return np.random.default_rng(seed).normal(0, noise, len(owners)), owners


def test_a_sample_with_points_enough_takes_their_mean():
    values, owners = scattered(16)
    found = means(values, owners)
    assert found.deviation == pytest.approx(values.reshape(400, 16).mean(axis=1))
    assert found.noise_mm == pytest.approx(0.05, rel=0.05)
    assert (found.points == 16).all()


def test_thin_samples_share_their_neighbours_points():
    values, owners = scattered(4)
    found = means(values, owners)
    # Closed form: means of 4 have half the noise of a point; those of about 28 a fifth.
    assert np.std(found.deviation) < 0.015


def test_a_small_defect_shows_in_full_where_points_are_few():
    values, owners = scattered(4)
    values[owners == CENTRE] += 0.8
    assert means(values, owners).deviation[CENTRE] == pytest.approx(0.8, abs=0.1)


def test_samples_without_points_or_undecided_are_not_measured():
    values, owners = scattered(16)
    kept = owners != 7
    undecided = np.arange(400) == 9
    found = means(values[kept], owners[kept], undecided)
    assert np.flatnonzero(np.isnan(found.deviation)).tolist() == [7, 9]


@pytest.mark.parametrize(
    ("lower", "upper", "value"),
    [
        (-1.0, 1.0, 1.4),  # equally disposed: twice the largest deviation, 0.7
        (-0.5, 1.5, 1.8),  # worst is −0.4: 0.1 inside the lower edge, so 2.0 − 2 · 0.1
        (0.0, 1.0, 1.8),  # all outside: 0.4 below the lower edge, so 1.0 + 2 · 0.4
        (-5.0, -1.0, 7.4),  # 1.7 above the upper edge, so 4.0 + 2 · 1.7
    ],
)
def test_profile_of_a_surface_is_the_least_zone_that_holds_it(lower, upper, value):
    # By hand from the definition.
    deviation = np.array([0.7, -0.4, 0.0, np.nan])
    assert profile_of_surface(deviation, lower, upper) == pytest.approx(value)


def test_profile_of_nothing_measured_is_unknown():
    assert np.isnan(profile_of_surface(np.array([np.nan]), -1, 1))
