"""Strength acceptance by ACI 318 section 26.12.3.

Rule READ on the institute's public answer page (2014 edition); worked cases as named beside each.
"""

from math import nan

import numpy as np
import pytest

from metrology.concrete.strength import acceptance, lowest_allowed
from metrology.errors import InputError

# Exact to 16 figures: 1 psi = 6894.757293168361 Pa (NIST SP 811, from memory).
PSI = 0.006894757293168361


def test_a_published_case_fails_on_the_mean_of_three_though_each_test_is_high_enough():
    # Tutorial on concrete testing, READ: fc 4000 psi; tests 3950, 4100, 4050, 3800; means 4033 and 3983; not accepted.
    found = acceptance([psi * PSI for psi in (3950, 4100, 4050, 3800)], 4000 * PSI)
    assert [mean / PSI for mean in found.means] == pytest.approx([4033.333, 3983.333], abs=1e-3)
    assert found.lowest > found.lowest_allowed
    assert (found.result, found.code) == ("fail", "mean-too-low")


def test_a_single_result_a_tenth_below_3500_psi_is_no_failure_by_itself():
    # Malisch and Suprenant, "Acceptance of concrete test results", 2015, READ: fc 3500 psi, one result of 3150 psi is
    # wrongly called a failure.
    found = acceptance([psi * PSI for psi in (3700, 3150, 3800)], 3500 * PSI)
    assert found.result == "pass"


@pytest.mark.parametrize(
    ("fc", "allowed"),
    [(20, 16.5), (28, 24.5), (35, 31.5), (35.1, 31.59), (40, 36.0), (50, 45.0)],
)
def test_no_test_may_fall_further_below_than_the_rule_says(fc, allowed):
    assert lowest_allowed(fc) == allowed


@pytest.mark.parametrize(
    ("tests", "fc", "result", "code"),
    [
        ([28, 28, 28], 28, "pass", "accepted"),  # a mean equal to fc passes
        ([24.5, 30, 29.5], 28, "pass", "accepted"),  # a test equal to the lowest allowed passes
        ([24.4, 30, 31], 28, "fail", "test-too-low"),
        ([27.9, 28, 28], 28, "fail", "mean-too-low"),
        ([40, 40, 40, 30, 28, 28, 27], 28, "fail", "mean-too-low"),  # only the last three fall short
        ([36, 44, 41], 40, "pass", "accepted"),
        ([35.9, 45, 45], 40, "fail", "test-too-low"),
        ([31.5, 37, 36.5], 35, "pass", "accepted"),
        ([31.59, 38, 36], 35.1, "pass", "accepted"),
        ([24.4, 26, 26], 28, "fail", "test-too-low"),  # both fall short
        ([28.1, 27.9, 28.0], 28, "pass", "accepted"),  # binary sums put this mean a hair below
        ([], 28, "missing", "no-tests"),
        ([30], 28, "missing", "too-few-tests"),
        ([30, 31], 28, "missing", "too-few-tests"),
        ([30, 20], 28, "fail", "test-too-low"),  # no later test can mend this one
    ],
)
def test_tests_are_judged_in_the_order_they_were_sampled(tests, fc, result, code):
    found = acceptance(tests, fc)
    assert (found.result, found.code) == (result, code)
    assert found.enough == (len(tests) >= 3)


def test_the_means_are_the_running_means_of_numpy():
    tests = np.random.default_rng(5).uniform(25, 40, 30).round(1)
    expected = np.convolve(tests, np.ones(3) / 3, mode="valid")
    assert acceptance(tests.tolist(), 20).means == pytest.approx(expected.tolist(), rel=1e-12)


def test_sentences_name_the_tests_and_the_figures():
    assert acceptance([28, 27.99, 28], 28).sentence == (
        "The mean of tests 1 to 3 is 27.99\u00a0MPa, below the specified 28.0\u00a0MPa."
    )
    assert (
        "Test 2 reached 20.0\u00a0MPa, too low: no test may fall below 24.5\u00a0MPa"
        in acceptance([30, 20], 28).sentence
    )
    assert acceptance([30, 31], 28).sentence.startswith(
        "Only 2\u00a0tests so far, lowest 30.0\u00a0MPa; 3\u00a0tests are needed"
    )
    assert acceptance([], 28).sentence.startswith("No strength test yet")
    assert (
        "the lowest of 3\u00a0tests is 29.0\u00a0MPa where 24.5\u00a0MPa is allowed"
        in acceptance([29, 30, 31], 28).sentence
    )


@pytest.mark.parametrize(
    ("tests", "fc", "code"),
    [([30, nan, 30], 28, "not-a-number"), ([30, 0], 28, "bad-strength"), ([30], -1, "bad-strength")],
)
def test_strengths_that_cannot_be_are_refused_by_name(tests, fc, code):
    with pytest.raises(InputError) as refused:
        acceptance(tests, fc)
    assert refused.value.code == code
