"""Bias and linearity of a gauge, and agreement of appraisers."""

from math import sqrt

import numpy as np
import pytest
from scipy import stats

from metrology.calculations.agreement import (
    AgreementInputs,
    FleissInputs,
    Judgement,
    KappaInputs,
    agreement,
    cohen_kappa,
    fleiss_kappa,
)
from metrology.calculations.gauge_bias import BiasInputs, LinearityInputs, bias, linearity
from metrology.calculations.problems import Refused
from metrology.errors import InputError
from metrology.statistics.agreement import cohen, fleiss
from metrology.statistics.gauge_bias import bias_of, linearity_of
from tests.metrology.gauge_data import FLEISS_COUNTS, LINEARITY_REFERENCES, LINEARITY_ROWS
from tests.published import published

MANUAL = "AIAG MSA, 4th edition, linearity example; its report as published by a user"
LINE = {"references": LINEARITY_REFERENCES, "rows": LINEARITY_ROWS, "unit": "1", "process_sd": 2.756}
BIAS_READINGS = [5.8, 5.7, 5.9, 5.9, 6.0, 6.1, 6.0, 6.1, 6.4, 6.3, 6.0, 6.1, 6.2, 5.6, 6.0]
# The 50 items of the two appraisers: both yes, yes and no, no and yes, both no.
TWO_APPRAISERS = [
    {"item": f"{first}{second}{i}", "appraiser": who, "rating": word}
    for first, second, n in (("yes", "yes", 20), ("yes", "no", 5), ("no", "yes", 10), ("no", "no", 15))
    for i in range(n)
    for who, word in (("A", first), ("B", second))
]
CHECKS = [
    *(
        published(
            "gauge-bias",
            f"15 readings of 6.00, {what}",
            source="AIAG MSA, 4th edition, bias example",
            status="from memory",
            given={"readings": BIAS_READINGS, "reference": 6.0, "unit": "1"},
            figure=figure,
            expected=expected,
            within=5e-5,
        )
        for what, figure, expected in [
            ("bias", "bias", 0.0067),
            ("bias, from", "low", -0.1107),
            ("bias, to", "high", 0.1241),
            ("standard error", "error", 0.0547),
        ]
    ),
    *(
        published(
            "attribute-agreement",
            f"two appraisers, 50 items, {what}",
            source="Cohen's kappa, encyclopaedia example",
            status="from memory",
            given={"judgements": TWO_APPRAISERS},
            figure=figure,
            expected=expected,
            within=1e-12,
        )
        for what, figure, expected in [
            ("kappa of the two", "pairs.0.kappa", 0.4),
            ("agreement", "all_agree", 0.7),
        ]
    ),
    *(
        published(
            "gauge-linearity",
            f"references 2 to 10, {what}",
            source=MANUAL,
            status="READ",
            given=LINE,
            figure=figure,
            expected=expected,
            within=within,
        )
        for what, figure, expected, within in [
            ("intercept", "intercept", 0.737, 5e-4),
            ("slope", "slope", -0.132, 5e-4),
            ("slope, from", "slope_low", -0.154, 5e-4),
            ("slope, to", "slope_high", -0.110, 5e-4),
            ("t of the slope", "slope_t", -12.04, 5e-3),
            ("t of the intercept", "intercept_t", 10.16, 5e-3),
            ("R²", "r2", 0.7143, 5e-5),
            ("residual standard deviation", "s", 0.240, 5e-4),
            ("linearity", "linearity", 2.177, 5e-4),
            ("mean bias", "bias", -0.0533, 5e-5),
            ("bias at 2", "at.0.bias", 0.492, 5e-4),
            ("t at 2", "at.0.t", 13.73, 6e-3),
            ("bias at 6", "at.2.bias", 0.025, 5e-4),
            ("p at 6", "at.2.p", 0.667, 5e-4),
            ("bias at 10", "at.4.bias", -0.617, 5e-4),
        ]
    ),
    published(
        "cohen-kappa",
        "two appraisers, 20, 5, 10, 15",
        source="Cohen's kappa, encyclopaedia example; COMPUTED with statsmodels",
        status="from memory",
        given={"counts": [[20, 5], [10, 15]]},
        figure="kappa",
        expected=0.4,
        within=1e-12,
    ),
    published(
        "fleiss-kappa",
        "10 subjects, 14 raters, 5 categories",
        source="Fleiss' kappa, encyclopaedia example; COMPUTED with statsmodels",
        status="from memory",
        given={"counts": FLEISS_COUNTS},
        figure="kappa",
        expected=0.20993,
        within=5e-6,
    ),
]


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_published_values_come_out(check):
    check.holds()


# ---- bias ------------------------------------------------------------------------------------------------------------


def test_a_bias_is_that_of_a_t_test():
    x = np.array([5.8, 5.7, 5.9, 5.9, 6.0, 6.1, 6.0, 6.1, 6.4, 6.3])
    found, wanted = bias_of(x - 6.0), stats.ttest_1samp(x, 6.0)
    assert (found.t, found.p) == pytest.approx((wanted.statistic, wanted.pvalue))
    interval = wanted.confidence_interval(0.95)
    assert (found.low + 6, found.high + 6) == pytest.approx((interval.low, interval.high))


def test_a_bias_too_high_is_positive_and_said_so():
    result = bias(BiasInputs(readings=(10.1, 10.12, 10.11, 10.09), reference=10.0))
    assert result.bias == pytest.approx(0.105) and result.told and "too high" in result.sentence
    assert "too low" in bias(BiasInputs(readings=(9.9, 9.91, 9.89), reference=10.0)).sentence


def test_the_doubt_of_the_reference_widens_the_interval():
    readings = (10.1, 10.12, 10.11, 10.09)
    sure = bias(BiasInputs(readings=readings, reference=10.0))
    doubtful = bias(BiasInputs(readings=readings, reference=10.0, reference_uncertainty=0.2))
    half = (sure.high - sure.low) / 2
    assert (doubtful.high - doubtful.low) / 2 == pytest.approx(sqrt(half**2 + 0.04)) and not doubtful.told
    assert doubtful.sentence.startswith("No bias is shown")


def test_equal_readings_have_a_bias_but_no_test():
    result = bias(BiasInputs(readings=(10.1, 10.1, 10.1), reference=10.0, tolerance=1.0))
    assert result.t is None and result.sd == 0.0 and "same" in result.sentence
    assert result.of_tolerance == pytest.approx(0.1)


# ---- linearity -------------------------------------------------------------------------------------------------------


def test_the_line_is_that_of_scipy():
    x = np.repeat(LINEARITY_REFERENCES, 12)
    y = np.ravel(LINEARITY_ROWS)
    found, wanted = linearity_of(x, y), stats.linregress(x, y - x)
    assert found.slope.value == pytest.approx(wanted.slope) and found.intercept.value == pytest.approx(wanted.intercept)
    assert found.slope.p == pytest.approx(wanted.pvalue, rel=1e-6, abs=1e-300)
    assert found.slope.error == pytest.approx(wanted.stderr)
    assert found.intercept.error == pytest.approx(wanted.intercept_stderr)


def test_rows_and_lists_say_the_same():
    by_row = linearity(LinearityInputs(references=LINEARITY_REFERENCES, rows=LINEARITY_ROWS))
    references = tuple(float(v) for v in np.repeat(LINEARITY_REFERENCES, 12))
    readings = tuple(float(v) for v in np.ravel(LINEARITY_ROWS))
    assert linearity(LinearityInputs(references=references, readings=readings)) == by_row
    assert "falls along the range" in by_row.sentence and not by_row.linear


@pytest.mark.parametrize(("off", "words"), [(0.0, "Neither a bias"), (0.5, "too high along the whole range")])
def test_a_gauge_whose_bias_stays_the_same_is_linear(off, words):
    rng = np.random.default_rng(1)
    rows = tuple(tuple(float(v) for v in r + off + rng.normal(0, 0.01, 6)) for r in (10.0, 20.0, 30.0))
    result = linearity(LinearityInputs(references=(10.0, 20.0, 30.0), rows=rows))
    assert words in result.sentence and result.linear


def test_readings_on_a_line_leave_nothing_and_divide_by_nothing():
    result = linearity(LinearityInputs(references=(1.0, 2.0, 3.0), rows=((1.1, 1.1), (2.2, 2.2), (3.3, 3.3))))
    assert result.s == 0.0 and result.slope_t is None and result.r2 == pytest.approx(1.0)
    flat = linearity(LinearityInputs(references=(1.0, 2.0, 3.0), rows=((1.0,), (2.0,), (3.0,))))
    assert flat.r2 is None and flat.slope == 0.0 and flat.at == ()


# ---- agreement -------------------------------------------------------------------------------------------------------


def test_the_error_of_cohens_kappa_is_that_of_drawn_tables():
    p = np.array([[0.4, 0.1], [0.2, 0.3]])
    drawn = np.random.default_rng(2).multinomial(200, p.ravel(), 4000).reshape(-1, 2, 2)
    spread = np.std([cohen(table).value for table in drawn])
    assert cohen(200 * p).error == pytest.approx(spread, rel=0.05)


def test_the_interval_of_fleiss_kappa_holds_the_true_one_as_often_as_it_says():
    rng, held = np.random.default_rng(3), 0
    # Items are good or bad with one half; each of 4 appraisers errs in 15 %: kappa is 0.7² = 0.49.
    for _ in range(300):
        good = rng.random(50) < 0.5
        passed = rng.binomial(4, np.where(good, 0.85, 0.15))
        found = fleiss(np.stack([passed, 4 - passed], axis=1))
        held += found.low <= 0.49 <= found.high
    assert held / 300 == pytest.approx(0.95, abs=0.035)


def judgements(*rows, references=None):
    return tuple(
        Judgement(str(item), "AB"[person], word, references[item] if references else "")
        for item, row in enumerate(rows)
        for person, words in enumerate(row)
        for word in words
    )


def test_agreement_is_counted_with_self_with_others_and_with_the_right_one():
    rows = ((("p", "p"), ("p", "p")), (("p", "f"), ("f", "f")), (("f", "f"), ("f", "f")), (("p", "p"), ("f", "f")))
    result = agreement(AgreementInputs(judgements=judgements(*rows, references=["p", "f", "f", "p"])))
    first, second = result.by_appraiser
    assert (first.with_self, second.with_self) == (0.75, 1.0)
    assert (first.with_reference, second.with_reference) == (0.75, 0.75)
    assert (result.all_agree, result.all_right) == (0.5, 0.5)
    wanted = stats.binomtest(2, 4).proportion_ci(0.95, "exact")
    assert (result.all_agree_low, result.all_agree_high) == pytest.approx((wanted.low, wanted.high))
    assert result.pairs[0].agreement == 5 / 8 and result.repeats == 2


def test_kappa_of_two_judgements_each_is_that_of_its_counts():
    rows = ((("p",), ("p",)), (("p",), ("f",)), (("f",), ("f",)))
    result = agreement(AgreementInputs(judgements=judgements(*rows)))
    assert result.fleiss_kappa == pytest.approx(fleiss(np.array([[2, 0], [1, 1], [0, 2]])).value)
    assert result.by_appraiser[0].with_self is None and result.all_right is None


def test_one_word_only_leaves_kappa_undefined_and_says_so():
    assert cohen_kappa(KappaInputs(counts=((9.0, 0.0), (0.0, 0.0)))).kappa is None
    assert "not defined" in fleiss_kappa(FleissInputs(counts=((3.0, 0.0), (3.0, 0.0)))).sentence
    same = agreement(AgreementInputs(judgements=judgements((("p",), ("p",)), (("p",), ("p",)))))
    assert same.all_agree == 1.0 and same.fleiss_kappa is None and "not defined" in same.sentence


def test_complete_disagreement_is_below_chance():
    assert cohen_kappa(KappaInputs(counts=((0.0, 5.0), (5.0, 0.0)))).kappa == -1.0


def test_one_appraiser_who_judges_once_cannot_agree():
    alone = tuple(Judgement(str(i), "A", "p", "p") for i in range(3))
    result = agreement(AgreementInputs(judgements=alone))
    assert result.fleiss_kappa is None and result.all_right == 1.0 and result.sentence.endswith("3\u00a0items.")


@pytest.mark.parametrize(
    ("calculate", "inputs", "where"),
    [
        (linearity, LinearityInputs(references=(1.0, 2.0)), ("/rows", "missing")),
        (linearity, LinearityInputs(references=(1.0, 2.0), rows=((1.0,),)), ("/rows", "unequal")),
        (linearity, LinearityInputs(references=(1.0, 2.0), readings=(1.0,)), ("/readings", "unequal")),
        (
            linearity,
            LinearityInputs(references=(1.0,), rows=((1.0,),), readings=(1.0,)),
            ("/readings", "both-given"),
        ),
        (
            agreement,
            AgreementInputs(judgements=(Judgement("1", "A", "p"), Judgement("1", "B", ""))),
            ("/judgements/1/rating", "missing"),
        ),
        (
            agreement,
            AgreementInputs(judgements=(Judgement("1", "A", "p"), Judgement("2", "B", "p"))),
            ("/judgements", "not-balanced"),
        ),
        (
            agreement,
            AgreementInputs(judgements=(Judgement("1", "A", "p", "p"), Judgement("1", "B", "p", "f"))),
            ("/judgements/1/reference", "two-references"),
        ),
        (
            agreement,
            AgreementInputs(judgements=(Judgement("1", "A", "p", "p"), Judgement("2", "A", "p"))),
            ("/judgements/1/reference", "missing"),
        ),
    ],
)
def test_what_does_not_fit_is_refused_at_its_place(calculate, inputs, where):
    with pytest.raises(Refused) as caught:
        calculate(inputs)
    assert (caught.value.problems[0].path, caught.value.code) == where


def test_bad_figures_are_refused_by_name():
    for call, code in [
        (lambda: bias_of(np.array([1.0])), "too-few"),
        (lambda: bias_of(np.array([1.0, 2.0]), None, 0.0), "bad-share"),
        (lambda: linearity_of(np.ones(4), np.ones(4)), "one-reference"),
        (lambda: linearity_of(np.ones(2), np.ones(2)), "too-few"),
        (lambda: linearity_of(np.ones(3), np.ones(2)), "unequal"),
        (lambda: cohen(np.ones((2, 3))), "not-square"),
        (lambda: cohen(np.zeros((2, 2))), "no-items"),
        (lambda: cohen(np.full((2, 2), 0.5)), "bad-counts"),
        (lambda: fleiss(np.array([[2, 0], [1, 0]])), "unequal-judgements"),
        (lambda: fleiss(np.array([[1, 0], [0, 1]])), "too-few"),
        (lambda: fleiss(np.array([[2, 0]]), 1.0), "bad-share"),
    ]:
        with pytest.raises(InputError) as caught:
            call()
        assert caught.value.code == code
