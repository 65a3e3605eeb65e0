"""The decision rule on one value.

Rule: ISO 14253-1, from memory. The zones below are arithmetic on it (closed form).
"""

from math import inf, nan

import numpy as np
import pytest
from scipy.stats import norm

from metrology.errors import InputError
from metrology.statistics.conformity import NO_LOWER, NO_UPPER, decide, decide_steps

GOOD, BAD, UNSURE = "conforms", "does not conform", "inconclusive"


@pytest.mark.parametrize(
    ("value", "lower", "upper", "uncertainty", "result", "margin"),
    [
        # Limits 9.9 to 10.1, U 0.05: accepted from 9.95 to 10.05, refused below 9.85 and above 10.15.
        (10.0, 9.9, 10.1, 0.05, GOOD, 0.05),
        (9.95, 9.9, 10.1, 0.05, GOOD, 0.0),
        (10.05, 9.9, 10.1, 0.05, GOOD, 0.0),
        (9.949, 9.9, 10.1, 0.05, UNSURE, -0.001),
        (10.1, 9.9, 10.1, 0.05, UNSURE, -0.05),
        (10.15, 9.9, 10.1, 0.05, UNSURE, -0.1),
        (9.85, 9.9, 10.1, 0.05, UNSURE, -0.1),
        (10.151, 9.9, 10.1, 0.05, BAD, -0.101),
        (9.849, 9.9, 10.1, 0.05, BAD, -0.101),
        # Without uncertainty nothing is inconclusive.
        (10.1, 9.9, 10.1, 0.0, GOOD, 0.0),
        (10.101, 9.9, 10.1, 0.0, BAD, -0.001),
        # One limit only.
        (45.0, 44.0, None, 1.0, GOOD, 0.0),
        (44.5, 44.0, None, 1.0, UNSURE, -0.5),
        (42.9, 44.0, None, 1.0, BAD, -2.1),
        (0.2, None, 0.3, 0.1, GOOD, 0.0),
        (0.41, None, 0.3, 0.1, BAD, -0.21),
        # Below zero.
        (-0.71, -1.0, 1.0, 0.12, GOOD, 0.17),
        (-1.13, -1.0, 1.0, 0.12, BAD, -0.25),
    ],
)
def test_a_value_is_decided_by_limits_and_guard_band(value, lower, upper, uncertainty, result, margin):
    found = decide(value, lower, upper, uncertainty)
    assert found.result == result
    assert found.margin == pytest.approx(margin, abs=1e-12)
    assert found.note == ""


def test_the_zones_of_the_95_percent_rule_come_out():
    # Limits 9.9 to 10.1, u 0.01, one-sided 95 %: guard 0.01644854, accepted 9.91644854 to 10.08355146, refused above
    # 10.11644854. Rule of ISO 14253-1 (1.65 u) from memory; arithmetic COMPUTED with scipy.
    guard = float(norm.ppf(0.95)) * 0.01
    found = decide(10.0, 9.9, 10.1, guard)
    assert found.guard == pytest.approx(0.01644854, abs=1e-8)
    assert found.lower_acceptance == pytest.approx(9.91644854, abs=1e-8)
    assert found.upper_acceptance == pytest.approx(10.08355146, abs=1e-8)
    assert [decide(v, 9.9, 10.1, guard).result for v in (10.11644, 10.11645)] == [UNSURE, BAD]


def test_a_value_typed_on_the_acceptance_limit_conforms_whatever_binary_sums_say():
    assert 9.9 + 0.05 > 9.95  # the hair that must not decide
    for tenth in range(1, 200):
        lower = tenth / 10
        assert decide(round(lower + 0.05, 2), lower, None, 0.05).result == GOOD


def test_moving_value_and_limits_together_changes_nothing():
    rng = np.random.default_rng(3)
    for value, shift in rng.integers(-300, 300, size=(200, 2)):
        here = decide(value / 100, -1.0, 1.0, 0.12)
        there = decide((value + shift) / 100, (shift - 100) / 100, (shift + 100) / 100, 0.12)
        assert (here.result, here.margin) == (there.result, pytest.approx(there.margin))


@pytest.mark.parametrize(("value", "result"), [(10.0, UNSURE), (10.2, UNSURE), (10.31, BAD), (9.69, BAD)])
def test_overlapping_guard_bands_let_nothing_conform_and_say_so(value, result):
    found = decide(value, 9.9, 10.1, 0.2)
    assert found.result == result
    assert "no value can be shown to conform" in found.note
    assert found.lower_acceptance > found.upper_acceptance


def test_meeting_guard_bands_leave_one_value_that_conforms_and_say_so():
    assert decide(10.0, 9.9, 10.1, 0.1).result == GOOD
    assert decide(10.001, 9.9, 10.1, 0.1).result == UNSURE
    assert "half way" in decide(10.001, 9.9, 10.1, 0.1).note


def test_equal_limits_are_met_exactly_or_not_at_all():
    assert decide(5.0, 5.0, 5.0, 0.0).result == GOOD
    assert decide(5.1, 5.0, 5.0, 0.0).result == BAD


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        ((10.0, 10.1, 9.9, 0.05), "limits-swapped"),
        ((10.0, None, None, 0.05), "no-limits"),
        ((10.0, 9.9, 10.1, -0.05), "negative-uncertainty"),
        ((nan, 9.9, 10.1, 0.05), "not-a-number"),
        ((10.0, 9.9, inf, 0.05), "not-a-number"),
        ((10.0, 9.9, 10.1, nan), "not-a-number"),
    ],
)
def test_figures_that_allow_no_decision_are_refused_by_name(arguments, code):
    with pytest.raises(InputError) as refused:
        decide(*arguments)
    assert refused.value.code == code
    assert refused.value.sentence.endswith(".")


def test_many_values_at_once_are_decided_like_one():
    rng = np.random.default_rng(20261125)
    values = rng.integers(-13_000, 13_001, 4000)
    values[:9] = [-10_200, -10_201, -9800, -9801, 0, 9800, 9801, 10_200, 10_201]
    words = ["conforms", "inconclusive", "does not conform"]
    for lower, upper in ((-10_000, 10_000), (None, 10_000), (-10_000, None)):
        ends = (NO_LOWER if lower is None else lower), (NO_UPPER if upper is None else upper)
        many = decide_steps(values, *(np.int64(end) for end in ends), np.int64(200))
        limits = [None if limit is None else limit / 10_000 for limit in (lower, upper)]
        one = [decide(value / 10_000, *limits, 0.02).result for value in values.tolist()]
        assert [words[code] for code in many.tolist()] == one
