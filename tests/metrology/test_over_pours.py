"""What casts say over their pours: the same answers as the calculations give on their own."""

import numpy as np
import pytest

from metrology.calculations.capability import CapabilityInputs, capability
from metrology.calculations.control_chart import ChartInputs, chart
from metrology.calculations.series import BoundInputs, bound
from metrology.errors import InputError
from metrology.over_pours import Asked, over_pours, signals_by_cast, usual_guard

LIMITS = Asked(lower=598.5, upper=601.5, guard=0.12, pieces=48)
STEADY = tuple(np.round(np.random.default_rng(20261125).normal(600.0, 0.3, 40), 2).tolist())


def test_the_answers_are_those_of_the_three_calculations():
    said = over_pours(STEADY, LIMITS)
    assert said.chart == chart(ChartInputs(values=STEADY))
    assert said.capability == capability(CapabilityInputs(values=STEADY, lower=598.5, upper=601.5))
    assert said.series == bound(BoundInputs(values=STEADY, lower=598.5, upper=601.5, guard=0.12, series=48))
    assert said.verdict == said.capability.verdict


def test_the_casts_to_come_are_said_with_share_confidence_and_chance():
    said = over_pours(STEADY, LIMITS).series_said
    assert said.startswith("Of the casts to come at least 99.")
    assert "598.5 to 601.5\u00a0mm after a guard band of 0.12\u00a0mm, with 95\u00a0% confidence" in said
    assert "the chance that all of the next 48\u00a0casts conform is at least" in said


def test_a_worse_process_promises_less():
    far = over_pours([value + 0.6 for value in STEADY], LIMITS)
    assert far.series.share_low < over_pours(STEADY, LIMITS).series.share_low


def test_values_that_are_not_normal_are_counted():
    two_moulds = [599.2, 600.8] * 20
    said = over_pours(two_moulds, LIMITS)
    assert not said.normal
    # All 40 conform: the exact lower limit is 0.05^(1/40) = 0.92784 (closed form).
    assert "at least 92.7\u00a0% conform" in said.series_said and "counted without a distribution" in said.series_said


def test_a_step_is_seen_and_named_at_its_cast():
    said = over_pours([*STEADY, *[601.6] * 3], LIMITS)
    assert said.stable is False
    assert "a point beyond a limit" in signals_by_cast(said)[42]


def test_limits_of_phase_one_come_from_the_first_casts():
    said = over_pours([*STEADY, *[601.6] * 3], Asked(lower=598.5, upper=601.5, phase_one=40))
    assert said.chart.phase_one == 40
    assert said.chart.centre == pytest.approx(float(np.mean(STEADY)))


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ([], "No cast has been measured yet."),
        ([600.1], "One value tells nothing about the spread"),
        ([600.1] * 5, "no spread"),
    ],
)
def test_what_tells_nothing_is_said_in_a_sentence(values, words):
    said = over_pours(values, LIMITS)
    assert words in said.stable_said
    assert said.stable is None and not said.has_spread
    assert "nan" not in f"{said}".lower()


def test_equal_values_still_count_for_the_casts_to_come():
    assert "at least 54.9\u00a0% conform" in over_pours([600.1] * 5, LIMITS).series_said


def test_a_guard_band_that_leaves_no_room_is_said():
    said = over_pours(STEADY, Asked(lower=599.9, upper=600.1, guard=0.2))
    assert said.series is None and "leave nothing between the limits" in said.series_said


def test_one_sided_limits_do():
    assert "at most 601.5" in over_pours(STEADY, Asked(lower=None, upper=601.5)).series_said


def test_without_limits_it_is_refused():
    with pytest.raises(InputError):
        over_pours(STEADY, Asked(lower=None, upper=None))


def test_the_usual_guard_is_the_middle_one():
    assert (usual_guard([0.1, 2.0, 0.2]), usual_guard([])) == (0.2, 0.0)
