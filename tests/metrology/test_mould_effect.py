"""The systematic error, what is foretold of it, and what was brought."""

import numpy as np
import pytest

from metrology.moulds.casts_compared import compare_casts
from metrology.moulds.effect import (
    brought,
    foretold,
    mean_of,
    systematic,
    without_motion,
    worth_taking,
)
from metrology.surfaces.surface import prepare, sample
from tests.metrology.bodies_for_tests import corner_block
from tests.metrology.casts_for_tests import casts_of, growth


@pytest.fixture(scope="module")
def places():
    return sample(prepare(corner_block()), 900)


@pytest.fixture(scope="module")
def every(places):
    return np.ones(len(places.points), dtype=bool)


def test_a_rigid_motion_is_no_error_of_the_mould(places, every):
    moved = np.array([1.0, -2.0, 0.5]) + np.cross([0.002, -0.001, 0.003], places.points)
    values = (moved * places.normals).sum(axis=1)[None]
    assert without_motion(places, values, every) == pytest.approx(0.0, abs=1e-9)


def test_taking_the_motion_out_leaves_the_shape(places, every):
    shape = growth(-0.004, -0.004, -0.004)(places.points, places.normals)
    moved = shape + places.normals @ np.array([0.7, 0.1, -0.3])
    one, other = (without_motion(places, values[None], every) for values in (shape, moved))
    assert other == pytest.approx(one, abs=1e-9)


def test_places_that_were_not_measured_stay_so_and_weigh_nothing(places, every):
    values = np.where(places.points[:, 0] < 100, np.nan, places.normals[:, 0] * 0.5)[None]
    freed = without_motion(places, values, every)
    assert np.array_equal(np.isnan(freed), np.isnan(values))
    assert np.nanmax(np.abs(freed)) < 1e-9


def test_the_systematic_error_does_not_lean_either_way(every):
    """Second route: 400 drawn sets of four casts about a known error; their squares average to its square."""
    rng = np.random.default_rng(8)
    truth = rng.normal(0, 0.2, len(every))
    squares = [systematic(truth + rng.normal(0, 0.3, (4, len(every))), every, 0.95).rms ** 2 for _ in range(400)]
    assert np.mean(squares) == pytest.approx((truth**2).mean(), rel=0.02)


def test_the_interval_holds_the_truth_also_when_a_cast_is_off_as_a_whole(every):
    """The hardest case: all places of a cast err together. 95 % of 300 intervals should hold it; they may hold more."""
    rng = np.random.default_rng(9)
    truth = 0.4
    held = 0
    for _ in range(300):
        found = systematic(truth + rng.normal(0, 0.3, (4, 1)) * np.ones((1, len(every))), every, 0.95)
        held += found.low <= truth <= found.high
    assert held >= 0.93 * 300


def test_one_or_two_casts_have_no_interval(every):
    found = systematic(np.full((2, len(every)), 0.5), every, 0.95)
    assert (found.rms, found.worst, found.profile) == (0.5, 0.5, 1.0)
    assert np.isnan(found.low) and np.isnan(found.process_sd)


def test_without_scatter_the_forecast_is_what_is_left(every):
    values = np.full((3, len(every)), 0.5)
    nothing = np.zeros_like(values)
    found = foretold(values, nothing, np.full(len(every), -0.4), every, 0.95)
    assert found.rms == pytest.approx(0.1) and found.profile == pytest.approx(0.2)


@pytest.mark.parametrize(("kept", "together"), [(1.0, True), (0.4, True), (0.3, False), (0.0, False)])
def test_the_forecast_is_right_on_the_mean(every, kept, together):
    """Second route, drawn 300 times: a correction that takes `kept` of the mean's scatter along with the error leaves
    on the mean square what is foretold. together: all places of a cast err as one, else each by itself."""
    rng = np.random.default_rng(11)
    truth = rng.normal(0, 0.5, len(every))
    told, left = [], []
    for _ in range(300):
        off = rng.normal(0, 0.3, (5, 1 if together else len(every))) * np.ones((1, len(every)))
        values = truth + off
        mean = values.mean(axis=0)
        step = -(truth + kept * (mean - truth))
        told.append(foretold(values, kept * (values - mean), step, every, 0.95).rms ** 2)
        left.append(((truth + step) ** 2).mean())
    assert np.mean(told) == pytest.approx(np.mean(left), abs=0.004)


def test_all_of_a_clear_error_is_worth_taking(every):
    mean = np.linspace(-1, 1, len(every))
    off = np.random.default_rng(1).normal(0, 0.01, (4, len(every)))
    assert worth_taking(mean, mean, off, off, every) == pytest.approx(1.0, abs=0.01)


def test_scatter_alone_is_not_worth_taking(every):
    rng = np.random.default_rng(4)
    off = rng.normal(0, 0.3, (4, 1)) * np.ones((1, len(every)))
    mean, off = off.mean(axis=0), off - off.mean(axis=0)
    assert worth_taking(0.3 * mean, 0.3 * mean, off, off, every) < 0.35
    assert worth_taking(np.zeros(len(every)), np.zeros(len(every)), off, off, every) == 0.0


def test_two_casts_do_not_say_how_much_is_worth_taking(every):
    off = np.zeros((2, len(every)))
    assert worth_taking(np.ones(len(every)), np.ones(len(every)), off, off, every) == 1.0


def test_what_was_brought_is_the_share_of_the_change_that_the_parts_took(places, every):
    surface = prepare(corner_block())
    shape = without_motion(places, growth(-0.006, 0.0, 0.0)(places.points, places.normals)[None], every)[0]
    before = systematic(np.stack([shape] * 3), every, 0.95)
    after = [lambda p, n, k=k: 0.2 * growth(-0.006)(p, n) + 0.01 * (k - 1) for k in range(3)]
    compared = compare_casts(surface, casts_of(surface, after, places=900))
    found = brought(before, before, shape, -shape, every, compared)
    assert found.gain == pytest.approx(0.8, abs=1e-6)
    assert found.removed_share == pytest.approx(0.8, abs=0.01)
    assert mean_of(found.mean[None], every) == pytest.approx(found.mean)
