"""Decision rule, conformance probability, risks of a rule, rounding, fitness of an instrument."""

from math import inf, isnan

import numpy as np
import pytest
from scipy import stats

from metrology.amounts.rounding import last_place, rounded
from metrology.calculations.conformity import (
    DecisionInputs,
    FitnessInputs,
    RoundInputs,
    decision,
    instrument,
    round_figure,
)
from metrology.calculations.conformity_risk import ProbabilityInputs, RiskInputs, probability, risk, risk_plot
from metrology.calculations.problems import Refused
from metrology.calculations.registry import find
from metrology.calculations.running import run
from metrology.errors import InputError
from metrology.statistics.conformance import acceptance_limits, conformance_probability, global_risks, with_prior
from tests.published import published

ZONES = {"value": 10.07, "lower": 9.9, "upper": 10.1, "uncertainty": 0.02, "guard": "probability"}
RP19 = "draft NCSLI RP-19 tables (READ in a test that cites them); recomputed by quadrature"
PFA = {0.6: (4.8386, 8.26008), 0.7: (3.92234, 5.72322), 0.8: (2.85583, 3.63227), 0.9: (1.59995, 1.7988),
       0.95: (0.87101, 0.9239), 0.99: (0.19992, 0.20244)}  # fmt: skip
CHECKS = [
    *(
        published(
            "conformity-decision",
            f"zones of limits 9.9 to 10.1, u 0.01, 95 %: {what}",
            source="ISO 14253-1 default 95 % one-sided (1.65 u); arithmetic COMPUTED with scipy",
            status="from memory",
            given=ZONES | more,
            figure=figure,
            expected=expected,
            within=1e-8,
        )
        for what, more, figure, expected in [
            ("guard band", {}, "guard", 0.01644854),
            ("conforms from", {}, "accept_low", 9.91644854),
            ("conforms to", {}, "accept_high", 10.08355146),
            ("does not conform above", {}, "reject_high", 10.11644854),
            ("10.09 is", {"value": 10.09}, "result", "inconclusive"),
            ("10.12 is", {"value": 10.12}, "result", "does not conform"),
        ]
    ),
    published(
        "conformance-probability",
        "two limits, y 13.6, u 1.8, 12.5 to 16.3",
        source="JCGM 106:2012, 7.4 (inputs READ in a quotation); prints 0.66",
        status="READ",
        given={"value": 13.6, "u": 1.8, "lower": 12.5, "upper": 16.3},
        figure="probability",
        expected=0.66262979,
        within=1e-7,
    ),
    published(
        "conformance-probability",
        "one limit, y −5.47, u 0.05, at most −5.4",
        source="JCGM 106:2012, 7.3, diode example; prints 0.92",
        status="from memory",
        given={"value": -5.47, "u": 0.05, "upper": -5.4, "unit": "1"},
        figure="probability",
        expected=0.91924334,
        within=1e-7,
    ),
    *(
        published(
            "decision-risk",
            f"{share:.0%} of items conform, spread 4 u: {what}, in percent",
            source=RP19,
            status="READ",
            get=lambda share=share, figure=figure: 100 * getattr(four_to_one(share), figure),
            expected=PFA[share][column],
            within=2e-4,
        )
        for share in PFA
        for what, figure, column in [
            ("accepted, do not conform", "consumer", 0),
            ("the same of the accepted", "consumer_of_accepted", 1),
        ]
    ),
    *(
        published(
            "round-figure",
            f"{value} to 0.1, {rule}",
            source="ASTM E29 and ISO 80000-1, rules for half way; Python decimal",
            status="from memory",
            given={"value": value, "step": 0.1, "half_way": rule},
            figure="rounded",
            expected=expected,
        )
        for value, rule, expected in [
            (2.45, "even", 2.4),
            (2.55, "even", 2.6),
            (2.65, "even", 2.6),
            (2.45, "up", 2.5),
            (2.55, "up", 2.6),
            (2.65, "up", 2.7),
        ]
    ),
    published(
        "instrument-fitness",
        "U 0.25 mm for ±1 mm",
        source="a quarter of the half-width",
        status="common practice, no source",
        given={"uncertainty": 0.25, "lower": -1, "upper": 1},
        figure="result",
        expected="pass",
    ),
]


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_published_values_come_out(check):
    check.holds()


def four_to_one(share):
    return risk(RiskInputs(lower=-1.0, upper=1.0, process_mean=0.0, conforming=share, ratio=4.0))


# ---- second routes ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("mean", "sd", "u", "lower", "upper", "guard"),
    [
        (0.0, 1.0, 0.25, -2.0, 2.0, 0.0),
        (0.4, 1.0, 0.3, -2.0, 2.0, 0.5),
        (-0.3, 0.5, 2.0, -1.0, 1.5, -0.2),
        (0.0, 1.0, 1e-3, -2.0, 2.0, 1e-3),
        (0.0, 1.0, 0.2, None, 1.0, 0.1),
        (5.0, 1.0, 0.2, 4.0, None, 0.1),
    ],
)
def test_global_risks_are_those_of_the_bivariate_normal(mean, sd, u, lower, upper, guard):
    # True value and measurement together are normal with covariance sd²; rectangles of it COMPUTED with scipy.
    low, high = (-inf if lower is None else lower), (inf if upper is None else upper)
    both = stats.multivariate_normal([mean, mean], [[sd**2, sd**2], [sd**2, sd**2 + u**2]])

    def corner(a, b):
        return both.cdf([min(a, 50.0), min(b, 50.0)]) if a > -inf and b > -inf else 0.0

    good = corner(high, high - guard) - corner(low, high - guard) - corner(high, low + guard) + corner(low, low + guard)
    found = global_risks(mean, sd, u, lower, upper, guard)
    assert found.accepted - found.consumer == pytest.approx(good, abs=2e-6)
    assert found.conforming - found.producer == pytest.approx(good, abs=2e-6)


def test_global_risks_agree_with_a_simulation():
    generator = np.random.default_rng(11)
    true = generator.normal(0.2, 1.0, 400_000)
    measured = true + generator.normal(0.0, 0.4, true.size)
    conform, accepted = np.abs(true) <= 1.5, np.abs(measured) <= 1.5 - 0.3
    found = global_risks(0.2, 1.0, 0.4, -1.5, 1.5, 0.3)
    assert found.consumer == pytest.approx(np.mean(accepted & ~conform), abs=4e-4)
    assert found.producer == pytest.approx(np.mean(~accepted & conform), abs=2e-3)


def test_a_rare_risk_keeps_its_digits():
    # 8 standard deviations to the limit: P = Φ(−8), and a measurement that tells everything (closed form).
    found = global_risks(0.0, 1.0, 1e-9, -8.0, 8.0, 0.0)
    assert found.consumer < 2 * stats.norm.sf(8.0)
    assert conformance_probability(0.0, 1.0, 8.0, None) == pytest.approx(stats.norm.sf(8.0), rel=1e-12)


def test_acceptance_limits_are_where_the_wanted_probability_is_met():
    low, high = acceptance_limits(0.05, 9.9, 10.1, 0.9)
    for end in (low, high):
        assert conformance_probability(end, 0.05, 9.9, 10.1) == pytest.approx(0.9, abs=1e-9)
    assert acceptance_limits(0.05, None, 10.1, 0.9) == (None, pytest.approx(10.1 - 0.05 * stats.norm.ppf(0.9)))
    assert acceptance_limits(0.2, 9.9, 10.1, 0.9) is None


def test_a_process_that_is_known_pulls_the_estimate():
    # Precision-weighted mean (closed form): equal weights give the middle.
    assert with_prior(10.0, 1.0, 8.0, 1.0) == (9.0, pytest.approx(np.sqrt(0.5)))
    # u 1, s 2: weights 1 and 1/4, so (10 + 8/4) ÷ (1 + 1/4) = 9.6 and u² = 1 ÷ (1 + 1/4).
    assert with_prior(10.0, 1.0, 8.0, 2.0) == (pytest.approx(9.6), pytest.approx(np.sqrt(0.8)))
    result = probability(ProbabilityInputs(value=10.0, u=1.0, upper=10.5, process_mean=8.0, process_sd=1.0))
    assert result.probability == pytest.approx(stats.norm.cdf(1.5 / np.sqrt(0.5)))


def test_a_spread_is_found_for_a_share_off_the_middle():
    result = risk(RiskInputs(lower=-1.0, upper=2.0, process_mean=0.0, conforming=0.9, u=0.1))
    sd = result.process_sd
    assert stats.norm.cdf(2 / sd) - stats.norm.cdf(-1 / sd) == pytest.approx(0.9, abs=1e-12)


# ---- what follows ----------------------------------------------------------------------------------------------------


def test_a_guard_band_trades_one_risk_for_the_other():
    rows = [global_risks(0.0, 1.0, 0.25, -2.0, 2.0, guard) for guard in (-0.3, 0.0, 0.3)]
    assert rows[0].consumer > rows[1].consumer > rows[2].consumer
    assert rows[0].producer < rows[1].producer < rows[2].producer


def test_the_sentence_tells_limits_and_guard_band():
    assert decision(DecisionInputs(value=10.11, lower=9.9, upper=10.1, uncertainty=0.02)).sentence == (
        "10.11\u00a0mm is inconclusive: limits 9.9 to 10.1\u00a0mm with a guard band of 0.02\u00a0mm, "
        "and neither conformity nor nonconformity is proven."
    )


@pytest.mark.parametrize(
    ("guard", "result"), [("U", "inconclusive"), ("probability", "inconclusive"), ("none", "conforms")]
)
def test_the_rule_decides(guard, result):
    assert decision(DecisionInputs(value=10.09, lower=9.9, upper=10.1, uncertainty=0.02, guard=guard)).result == result


@pytest.mark.parametrize(
    ("compared", "half_way", "value", "result"),
    [
        ("absolute", "even", 10.14, "does not conform"),
        ("rounded", "even", 10.14, "conforms"),
        ("rounded", "even", 10.05, "conforms"),
        ("rounded", "even", 10.15, "does not conform"),
        ("rounded", "up", 10.15, "does not conform"),
        ("rounded", "even", 10.25, "does not conform"),
    ],
)
def test_rounding_before_comparing_is_a_rule_that_is_chosen(compared, half_way, value, result):
    inputs = DecisionInputs(
        value=value, upper=10.1, uncertainty=0.0, guard="none", compared=compared, half_way=half_way
    )
    assert decision(inputs).result == result


def test_rounding_says_what_was_rounded():
    said = decision(DecisionInputs(value=10.14, upper=10.1, uncertainty=0.0, compared="rounded")).sentence
    assert said == "10.14\u00a0mm, rounded to 10.1\u00a0mm, conforms: limits at most 10.1\u00a0mm."


@pytest.mark.parametrize(
    ("limits", "step"), [((12.5, 16.25), 0.01), ((12.0, None), 1.0), ((None, 0.1), 0.1), ((100.0, 200.0), 1.0)]
)
def test_the_last_place_is_the_finest_of_the_limits(limits, step):
    assert last_place(*limits) == step


@pytest.mark.parametrize(("value", "step", "rule", "wanted"), [
    (-2.45, 0.1, "even", -2.4), (-2.45, 0.1, "up", -2.5), (7.5, 5.0, "even", 10.0), (2.5, 5.0, "even", 0.0),
    (0.125, 0.25, "even", 0.0), (0.3, 0.1, "even", 0.3), (1e-9, 0.1, "up", 0.0),
])  # fmt: skip
def test_figures_are_rounded_as_they_are_written(value, step, rule, wanted):
    assert rounded(value, step, rule) == wanted


def test_rounding_that_depends_on_the_rule_says_so():
    assert "by the other rule 2.5" in round_figure(RoundInputs(value=2.45, step=0.1)).sentence
    assert "other rule" not in round_figure(RoundInputs(value=2.44, step=0.1)).sentence


# ---- degenerate input ------------------------------------------------------------------------------------------------


def test_without_uncertainty_everything_is_sure():
    assert conformance_probability(10.1, 0.0, 9.9, 10.1) == 1.0
    assert conformance_probability(10.2, 0.0, 9.9, 10.1) == 0.0
    result = risk(RiskInputs(upper=1.0, process_mean=0.0, process_sd=1.0, u=0.0))
    assert result.consumer == 0 and result.producer == 0 and risk_plot(RiskInputs(process_mean=0.0), result) == ()


def test_a_tolerance_of_nothing_accepts_nothing():
    found = global_risks(0.0, 1.0, 0.1, 2.0, 2.0, 0.0)
    assert found.conforming == 0 and found.accepted == 0 and found.consumer == 0
    result = risk(RiskInputs(lower=-1.0, upper=1.0, process_mean=0.0, process_sd=1.0, u=0.1, guard=1.5))
    assert result.accepted == 0 and result.consumer_of_accepted is None
    assert not any(isnan(v) for v in (result.consumer, result.producer))


def test_guard_bands_that_overlap_are_said_to():
    result = decision(DecisionInputs(value=10.0, lower=9.9, upper=10.1, uncertainty=0.2))
    assert result.result == "inconclusive" and "overlap" in result.note


@pytest.mark.parametrize(
    ("calculate", "inputs", "where"),
    [
        (decision, DecisionInputs(value=1.0, uncertainty=0.1), ("/upper", "no-limits")),
        (decision, DecisionInputs(value=1.0, lower=2.0, upper=1.0, uncertainty=0.1), ("/upper", "limits-swapped")),
        (probability, ProbabilityInputs(value=1, u=1, upper=2, process_mean=1), ("/process_sd", "half-a-process")),
        (probability, ProbabilityInputs(value=1, u=1, upper=2, process_sd=1), ("/process_mean", "half-a-process")),
        (risk, RiskInputs(upper=1.0, process_mean=0.0, u=0.1), ("/process_sd", "one-of-two")),
        (risk, RiskInputs(upper=1, process_mean=0, u=0.1, process_sd=1, conforming=0.9), ("/process_sd", "one-of-two")),
        (risk, RiskInputs(upper=1.0, process_mean=0.0, process_sd=1.0), ("/u", "one-of-two")),
        (risk, RiskInputs(upper=1.0, process_mean=2.0, conforming=0.9, u=0.1), ("/conforming", "no-spread")),
        (instrument, FitnessInputs(uncertainty=0.1, lower=1.0, upper=1.0), ("/upper", "no-tolerance")),
        (instrument, FitnessInputs(uncertainty=0.1, upper=1.0, nominal=1.0), ("/nominal", "no-tolerance")),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_refused_at_its_place(calculate, inputs, where):
    with pytest.raises(Refused) as caught:
        calculate(inputs)
    assert (caught.value.problems[0].path, caught.value.code) == where


def test_figures_far_apart_are_refused_and_do_not_break():
    with pytest.raises(Refused) as caught:
        run(find("round-figure"), {"value": 1e14, "step": 1e-15})
    assert caught.value.code == "out-of-range"


def test_bad_figures_are_refused_by_name():
    for call, code in [
        (lambda: conformance_probability(1.0, -1.0, 0.0, 2.0), "negative-uncertainty"),
        (lambda: conformance_probability(1.0, 1.0, None, None), "no-limits"),
        (lambda: global_risks(0.0, 0.0, 0.1, 0.0, 1.0, 0.0), "bad-spread"),
        (lambda: with_prior(0.0, 0.1, 0.0, 0.0), "bad-spread"),
        (lambda: rounded(1.0, 0.0), "bad-step"),
    ]:
        with pytest.raises(InputError) as caught:
            call()
        assert caught.value.code == code
