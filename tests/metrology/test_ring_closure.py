"""The chance that a ring closes: against closed forms of how errors add up."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from metrology.closure import ring_closure
from metrology.closure.ring_chain import Errors, FreeChain, Ring
from metrology.closure.ring_closure import (
    Limits,
    PieceErrors,
    Spread,
    chance,
    chance_fixed,
    factor_for,
    resample_free,
    simulate_fixed,
    simulate_free,
    spoilers,
)
from metrology.errors import InputError

# N = 24 on a circle of 3,000 mm.
RING = Ring(24, 783.15715332, 0.0, 240.0)
WIDE = Limits(-1e6, 1e6, 1e6, 1e6)


def test_twenty_four_chords_close_on_a_circle_of_three_metres():
    # Chord 2 R sin(pi / N). COMPUTED: closed form.
    assert RING.radius == pytest.approx(3000, abs=1e-6)


def test_one_millimetre_on_every_piece_widens_the_circle_and_leaves_no_gap():
    # Radius grows by 3.8306488 mm. COMPUTED: closed form.
    closing = FreeChain(RING).close(Errors(length=np.ones((24, 1))))
    assert closing.gap[0] == pytest.approx(0, abs=1e-6)
    assert replace(RING, chord=RING.chord + 1).radius - RING.radius == pytest.approx(3.8306488, abs=1e-6)


def test_one_millimetre_on_one_piece_is_a_closing_error_of_one_millimetre():
    # COMPUTED: closed form.
    length = np.zeros((24, 1))
    length[9] = 1.0
    closing = FreeChain(RING).close(Errors(length=length))
    assert np.hypot(closing.gap[0], closing.step[0]) == pytest.approx(1.0, abs=1e-6)


def test_random_lengths_close_with_root_of_half_the_pieces_each_way():
    # sqrt(N / 2) s. COMPUTED: closed form.
    closing = simulate_free(RING, PieceErrors(length=Spread(sd=0.5)), 200_000, seed=1)
    assert closing.gap.std() == pytest.approx(0.5 * np.sqrt(12), rel=0.01)


def test_random_angles_close_with_the_radius_times_root_of_two_n():
    # s R sqrt(2 N), both ways together. COMPUTED: closed form for errors at the joints.
    angle = np.radians(0.02)
    closing = simulate_free(RING, PieceErrors(angle=Spread(sd=angle)), 200_000, seed=1)
    both = np.sqrt(closing.gap.var() + closing.step.var())
    assert both == pytest.approx(angle * 3000 * np.sqrt(48), rel=0.01)


def test_half_of_all_uniform_lengths_leave_a_joint_narrower_than_nominal():
    errors = PieceErrors(length=Spread(sd=0.3, shape="uniform"))
    closing = simulate_free(replace(RING, joint=6.0), errors, 100_000, seed=2)
    assert (closing.gap < 6.0).mean() == pytest.approx(0.5, abs=0.01)


@pytest.mark.parametrize("shape", ["normal", "uniform", "triangular"])
def test_a_spread_has_its_mean_and_standard_deviation(shape):
    drawn = Spread(0.7, 0.2, shape).fill(np.random.default_rng(1), np.empty((200, 1000)))
    assert drawn.mean() == pytest.approx(0.7, abs=0.002) and drawn.std() == pytest.approx(0.2, rel=0.01)


def test_on_set_out_places_the_chance_of_small_steps_agrees_with_numpy_alone():
    # Second route: the same ring written in NumPy alone.
    across = np.random.default_rng(8).normal(0, 1.0, (24, 200_000))
    worst = np.abs(np.roll(across, -1, axis=0) - across).max(axis=0)
    joints = simulate_fixed(RING, PieceErrors(across=Spread(sd=1.0)), 200_000, seed=3)
    found = chance_fixed(joints, replace(WIDE, step=4.0)).share
    assert found == pytest.approx((worst <= 4.0).mean(), abs=0.005)
    assert found >= 1 - 24 * 2 * stats.norm.sf(4.0 / np.sqrt(2))  # Bonferroni's bound


def test_measured_pieces_are_drawn_again_with_all_their_errors_together():
    length = np.array([[1.0], [-1.0]])
    closing = resample_free(RING, Errors(length=length, height=2 * length), 50_000, seed=4)
    assert closing.height.std() == pytest.approx(2 * np.sqrt(24), rel=0.02)
    assert closing.gap.std() == pytest.approx(np.sqrt(12), rel=0.02)


@pytest.mark.parametrize("threads", [1, 3])
def test_the_answer_does_not_depend_on_the_number_of_threads(monkeypatch, threads):
    errors = PieceErrors(length=Spread(sd=0.5), angle=Spread(sd=1e-4))
    usual = simulate_free(RING, errors, 9_000, seed=5)
    monkeypatch.setattr("metrology.closure.ring_chain.workers", lambda: threads)
    assert simulate_free(RING, errors, 9_000, seed=5).gap.tolist() == usual.gap.tolist()


LIMITS = Limits(2.0, 10.0, 4.0, 4.0)
ERRORS = PieceErrors(length=Spread(sd=0.8), angle=Spread(sd=np.radians(0.01)), across=Spread(sd=0.5))
JOINTED = replace(RING, joint=6.0)


def test_the_kind_that_spoils_most_is_named_first():
    ranked = spoilers(JOINTED, ERRORS, LIMITS, fixed=False, seed=6)
    assert ranked[0][0] == "length" and ranked[0][1] > ranked[1][1]


@pytest.mark.parametrize("fixed", [True, False])
def test_a_factor_brings_the_chance_that_is_wanted(fixed):
    errors = replace(ERRORS, length=Spread(sd=2.0))
    factor = factor_for(JOINTED, errors, LIMITS, 0.95, fixed=fixed, seed=6)
    assert 0 < factor < 1
    after = chance(JOINTED, errors.scaled(factor), LIMITS, fixed=fixed, assemblies=100_000, seed=77)
    assert after.share == pytest.approx(0.95, abs=0.01)


def test_room_to_spare_gives_a_factor_above_one():
    errors = PieceErrors(length=Spread(sd=0.05))
    assert factor_for(JOINTED, errors, LIMITS, 0.99, fixed=False, seed=6) > 1


def test_a_chance_that_the_means_forbid_has_no_factor():
    errors = PieceErrors(length=Spread(mean=9.0, sd=0.1))
    assert factor_for(JOINTED, errors, LIMITS, 0.5, fixed=True, seed=6) is None


@pytest.mark.parametrize(
    ("errors", "code"),
    [
        (PieceErrors(), "no-errors"),
        (PieceErrors(length=Spread(sd=-1)), "spread"),
        (PieceErrors(length=Spread(sd=np.nan)), "spread"),
    ],
)
def test_errors_that_cannot_be_drawn_are_refused(errors, code):
    with pytest.raises(InputError) as caught:
        simulate_free(RING, errors, 100, seed=1)
    assert caught.value.code == code


def test_a_wanted_chance_of_all_is_refused():
    with pytest.raises(InputError, match="less than 100"):
        factor_for(JOINTED, ERRORS, LIMITS, 1.0, fixed=True, seed=1)


def test_a_single_measured_cast_is_refused():
    with pytest.raises(InputError, match="at least two casts"):
        ring_closure.resample_fixed(RING, Errors(length=np.zeros((1, 1))), 10, seed=1)
