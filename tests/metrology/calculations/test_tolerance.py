"""Tolerance intervals, series bounds, success runs and shares.

One-sided factors: Montgomery and Runger, 7th ed., table XII (READ as transcribed in the tests of the Python package
toleranceinterval). Sample sizes: R package tolerance 3.0.0, distfree.est (COMPUTED). Two-sided n = 10, 95/95: the exact
3.3934; the approximations 3.382, 3.379 and 3.408 of other tables are failures.
"""

from itertools import pairwise

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import quad
from scipy.optimize import brentq

from metrology.calculations.problems import Refused
from metrology.calculations.series import BoundInputs, RunInputs, ShareInputs, at_least, bound, share_seen, success_run
from metrology.calculations.tolerance import FactorInputs, IntervalInputs, SizeInputs, factor, interval, sample_size
from metrology.errors import InputError
from metrology.statistics.tolerance_interval import (
    clopper_pearson,
    free_confidence,
    free_left_out,
    free_sample_size,
    one_sided_factor,
    run_size,
    share_below,
    share_between,
    two_sided_factor,
)
from tests.published import published

# fmt: off
TABLE = [  # n, share, confidence, k
    (5, 0.9, 0.9, 2.742), (5, 0.95, 0.9, 3.4), (5, 0.99, 0.9, 4.666), (5, 0.9, 0.95, 3.407),
    (5, 0.95, 0.95, 4.203), (5, 0.99, 0.95, 5.741), (5, 0.9, 0.99, 5.362), (5, 0.95, 0.99, 6.578),
    (5, 0.99, 0.99, 8.939), (10, 0.9, 0.9, 2.066), (10, 0.95, 0.9, 2.568), (10, 0.99, 0.9, 3.532),
    (10, 0.9, 0.95, 2.355), (10, 0.95, 0.95, 2.911), (10, 0.99, 0.95, 3.981), (10, 0.9, 0.99, 3.048),
    (10, 0.95, 0.99, 3.738), (10, 0.99, 0.99, 5.074), (20, 0.9, 0.9, 1.765), (20, 0.95, 0.9, 2.208),
    (20, 0.99, 0.9, 3.052), (20, 0.9, 0.95, 1.926), (20, 0.95, 0.95, 2.396), (20, 0.99, 0.95, 3.295),
    (20, 0.9, 0.99, 2.276), (20, 0.95, 0.99, 2.808), (20, 0.99, 0.99, 3.832), (30, 0.9, 0.9, 1.657),
    (30, 0.95, 0.9, 2.08), (30, 0.99, 0.9, 2.884), (30, 0.9, 0.95, 1.777), (30, 0.95, 0.95, 2.22),
    (30, 0.99, 0.95, 3.064), (30, 0.9, 0.99, 2.03), (30, 0.95, 0.99, 2.515), (30, 0.99, 0.99, 3.447),
    (50, 0.9, 0.9, 1.559), (50, 0.95, 0.9, 1.965), (50, 0.99, 0.9, 2.735), (50, 0.9, 0.95, 1.646),
    (50, 0.95, 0.95, 2.065), (50, 0.99, 0.95, 2.862), (50, 0.9, 0.99, 1.821), (50, 0.95, 0.99, 2.269),
    (50, 0.99, 0.99, 3.125), (100, 0.9, 0.9, 1.47), (100, 0.95, 0.9, 1.861), (100, 0.99, 0.9, 2.601),
    (100, 0.9, 0.95, 1.527), (100, 0.95, 0.95, 1.927), (100, 0.99, 0.95, 2.684), (100, 0.9, 0.99, 1.639),
    (100, 0.95, 0.99, 2.056), (100, 0.99, 0.99, 2.85),
]
# fmt: on
WILKS = "R tolerance 3.0.0 distfree.est; Natrella, NBS Handbook 91"
RUNS = {(0.9, 0.9): (22, 38, 52), (0.95, 0.95): (59, 93, 124), (0.99, 0.95): (299, 473, 628),
        (0.8, 0.9): (11, 18, 25), (0.9, 0.95): (29, 46, 61)}  # fmt: skip
CHECKS = [
    *(
        published(
            "tolerance-factor",
            f"one-sided, n = {n}, {share:.0%} with {confidence:.0%}",
            source="Montgomery and Runger, 7th ed., table XII; COMPUTED with scipy nct",
            status="READ",
            given={"n": n, "proportion": share, "confidence": confidence},
            figure="one_sided",
            expected=k,
            within=3e-4 * k,
        )
        for n, share, confidence, k in TABLE
    ),
    published(
        "tolerance-factor",
        "two-sided, n = 10, 95% with 95%, exact",
        source="ISO 16269-6 and R tolerance K.factor, method EXACT",
        status="from memory",
        given={"n": 10},
        figure="two_sided",
        expected=3.3934,
        within=5e-5,
    ),
    published(
        "tolerance-factor",
        "two-sided, n = 2, 95% with 95%, exact",
        source="ISO 16269-6, table of two-sided factors",
        status="from memory",
        given={"n": 2},
        figure="two_sided",
        expected=36.519,
        within=1e-3,
    ),
    *(
        published(
            "sample-size-free",
            f"{share:.0%} with {confidence:.0%}, {what}",
            source=WILKS,
            status="COMPUTED with R tolerance 3.0.0",
            given={"proportion": share, "confidence": confidence, "two_sided": both, "more_left_out": more},
            figure="n",
            expected=n,
        )
        for share, confidence, what, both, more, n in [
            (0.9, 0.9, "one-sided", False, 0, 22),
            (0.95, 0.95, "one-sided", False, 0, 59),
            (0.99, 0.95, "one-sided", False, 0, 299),
            (0.99, 0.99, "one-sided", False, 0, 459),
            (0.9, 0.9, "two-sided", True, 0, 38),
            (0.95, 0.95, "two-sided", True, 0, 93),
            (0.99, 0.95, "two-sided", True, 0, 473),
            (0.99, 0.99, "two-sided", True, 0, 662),
            (0.95, 0.95, "one-sided, second value", False, 1, 93),
            (0.95, 0.95, "one-sided, third value", False, 2, 124),
        ]
    ),
    *(
        published(
            "success-run",
            f"{share:.0%} with {confidence:.0%}, {failures} failures",
            source="binomial tail; success-run tables",
            status="from memory",
            given={"reliability": share, "confidence": confidence, "failures": failures},
            figure="n",
            expected=n,
        )
        for (share, confidence), sizes in RUNS.items()
        for failures, n in enumerate(sizes)
    ),
    *(
        published(
            "share-interval",
            f"4 of 20, 90%, {what}",
            source="NIST/SEMATECH e-Handbook 7.2.4.1; COMPUTED with statsmodels",
            status="from memory",
            given={"seen": 4, "trials": 20, "confidence": 0.9},
            figure=figure,
            expected=expected,
            within=1e-6,
        )
        for what, figure, expected in [("lower end", "low", 0.0713539), ("upper end", "high", 0.4010281)]
    ),
    published(
        "tolerance-interval",
        "n 10, mean 0, s 1, 95/95, upper end",
        source="ISO 16269-6: mean ± k·s with the exact k",
        status="from memory",
        given={"n": 10, "mean": 0, "sd": 1},
        figure="high",
        expected=3.3934,
        within=5e-5,
    ),
    published(
        "series-bound",
        "299 conform by counting: the share shown with 95%",
        source="success run of 299: 99% with 95% confidence",
        status="from memory",
        get=lambda: bound(BoundInputs(values=(1.0, 2.0) * 149 + (1.0,), upper=3.0)).free_share_low,
        expected=0.05 ** (1 / 299),
        within=1e-12,
    ),
    published(
        "series-bound",
        "the limit at a table factor, n = 10: the share of the table",
        source="Montgomery and Runger, 7th ed., table XII, k 2.911",
        status="READ",
        given={"n": 10, "mean": 0, "sd": 1, "upper": 2.911},
        figure="share_low",
        expected=0.95,
        within=2e-5,
    ),
]


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_published_values_come_out(check):
    check.holds()


# ---- second routes ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("n", [2, 3, 5, 10, 30, 31, 32, 100, 1000])
@pytest.mark.parametrize(("share", "confidence"), [(0.9, 0.9), (0.99, 0.95), (0.5, 0.95), (0.05, 0.9)])
def test_one_sided_factors_are_quantiles_of_the_non_central_t(n, share, confidence):
    wanted = stats.nct.ppf(confidence, n - 1, stats.norm.ppf(share) * np.sqrt(n)) / np.sqrt(n)
    assert one_sided_factor(n, share, confidence) == pytest.approx(wanted, rel=1e-7)


@pytest.mark.parametrize(("n", "share", "confidence"), [(2, 0.999, 0.99), (3, 0.99, 0.99), (40, 0.999, 0.999)])
def test_one_sided_factors_have_their_confidence_by_adaptive_quadrature(n, share, confidence):
    k, z, root = one_sided_factor(n, share, confidence), stats.norm.ppf(share), np.sqrt(n)
    s = stats.chi(n - 1, scale=1 / np.sqrt(n - 1))
    edges = sorted(
        [0.0, *np.maximum(z / k + np.array([-3, -1, 0, 1, 3]) / (k * root), 0), *s.ppf([0.01, 0.5, 0.99]), 12.0]
    )
    pieces = (
        quad(lambda x: stats.norm.cdf(root * (k * x - z)) * s.pdf(x), a, b)[0] for a, b in pairwise(edges) if b > a
    )
    assert sum(pieces) == pytest.approx(confidence, abs=1e-9)


@pytest.mark.parametrize(
    ("n", "share", "confidence"), [(2, 0.95, 0.95), (5, 0.99, 0.95), (10, 0.95, 0.95), (60, 0.999, 0.9)]
)
def test_two_sided_factors_have_their_confidence_by_adaptive_quadrature(n, share, confidence):
    k = two_sided_factor(n, share, confidence)

    def half(x):
        return brentq(lambda r: stats.norm.cdf(x + r) - stats.norm.cdf(x - r) - share, 0.0, x + 10.0, xtol=1e-13)

    def inner(x):
        return stats.chi2.sf((n - 1) * (half(x) / k) ** 2, n - 1) * stats.norm.pdf(x, scale=1 / np.sqrt(n))

    assert 2 * quad(inner, 0, 9 / np.sqrt(n), epsabs=1e-11)[0] == pytest.approx(confidence, abs=1e-8)


@pytest.mark.parametrize(("n", "share", "confidence"), [(4, 0.9, 0.9), (15, 0.95, 0.99)])
def test_intervals_hold_their_share_as_often_as_they_say(n, share, confidence):
    generator = np.random.default_rng(21)
    x = generator.standard_normal((60_000, n))
    mean, s = x.mean(axis=1), x.std(axis=1, ddof=1)
    k = two_sided_factor(n, share, confidence)
    held = stats.norm.cdf(mean + k * s) - stats.norm.cdf(mean - k * s)
    assert np.mean(held >= share) == pytest.approx(confidence, abs=0.005)
    k = one_sided_factor(n, share, confidence)
    assert np.mean(stats.norm.cdf(mean + k * s) >= share) == pytest.approx(confidence, abs=0.005)


def test_factors_of_many_values_are_nearly_those_of_the_normal_distribution():
    assert two_sided_factor(1_000_000, 0.95, 0.95) == pytest.approx(stats.norm.ppf(0.975), abs=0.004)
    assert one_sided_factor(1_000_000, 0.95, 0.95) == pytest.approx(stats.norm.ppf(0.95), abs=0.004)


@pytest.mark.parametrize(("count", "n"), [(0, 10), (4, 20), (10, 10), (1, 1000), (7, 9)])
def test_clopper_pearson_is_that_of_scipy(count, n):
    wanted = stats.binomtest(count, n).proportion_ci(0.9, "exact")
    assert clopper_pearson(count, n, 0.05, 0.05) == pytest.approx((wanted.low, wanted.high), abs=1e-10)


@pytest.mark.parametrize(("n", "share", "out"), [(59, 0.95, 1), (93, 0.95, 2), (200, 0.9, 5)])
def test_free_confidence_is_that_of_sorted_uniform_values(n, share, out):
    # The stretch between sorted uniform values has a beta distribution (closed form).
    assert free_confidence(n, share, out) == pytest.approx(stats.beta.sf(share, n - out + 1, out), abs=1e-12)


def test_sample_sizes_are_the_least():
    for share, confidence, out in [(0.9, 0.9, 1), (0.95, 0.95, 2), (0.99, 0.95, 1), (0.999, 0.9, 3)]:
        n = free_sample_size(share, confidence, out)
        assert free_confidence(n, share, out) >= confidence > free_confidence(n - 1, share, out)
        assert free_left_out(n, share, confidence) == out
    n = run_size(0.95, 0.9, 2)
    assert stats.binom.cdf(2, n, 0.05) <= 0.1 < stats.binom.cdf(2, n - 1, 0.05)


def test_a_share_leads_back_to_its_distance():
    assert share_below(one_sided_factor(12, 0.97, 0.9), 12, 0.9) == pytest.approx(0.97, abs=1e-9)
    assert share_between(two_sided_factor(12, 0.97, 0.9), 12, 0.9) == pytest.approx(0.97, abs=1e-9)
    assert share_below(-1.0, 10, 0.95) < 0.16


def test_the_series_bound_holds_as_often_as_it_says():
    # True share 97.72 % below +2: the bound from samples of 8 must lie below it in 90 % of them.
    generator = np.random.default_rng(4)
    x = generator.standard_normal((200, 8))
    bounds = [share_below(float((2 - row.mean()) / row.std(ddof=1)), 8, 0.9) for row in x]
    assert np.mean(np.array(bounds) <= stats.norm.cdf(2)) == pytest.approx(0.9, abs=0.05)


# ---- what a person is told -------------------------------------------------------------------------------------------


def test_a_distribution_free_interval_stands_beside_the_normal_one():
    values = tuple(float(v) for v in range(100))
    both = interval(IntervalInputs(values=values))
    assert (both.free_low, both.free_high) == (0.0, 99.0) and both.free_confidence >= 0.95
    low = interval(IntervalInputs(values=values, sides="lower", proportion=0.9))
    # 5 of 100 may lie below: P(binomial(100, 0.9) ≤ 95) is 0.976, with 6 it is 0.942 (scipy).
    assert (low.free_low, low.free_high) == (4.0, None)
    assert low.free_confidence == pytest.approx(stats.binom.cdf(95, 100, 0.9))


def test_too_few_values_have_no_distribution_free_interval():
    result = interval(IntervalInputs(values=(1.0, 2.0, 3.0)))
    assert result.free_low is None and result.free_needed == 93


def test_the_series_sentence_has_share_confidence_and_chance():
    assert bound(BoundInputs(n=10, mean=600.1, sd=0.26, lower=598.5, upper=601.5, series=48)).sentence.startswith(
        "At least 99."
    )


def test_a_lower_bound_is_cut_never_rounded_up():
    assert (
        at_least(0.99996) == "99.9960\u00a0%"
        and at_least(0.98999) == "98.9\u00a0%"
        and at_least(1.0) == "100.00\u00a0%"
    )


def test_a_guard_band_lowers_the_bound():
    without = bound(BoundInputs(n=10, mean=0.0, sd=0.3, lower=-1.0, upper=1.0))
    with_guard = bound(BoundInputs(n=10, mean=0.0, sd=0.3, lower=-1.0, upper=1.0, guard=0.2))
    assert with_guard.share_low < without.share_low and with_guard.distance == pytest.approx(0.8 / 0.3)


# ---- degenerate input ------------------------------------------------------------------------------------------------


def test_values_without_spread_have_no_normal_bound_but_a_counted_one():
    result = bound(BoundInputs(values=(5.0,) * 20, upper=6.0))
    assert result.share_low is None and result.chance_all_low is None
    assert result.free_share_low == pytest.approx(0.05 ** (1 / 20))
    assert "no spread" in result.sentence
    same = interval(IntervalInputs(values=(5.0, 5.0)))
    assert (same.low, same.high) == (5.0, 5.0) and "no spread" in same.sentence


def test_when_all_values_fail_the_bound_is_nothing():
    result = bound(BoundInputs(values=(7.0, 8.0, 9.0), upper=1.0, lower=0.0))
    assert (result.share_low, result.free_share_low, result.conforming) == (0.0, 0.0, 0)
    assert result.chance_all_low == 0.0 and 0 <= result.share_estimate < 1e-6


def test_none_and_all_have_an_end_that_is_certain():
    assert share_seen(ShareInputs(seen=0, trials=9)).low == 0.0
    assert share_seen(ShareInputs(seen=9, trials=9)).high == 1.0
    assert share_seen(ShareInputs(seen=9, trials=9)).note
    assert share_seen(ShareInputs(seen=0, trials=59, ends="upper")).high == pytest.approx(1 - 0.05 ** (1 / 59))
    assert share_seen(ShareInputs(seen=59, trials=59, ends="lower")).low > 0.95


@pytest.mark.parametrize(
    ("calculate", "inputs", "where"),
    [
        (interval, IntervalInputs(values=(1.0,)), ("/values", "too-few")),
        (interval, IntervalInputs(), ("/values", "missing")),
        (interval, IntervalInputs(n=5, mean=1.0), ("/sd", "missing")),
        (interval, IntervalInputs(values=(1.0, 2.0), n=2), ("/n", "both-given")),
        (bound, BoundInputs(n=5, mean=1.0, sd=1.0), ("/upper", "no-limits")),
        (bound, BoundInputs(n=5, mean=1.0, sd=1.0, lower=2.0, upper=1.0), ("/upper", "limits-swapped")),
        (bound, BoundInputs(n=5, mean=1.0, sd=1.0, lower=1.0, upper=2.0, guard=0.5), ("/guard", "no-room")),
        (share_seen, ShareInputs(seen=3, trials=2), ("/seen", "bad-count")),
    ],
)
def test_what_does_not_fit_is_refused_at_its_place(calculate, inputs, where):
    with pytest.raises(Refused) as caught:
        calculate(inputs)
    assert (caught.value.problems[0].path, caught.value.code) == where


def test_bad_figures_are_refused_by_name():
    for call, code in [
        (lambda: one_sided_factor(1, 0.9, 0.9), "too-few"),
        (lambda: two_sided_factor(5, 1.0, 0.9), "bad-share"),
        (lambda: free_sample_size(0.0, 0.9, 1), "bad-share"),
        (lambda: free_sample_size(1 - 1e-9, 0.9, 1), "too-many"),
        (lambda: run_size(0.9, 1.0, 0), "bad-share"),
        (lambda: clopper_pearson(3, 2, 0.1, 0.1), "bad-count"),
    ]:
        with pytest.raises(InputError) as caught:
            call()
        assert caught.value.code == code


def test_every_calculation_says_what_it_found():
    assert "k is 2.9110 one-sided and 3.3934 two-sided" in factor(FactorInputs(n=10)).sentence
    assert sample_size(SizeInputs()).sentence.startswith("299\u00a0values are needed for 99\u00a0% of any series")
    assert success_run(RunInputs()).sentence.startswith("22\u00a0trials with no failure")
