"""Crossed gauge studies against published examples, closed forms and simulation."""

from math import sqrt

import numpy as np
import pytest
from scipy import stats

from metrology.calculations.gauge_study import EXAMPLE_ROWS, GaugeInputs, GaugeReading, gauge_plot, gauge_study
from metrology.calculations.problems import Refused
from metrology.errors import InputError
from metrology.statistics.gauge import (
    anova_study,
    average_range_study,
    of_tolerance,
    short_range_study,
    whole_categories,
)
from metrology.statistics.gauge_intervals import intervals
from tests.metrology.gauge_data import AIAG, OPERATORS, PROTOTYPES, as_readings, as_rows
from tests.published import published

SIX_SIGMA = "R SixSigma 0.11.1, ss.data.rr and its test of ss.rr"
GIVEN = {"readings": as_readings(PROTOTYPES), "unit": "1"}
SOURCES = ("part", "appraiser", "interaction", "repeatability", "total")
AIAG_ANOVA = [("EV", "ev", 0.199933), ("AV", "av", 0.226838), ("GRR", "grr", 0.302373), ("PV", "pv", 1.042327)]
AIAG_RANGE = [("EV", "ev", 0.20188), ("AV", "av", 0.22963), ("GRR", "grr", 0.30575), ("PV", "pv", 1.10456),
              ("TV", "tv", 1.14610), ("%GRR", "grr_of_variation", 0.2668)]  # fmt: skip
CHECKS = [
    *(
        published(
            "gauge-study",
            f"prototypes, SS of {name}",
            source=SIX_SIGMA,
            status="READ",
            given=GIVEN,
            figure=f"anova.{i}.ss",
            expected=expected,
            within=5e-5,
        )
        for i, (name, expected) in enumerate(zip(SOURCES, (1.2007, 0.0529, 0.0834, 0.3854, 1.7225), strict=True))
    ),
    *(
        published(
            "gauge-study",
            f"prototypes, {column.upper()} of {name} with the interaction",
            source=SIX_SIGMA,
            status="READ",
            given=GIVEN,
            figure=f"anova.{i}.{column}",
            expected=expected,
            within=within,
        )
        for column, within, values in [
            ("f", 5e-4, (28.797, 1.27, 0.974)),
            ("p", 5e-6, (0.00422, 0.37415, 0.44619)),
        ]
        for i, (name, expected) in enumerate(zip(SOURCES, values, strict=False))
    ),
    *(
        published(
            "gauge-study",
            f"prototypes, {what}, interaction pooled",
            source=SIX_SIGMA,
            status="READ",
            given=GIVEN,
            figure=figure,
            expected=expected,
            within=within,
        )
        for what, figure, expected, within in [
            ("SS of error", "anova_pooled.2.ss", 0.4688, 5e-5),
            ("GRR", "grr", 0.14792656, 5e-9),
            ("EV", "ev", 0.14597518, 5e-9),
            ("AV", "av", 0.02394813, 5e-9),
            ("PV", "pv", 0.25365123, 5e-9),
            ("TV", "tv", 0.29363449, 5e-9),
            ("%GRR of variation", "grr_of_variation", 0.5038, 5e-5),
            ("%EV of variation", "components.1.of_variation", 0.4971, 5e-5),
            ("%AV of variation", "components.2.of_variation", 0.0816, 5e-5),
            ("%PV of variation", "components.4.of_variation", 0.8638, 5e-5),
            ("ndc", "ndc", 2, 0),
        ]
    ),
    *(
        published(
            "gauge-study",
            f"10 parts, 3 appraisers, 3 trials, {what} by {method}",
            source="AIAG MSA, 4th edition, worked example",
            status="from memory",
            given={"rows": as_rows(AIAG), "unit": "1", "method": method},
            figure=figure,
            expected=expected,
            within=within,
        )
        for method, rows, within in [("anova", AIAG_ANOVA, 5e-6), ("average-range", AIAG_RANGE, 2e-4)]
        for what, figure, expected in [*rows, ("ndc", "ndc", 4 if method == "anova" else 5)]
    ),
    *(
        published(
            "gauge-study",
            f"5 parts, 3 operators, {what}, interaction not pooled",
            source="documentation of the Python package GageRnR",
            status="READ",
            given={"rows": as_rows(OPERATORS), "unit": "1", "interaction": "kept"},
            figure=figure,
            expected=expected,
            within=5e-4,
        )
        for what, figure, expected in [
            ("SS of operators", "anova.1.ss", 1.63),
            ("SS of parts", "anova.0.ss", 28.909),
            ("SS of interaction", "anova.2.ss", 0.065),
            ("SS of measurement", "anova.3.ss", 1.712),
            ("F of operators", "anova.1.f", 100.322),
            ("F of parts", "anova.0.f", 889.458),
            ("variance of operators", "components.3.variance", 0.054),
            ("variance of parts", "components.5.variance", 0.802),
            ("variance of the interaction, negative", "components.4.variance", 0.0),
        ]
    ),
]


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_published_values_come_out(check):
    check.holds()


# ---- second routes ---------------------------------------------------------------------------------------------------


def random_study(rng, parts=10, appraisers=3, repeats=3, sd=(1.0, 0.3, 0.2, 0.4)):
    p, a, c, e = sd
    return (
        rng.normal(0, p, (parts, 1, 1))
        + rng.normal(0, a, (1, appraisers, 1))
        + rng.normal(0, c, (parts, appraisers, 1))
        + rng.normal(0, e, (parts, appraisers, repeats))
    )


def test_components_are_those_of_many_simulated_studies():
    rng = np.random.default_rng(1)
    found = np.array(
        [
            (c.part, c.appraiser, c.interaction, c.repeatability)
            for c in (
                anova_study(random_study(rng, 20, 8, 2, (1.0, 0.8, 0.6, 0.4)), None).components for _ in range(600)
            )
        ]
    )
    assert found.mean(axis=0) == pytest.approx([1.0, 0.64, 0.36, 0.16], rel=0.07)


def test_ranges_and_anova_agree_on_large_studies():
    x = random_study(np.random.default_rng(2), 60, 3, 4, (1.0, 0.5, 0.0, 0.2))
    by_anova, by_range = anova_study(x).components, average_range_study(x).components
    assert by_range.repeatability == pytest.approx(by_anova.repeatability, rel=0.05)


def test_the_interval_of_repeatability_is_that_of_chi_square():
    study = anova_study(AIAG, None)
    ms, dof = study.table[3].ms, study.table[3].dof
    wanted = np.sqrt(dof * ms / stats.chi2.ppf([0.975, 0.025], dof))
    found = intervals(study).repeatability
    assert (found.low, found.high) == pytest.approx(tuple(wanted), rel=2e-3)


def test_the_interval_of_the_gauge_is_near_that_by_modified_large_samples():
    # Burdick, Borror and Montgomery's closed form for a sum of mean squares with coefficients above zero (from memory).
    study = anova_study(random_study(np.random.default_rng(3), 10, 5, 3), None)
    p, a, r = study.shape
    rows = {row.name: row for row in study.table}
    weight = {"appraiser": 1 / (p * r), "interaction": (p - 1) / (p * r), "repeatability": (r - 1) / r}
    centre = sum(w * rows[name].ms for name, w in weight.items())
    low = sum(((1 - rows[n].dof / stats.chi2.ppf(0.975, rows[n].dof)) * w * rows[n].ms) ** 2 for n, w in weight.items())
    high = sum(
        ((rows[n].dof / stats.chi2.ppf(0.025, rows[n].dof) - 1) * w * rows[n].ms) ** 2 for n, w in weight.items()
    )
    found = intervals(study).grr
    assert found.low == pytest.approx(sqrt(centre - sqrt(low)), rel=0.06)
    assert found.high == pytest.approx(sqrt(centre + sqrt(high)), rel=0.06)


def test_intervals_hold_the_true_gauge_as_often_as_they_say():
    rng, truth = np.random.default_rng(4), sqrt(0.3**2 + 0.2**2 + 0.4**2)
    share = truth / sqrt(truth**2 + 1)
    held = np.zeros(2)
    for _ in range(400):
        found = intervals(anova_study(random_study(rng), None))
        held += found.grr.low <= truth <= found.grr.high, found.grr_of_total.low <= share <= found.grr_of_total.high
    assert held / 400 == pytest.approx([0.95, 0.95], abs=0.03)


def test_the_short_way_is_the_mean_range_over_its_constant():
    # AIAG MSA (from memory): d2* of 5 ranges of 2 is 1.19105.
    x = np.array([[0.85, 0.80], [0.75, 0.70], [1.00, 0.95], [0.45, 0.55], [0.50, 0.60]])[:, :, None]
    assert sqrt(short_range_study(x).components.grr) == pytest.approx(0.07 / 1.19105, rel=1e-5)


# ---- what decides ----------------------------------------------------------------------------------------------------


def test_pooling_follows_the_stated_level_and_is_said():
    pooled = gauge_study(GaugeInputs(rows=tuple(map(tuple, as_rows(AIAG)))))
    apart = gauge_study(GaugeInputs(rows=tuple(map(tuple, as_rows(AIAG))), pooling_level=0.99))
    never = gauge_study(GaugeInputs(rows=tuple(map(tuple, as_rows(AIAG))), interaction="kept"))
    assert pooled.pooled and not apart.pooled and not never.pooled
    assert pooled.anova[2].p == pytest.approx(0.974, abs=5e-4) and "pooled" in pooled.notes
    always = gauge_study(GaugeInputs(rows=tuple(map(tuple, as_rows(OPERATORS))), interaction="pooled"))
    assert always.pooled and always.notes.startswith("The interaction is pooled.")
    assert pooled.ev != pytest.approx(apart.ev, rel=1e-3) and apart.ev == never.ev


def test_a_negative_component_is_set_to_nothing_and_said():
    result = gauge_study(GaugeInputs(rows=tuple(map(tuple, as_rows(OPERATORS))), interaction="kept"))
    assert "interaction came out negative" in result.notes
    assert min(row.variance for row in result.components) == 0.0


def test_both_doors_take_the_same_readings():
    by_row = gauge_study(GaugeInputs(rows=tuple(map(tuple, as_rows(AIAG)))))
    rows = tuple(GaugeReading(**one) for one in as_readings(AIAG))
    shuffled = tuple(sorted(rows, key=lambda one: one.value))
    assert gauge_study(GaugeInputs(readings=rows)).grr == by_row.grr
    assert gauge_study(GaugeInputs(readings=shuffled)).grr == pytest.approx(by_row.grr, rel=1e-12)


@pytest.mark.parametrize(
    ("limits", "tolerance"),
    [
        ({"lower": 11.9, "upper": 13.1}, 1.2),
        ({"tolerance": 1.2}, 1.2),
        ({"upper": 13.1, "nominal": 12.5}, 1.2),
        ({"lower": 11.9, "nominal": 12.5}, 1.2),
        ({"upper": 13.1}, None),
        ({}, None),
    ],
)
def test_the_tolerance_comes_from_limits_or_is_given(limits, tolerance):
    result = gauge_study(GaugeInputs(rows=EXAMPLE_ROWS, repeats=2, **limits))
    assert result.tolerance == (None if tolerance is None else pytest.approx(tolerance))
    if tolerance:
        assert result.grr_of_tolerance == pytest.approx(6 * result.grr / 1.2)
        assert result.grr_of_tolerance_low < result.grr_of_tolerance < result.grr_of_tolerance_high
    else:
        assert "by variation" in result.sentence


@pytest.mark.parametrize(("tolerance", "word"), [(6.0, "fit"), (2.0, "marginal"), (0.5, "unfit")])
def test_a_gauge_is_fit_marginal_or_unfit_for_a_tolerance(tolerance, word):
    result = gauge_study(GaugeInputs(rows=tuple(map(tuple, as_rows(AIAG / 6))), tolerance=tolerance))
    assert result.verdict == word and f"is {word} for this tolerance" in result.sentence


def test_a_share_on_the_border_gets_the_better_word():
    from metrology.calculations.gauge_study_words import judged

    assert judged(0.1 + 1e-16, 0.1, 0.3) == "fit" and judged(0.3, 0.1, 0.3) == "marginal"


def test_a_known_process_replaces_the_variation_of_the_parts():
    result = gauge_study(GaugeInputs(rows=tuple(map(tuple, as_rows(AIAG))), process_sd=2.0))
    assert result.grr_of_variation == pytest.approx(result.grr / 2.0) and result.tv == 2.0
    assert result.pv == pytest.approx(sqrt(4 - result.grr**2)) and result.grr_of_variation_low is None


@pytest.mark.parametrize(("ndc", "whole"), [(4.99, 4), (5.0, 5), (0.3, 1), (None, None)])
def test_categories_are_cut_and_at_least_one(ndc, whole):
    assert whole_categories(ndc) == whole


def test_the_plots_have_a_line_for_each_appraiser():
    inputs = GaugeInputs(rows=EXAMPLE_ROWS, repeats=2, lower=11.9, upper=13.1)
    for plot in gauge_plot(inputs, gauge_study(inputs)):
        assert [one.label for one in plot.series if one.label] == ["A", "B", "C"] and plot.x.names == tuple("12345")


def test_differences_are_drawn_from_the_mean_of_each_part():
    inputs = GaugeInputs(rows=((1.0, 1.2, 1.4), (5.0, 5.0, 5.6)), repeats=1)
    difference, readings = gauge_plot(inputs, gauge_study(inputs))
    assert difference.series[0].y == pytest.approx((-0.2, -0.2)) and readings.series[0].y == (1.0, 5.0)


def test_parts_that_differ_a_thousandfold_are_not_drawn_flat():
    inputs = GaugeInputs(rows=((100.0, 100.1), (900.0, 900.1)), repeats=2)
    assert [plot.y.label for plot in gauge_plot(inputs, gauge_study(inputs))] == ["difference"]


# ---- degenerate input ------------------------------------------------------------------------------------------------


def test_one_appraiser_has_repeatability_alone():
    result = gauge_study(GaugeInputs(rows=tuple(map(tuple, as_rows(AIAG[:, :1]))), tolerance=10.0))
    one_way = stats.f_oneway(*AIAG[:, 0])
    assert result.av == 0 and "One appraiser" in result.notes and result.ev == result.grr
    assert result.anova[0].f == pytest.approx(one_way.statistic) and result.anova[0].p == pytest.approx(one_way.pvalue)


def test_one_part_has_no_variation_of_parts():
    result = gauge_study(GaugeInputs(rows=tuple(map(tuple, as_rows(AIAG[:1]))), tolerance=10.0))
    assert result.grr_of_variation is None and result.ndc is None and result.pv == 0 and result.verdict
    alone = gauge_study(GaugeInputs(rows=tuple(map(tuple, as_rows(AIAG[:1])))))
    assert alone.verdict is None and "Give the tolerance" in alone.sentence


def test_one_reading_each_counts_the_interaction_as_repeatability():
    x = AIAG[:, :, :1]
    result = gauge_study(GaugeInputs(rows=tuple(map(tuple, as_rows(x))), repeats=1))
    assert "one reading each" in result.notes and result.pooled
    residual = x[:, :, 0] - x[:, :, 0].mean(0) - x[:, :, 0].mean(1)[:, None] + x.mean()
    assert result.ev == pytest.approx(sqrt(np.sum(residual**2) / 18))


@pytest.mark.parametrize("method", ["anova", "average-range"])
@pytest.mark.parametrize("value", [600.3, 0.1])
def test_readings_without_any_spread_are_no_proof_of_a_good_gauge(method, value):
    rows = ((value,) * 6,) * 4
    result = gauge_study(GaugeInputs(rows=rows, tolerance=1.0, method=method))
    assert (result.grr, result.pv, result.ndc, result.grr_of_variation) == (0.0, 0.0, None, None)
    assert "no spread" in result.sentence and result.grr_of_tolerance == 0.0


def test_parts_that_differ_read_alike_leave_the_gauge_without_spread():
    rows = tuple((float(i) + 0.1,) * 6 for i in range(4))
    result = gauge_study(GaugeInputs(rows=rows, tolerance=10.0))
    assert result.grr == 0 and result.grr_of_variation == 0.0 and result.ndc is None and result.pv > 0


@pytest.mark.parametrize(
    ("inputs", "where"),
    [
        ({}, ("/readings", "missing")),
        ({"rows": ((1.0, 2.0, 3.0, 4.0),), "repeats": 3}, ("/repeats", "unequal")),
        ({"rows": ((1.0,),), "readings": (GaugeReading("1", "A", 1.0),)}, ("/rows", "both-given")),
        (
            {"readings": (GaugeReading("1", "A", 1.0), GaugeReading("1", "A", 1.1), GaugeReading("2", "A", 2.0))},
            ("/readings", "not-balanced"),
        ),
        ({"rows": EXAMPLE_ROWS, "repeats": 2, "lower": 2.0, "upper": 2.0}, ("/upper", "limits-swapped")),
        ({"rows": EXAMPLE_ROWS, "repeats": 2, "upper": 2.0, "nominal": 2.0}, ("/nominal", "no-tolerance")),
        ({"rows": EXAMPLE_ROWS, "repeats": 2, "lower": 2.0, "nominal": 1.0}, ("/nominal", "no-tolerance")),
        ({"rows": EXAMPLE_ROWS, "repeats": 2, "upper": 2.0, "tolerance": 1.0}, ("/tolerance", "both-given")),
    ],
)
def test_what_does_not_fit_is_refused_at_its_place(inputs, where):
    with pytest.raises(Refused) as caught:
        gauge_study(GaugeInputs(**inputs))
    assert (caught.value.problems[0].path, caught.value.code) == where


def test_bad_figures_are_refused_by_name():
    for call, code in [
        (lambda: anova_study(np.ones((2, 2))), "bad-shape"),
        (lambda: anova_study(np.ones((5, 1, 1))), "too-few"),
        (lambda: anova_study(AIAG, 1.5), "bad-share"),
        (lambda: average_range_study(AIAG[:, :, :1]), "one-reading"),
        (lambda: short_range_study(AIAG), "not-once"),
        (lambda: of_tolerance(1.0, 0.0), "no-tolerance"),
        (lambda: intervals(anova_study(AIAG), 1.0), "bad-share"),
    ]:
        with pytest.raises(InputError) as caught:
            call()
        assert caught.value.code == code
