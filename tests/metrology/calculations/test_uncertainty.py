"""Uncertainty budgets and simulation.

GUM H.1 (end gauge): inputs READ in the example of the R package metRology, the GUM's own printed figures from memory.
Its effective degrees of freedom are printed from rounded terms, so 16.6 to 17.5 is accepted.
"""

from dataclasses import replace
from math import inf, isclose, sqrt

import numpy as np
import pytest
from scipy import stats

from metrology.amounts.expressions import parse
from metrology.calculations.problems import Refused
from metrology.calculations.running import plain
from metrology.calculations.uncertainty import EXAMPLE, BudgetInputs, CorrelationRow, InputRow, budget
from metrology.calculations.uncertainty_simulation import SimulationInputs, simulation
from metrology.errors import InputError
from metrology.statistics.uncertainty import (
    Shape,
    combine,
    coverage_factor,
    from_readings,
    numerical_tolerance,
    shortest_interval,
    simulate,
)
from tests.published import published

H1 = plain(EXAMPLE)
H1_SOURCE = "JCGM 100:2008 H.1, inputs READ in R metRology GUM.H.1; GTC 1.5.1 gives u 31.664, dof 16.75"
H2 = {
    "unit": "1",
    "inputs": [
        {"name": "V", "estimate": 4.9990, "width": 0.0032},
        {"name": "I", "estimate": 0.019661, "width": 0.0000095},
        {"name": "phi", "estimate": 1.04446, "width": 0.00075},
    ],
    "correlations": [
        {"first": "V", "second": "I", "coefficient": -0.36},
        {"first": "V", "second": "phi", "coefficient": 0.86},
        {"first": "I", "second": "phi", "coefficient": -0.65},
    ],
}
H2_SOURCE = "JCGM 100:2008 H.2, table H.4 (r as printed, two digits)"


def four(widths, kind="rectangular"):
    rows = [
        {"name": f"x{i}", "estimate": 0, "given_as": kind, "width": w * (sqrt(3) if kind == "rectangular" else 1)}
        for i, w in enumerate(widths)
    ]
    return {"formula": "x0+x1+x2+x3", "inputs": rows, "digits": 2}


S1 = "JCGM 101:2008, 9.2: sum of four inputs"
CHECKS = [
    *(
        published(
            "uncertainty-budget",
            f"GUM H.1 end gauge, {what}",
            source=H1_SOURCE,
            status=status,
            given=H1,
            figure=figure,
            expected=expected,
            within=within,
        )
        for what, figure, expected, within, status in [
            ("length in nm", "value", 50_000_838.0, 0.5, "READ"),
            ("u(l) in nm", "standard_uncertainty", 31.71, 0.1, "READ"),
            ("effective degrees of freedom", "dof", 17.05, 0.45, "READ"),
            ("k for 99 %", "k", 2.92, 0.005, "READ"),
            ("U for 99 % in nm", "expanded_uncertainty", 93.0, 1.0, "READ"),
            ("u(l) with second-order terms", "second_order_uncertainty", 34.0, 0.5, "from memory"),
        ]
    ),
    *(
        published(
            "uncertainty-budget",
            f"GUM H.2 correlated inputs, {what}",
            source=H2_SOURCE,
            status="from memory",
            given=H2 | {"formula": formula},
            figure=figure,
            expected=expected,
            within=within,
        )
        for what, formula, figure, expected, within in [
            ("resistance", "V*cos(phi)/I", "value", 127.732, 0.0005),
            ("u of resistance", "V*cos(phi)/I", "standard_uncertainty", 0.071, 0.0015),
            ("reactance", "V*sin(phi)/I", "value", 219.847, 0.0005),
            ("u of reactance", "V*sin(phi)/I", "standard_uncertainty", 0.295, 0.0015),
            ("impedance", "V/I", "value", 254.260, 0.0005),
            ("u of impedance", "V/I", "standard_uncertainty", 0.236, 0.0015),
        ]
    ),
    *(
        published(
            "uncertainty-simulation",
            what,
            source=S1,
            status="from memory",
            given=given,
            figure=figure,
            expected=expected,
            within=within,
        )
        for what, given, figure, expected, within in [
            ("four normal inputs, upper end", four([1, 1, 1, 1], "standard"), "high", 3.92, 0.05),
            ("four rectangular inputs, upper end", four([1, 1, 1, 1]), "high", 3.88, 0.03),
            ("four rectangular inputs, u", four([1, 1, 1, 1]), "standard_uncertainty", 2.0, 0.01),
            ("one wide rectangular input, upper end", four([1, 1, 1, 10]), "high", 17.0, 0.15),
            ("one wide rectangular input, the budget is not confirmed", four([1, 1, 1, 10]), "agrees", False, 0),
            ("one wide rectangular input, upper end by the budget", four([1, 1, 1, 10]), "budget_high", 19.9, 0.05),
        ]
    ),
]


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_published_values_come_out(check):
    check.holds()


def rows(*given):
    return tuple(InputRow(name=f"x{i}", **one) for i, one in enumerate(given, start=1))


def make(*given, **more):
    return BudgetInputs(inputs=rows(*given), **more)


def refused(inputs, calculate=budget):
    with pytest.raises(Refused) as caught:
        calculate(inputs)
    (problem,) = caught.value.problems
    return problem.path, caught.value.code


# ---- second routes ---------------------------------------------------------------------------------------------------


def test_small_steps_give_the_slopes_of_exact_derivatives():
    exact, steps = budget(EXAMPLE), budget(replace(EXAMPLE, slopes="steps"))
    for one, two in zip(exact.budget, steps.budget, strict=True):
        assert two.sensitivity == pytest.approx(one.sensitivity, rel=1e-6, abs=1e-6)


def test_type_a_is_the_standard_error_of_scipy():
    readings = [10.1, 10.3, 9.9, 10.2, 10.0]
    mean, u, dof = from_readings(readings)
    assert (mean, dof) == (pytest.approx(np.mean(readings)), 4)
    assert u == pytest.approx(stats.sem(readings), rel=1e-14)


@pytest.mark.parametrize("dof", [1, 2, 7.9, 50, inf])
def test_coverage_factors_are_those_of_student(dof):
    wanted = stats.norm.ppf(0.975) if dof == inf else stats.t.ppf(0.975, int(dof))
    assert coverage_factor(0.95, dof) == pytest.approx(wanted, rel=1e-10)


@pytest.mark.parametrize(("kind", "scipy"), [
    ("rectangular", stats.uniform(-1, 2)), ("triangular", stats.triang(0.5, -1, 2)), ("u-shaped", stats.arcsine(-1, 2)),
])  # fmt: skip
def test_limits_have_the_standard_uncertainty_of_their_distribution(kind, scipy):
    result = budget(make({"estimate": 0.0, "given_as": kind, "width": 1.0}))
    assert result.standard_uncertainty == pytest.approx(scipy.std(), rel=1e-12)
    shape = [Shape(kind, 0.0, 1.0)]
    draws = simulate(parse("x"), ["x"], shape, confidence=0.9, digits=2, seed=3).draws
    assert stats.kstest(draws[::10], scipy.cdf).pvalue > 1e-3


def test_simulation_of_a_linear_normal_sum_gives_the_budget():
    inputs = SimulationInputs(
        formula="2*x1 - x2", inputs=rows({"estimate": 5.0, "width": 0.3}, {"estimate": 1.0, "width": 0.4}), digits=2
    )
    result = simulation(inputs)
    assert result.agrees and result.steady
    assert result.value == pytest.approx(9.0, abs=0.01)
    assert result.standard_uncertainty == pytest.approx(sqrt(0.36 + 0.16), rel=0.01)


def test_simulation_keeps_correlation():
    both = rows({"estimate": 0.0, "width": 1.0}, {"estimate": 0.0, "width": 1.0})
    link = (CorrelationRow(first="x1", second="x2", coefficient=-0.8),)
    inputs = SimulationInputs(formula="x1 + x2", inputs=both, correlations=link, digits=2)
    assert simulation(inputs).standard_uncertainty == pytest.approx(sqrt(2 - 1.6), rel=0.01)
    assert budget(inputs).standard_uncertainty == pytest.approx(sqrt(0.4))


def test_second_order_terms_are_those_of_a_square():
    # x² at 0: slope 0, but u(y) = √2·u² (closed form for a normal input).
    result = budget(make({"estimate": 0.0, "width": 0.5}, formula="x1^2"))
    assert result.standard_uncertainty == 0
    assert result.second_order_uncertainty == pytest.approx(sqrt(2) * 0.25)
    by_draws = simulation(SimulationInputs(formula="x1^2", inputs=rows({"estimate": 0.0, "width": 0.5})))
    assert by_draws.standard_uncertainty == pytest.approx(sqrt(2) * 0.25, rel=0.02)


def test_fully_correlated_inputs_add_up_and_cancel():
    both = [{"estimate": 1.0, "width": 2.0}, {"estimate": 1.0, "width": 2.0}]
    link = (CorrelationRow(first="x1", second="x2", coefficient=1.0),)
    assert budget(make(*both, correlations=link)).standard_uncertainty == pytest.approx(4.0)
    assert budget(make(*both, formula="x1 - x2", correlations=link)).standard_uncertainty == 0


def test_the_shortest_interval_of_a_lopsided_distribution():
    draws = np.sort(np.random.default_rng(5).exponential(size=200_000))
    low, high = shortest_interval(draws, 0.9)
    assert low == pytest.approx(0.0, abs=0.01) and high == pytest.approx(-np.log(0.1), abs=0.03)


@pytest.mark.parametrize(("u", "digits", "wanted"), [
    (0.35, 1, 0.05), (0.35, 2, 0.005), (32.0, 2, 0.5), (9.97, 2, 0.5), (0.0, 2, 0.0), (9.4, 1, 0.5), (9.6, 1, 5.0),
])  # fmt: skip
def test_the_numerical_tolerance_is_half_of_the_last_digit(u, digits, wanted):
    # JCGM 101, 7.9.2 (from memory): u = c × 10^l with so many digits, tolerance 10^l / 2.
    assert numerical_tolerance(u, digits) == pytest.approx(wanted)


def test_welch_and_satterthwaite_lies_between_the_smallest_and_the_sum():
    dof = combine([1, 1], [2.0, 2.0], [4, 9]).dof
    assert 4 < dof < 13 and isclose(dof, 64 / (16 / 4 + 16 / 9))


# ---- what a person is told -------------------------------------------------------------------------------------------


def test_the_sentence_names_what_contributes_most():
    assert budget(EXAMPLE).sentence == (
        "The result is 50000838\u00a0nm ± 93\u00a0nm (99\u00a0%, k = 2.92); "
        "most of it, 62\u00a0% of the variance, comes from ls."
    )


def test_a_given_coverage_factor_is_used():
    result = budget(replace(EXAMPLE, k=2.0))
    assert result.expanded_uncertainty == pytest.approx(2 * result.standard_uncertainty)


def test_the_same_seed_gives_the_same_answer_and_another_one_nearly():
    inputs = SimulationInputs(formula="x1", inputs=rows({"estimate": 0.0, "width": 1.0}), digits=1)
    assert simulation(inputs) == simulation(inputs)
    assert simulation(replace(inputs, seed=2)).high == pytest.approx(simulation(inputs).high, abs=0.1)


# ---- degenerate input ------------------------------------------------------------------------------------------------


def test_without_any_spread_the_answer_is_sure_and_says_that_this_is_odd():
    result = budget(make({"estimate": 3.0, "width": 0.0}))
    assert result.expanded_uncertainty == 0 and result.dof is None and "never so" in result.note
    by_draws = simulation(SimulationInputs(inputs=rows({"estimate": 3.0, "width": 0.0})))
    assert (by_draws.low, by_draws.high, by_draws.agrees) == (3.0, 3.0, True)


def test_equal_readings_have_no_spread():
    result = budget(make({"given_as": "readings", "readings": (5.0, 5.0, 5.0)}))
    assert (result.value, result.standard_uncertainty, result.dof) == (5.0, 0.0, None)


def test_with_correlation_the_smallest_degrees_of_freedom_count():
    both = [{"estimate": 1.0, "width": 2.0, "dof": 4.0}, {"estimate": 1.0, "width": 2.0, "dof": 9.0}]
    link = (CorrelationRow(first="x1", second="x2", coefficient=0.5),)
    result = budget(make(*both, correlations=link))
    assert result.dof == 4.0 and "smallest degrees of freedom" in result.note


def test_a_row_that_the_formula_does_not_use_is_named():
    result = budget(make({"estimate": 1.0, "width": 2.0}, {"estimate": 1.0, "width": 2.0}, formula="3*x1"))
    assert result.note == "Not in the formula: x2." and result.standard_uncertainty == 6.0


def test_two_or_three_readings_are_drawn_normally_and_said_to_be():
    inputs = SimulationInputs(inputs=rows({"given_as": "readings", "readings": (1.0, 2.0, 3.0)}), digits=1)
    assert "for want of degrees of freedom: x1" in simulation(inputs).note


def test_a_formula_with_a_long_tail_is_said_not_to_be_steady():
    inputs = SimulationInputs(formula="1/x1", inputs=rows({"estimate": 0.0, "width": 1.0}), digits=3)
    with pytest.raises(Refused):  # the budget has no value at 0
        simulation(inputs)
    inputs = replace(inputs, inputs=rows({"estimate": 0.001, "width": 1.0}))
    result = simulation(inputs)
    assert not result.steady and "Not steady" in result.note


@pytest.mark.parametrize(
    ("inputs", "where"),
    [
        (make({"given_as": "readings", "readings": (5.0,)}), ("/inputs/0/readings", "one-reading")),
        (make({"width": 1.0}), ("/inputs/0/estimate", "no-estimate")),
        (make({"estimate": 1.0}), ("/inputs/0/width", "no-width")),
        (make({"estimate": 1.0, "width": 1.0, "readings": (1.0, 2.0)}), ("/inputs/0/given_as", "idle-readings")),
        (make({"estimate": 1.0, "width": 1.0}, formula="x1 + z"), ("/formula", "unknown-name")),
        (make({"estimate": 1.0, "width": 1.0}, formula="x1 +"), ("/formula", "bad-formula")),
        (make({"estimate": 0.0, "width": 1.0}, formula="1/x1"), ("/formula", "no-value")),
        (make({"estimate": -1.0, "width": 1.0}, formula="sqrt(x1)"), ("/formula", "no-value")),
        (BudgetInputs(inputs=(InputRow(name="a b", estimate=1.0, width=1.0),)), ("/inputs/0/name", "bad-name")),
        (BudgetInputs(inputs=(InputRow(name="a", estimate=1.0, width=1.0),) * 2), ("/inputs/1/name", "name-twice")),
    ],
)
def test_bad_rows_are_refused_at_their_place(inputs, where):
    assert refused(inputs) == where


@pytest.mark.parametrize(
    ("links", "where"),
    [
        ([("x1", "z", 0.5)], ("/correlations/0/second", "unknown-name")),
        ([("x1", "x1", 0.5)], ("/correlations/0/second", "same-name")),
        ([("x1", "x2", 0.9), ("x2", "x3", 0.9), ("x1", "x3", -0.9)], ("/correlations", "bad-correlation")),
    ],
)
def test_bad_correlations_are_refused_at_their_place(links, where):
    three = rows(*[{"estimate": 1.0, "width": 1.0}] * 3)
    links = tuple(CorrelationRow(first=a, second=b, coefficient=r) for a, b, r in links)
    assert refused(BudgetInputs(inputs=three, correlations=links)) == where


def test_a_confidence_that_needs_endless_draws_is_refused():
    inputs = SimulationInputs(inputs=rows({"estimate": 0.0, "width": 1.0}), confidence=0.9999)
    assert refused(inputs, simulation) == ("/confidence", "too-sure")


def test_correlated_limits_cannot_be_drawn():
    both = rows({"estimate": 0.0, "width": 1.0}, {"estimate": 0.0, "width": 1.0, "given_as": "rectangular"})
    link = (CorrelationRow(first="x1", second="x2", coefficient=0.5),)
    assert refused(SimulationInputs(inputs=both, correlations=link), simulation) == (
        "/inputs/1/given_as",
        "correlated-shape",
    )


def test_less_than_one_degree_of_freedom_gives_no_interval():
    with pytest.raises(InputError):
        coverage_factor(0.95, 0.5)
