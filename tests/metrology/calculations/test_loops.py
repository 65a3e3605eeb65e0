"""Loops of dimensions: in a row, by formula, as vectors.

One-way clutch: 7.0184 degrees after Chase (ADCATS), from memory; its sensitivities, corners and root sum of squares
COMPUTED from the formula. Row of four: arithmetic. Bounds from casts: the one-sided normal tolerance interval.
"""

from dataclasses import replace

import numpy as np
import pytest

from metrology.calculations.loop_parts import percent
from metrology.calculations.loops import (
    FormulaInputs,
    FormulaRow,
    LinearInputs,
    LinearRow,
    VectorInputs,
    VectorRow,
    formula_loop,
    linear_loop,
    vector_loop,
)
from metrology.calculations.problems import Refused
from metrology.calculations.registry import find
from metrology.closure.loop_chance import GapLimits, closing_chance, factor_to_reach, normal_chance, remedies
from metrology.closure.loop_formula import FormulaLoop
from metrology.closure.loops import Contributor, LinearLoop
from metrology.statistics.tolerance_interval import share_below
from tests.published import published

CLUTCH = {
    "formula": "deg(acos((a + c)/(e - c)))",
    "unit": "°",
    "assemblies": 400_000,
    "rows": [
        {"name": "a", "nominal": 27.645, "tolerance": 0.0125},
        {"name": "c", "nominal": 11.43, "tolerance": 0.01},
        {"name": "e", "nominal": 50.8, "tolerance": 0.0125},
    ],
}
IN_RADIANS = CLUTCH | {"formula": "acos((a + c)/(e - c))", "unit": "rad"}
STACK = {
    "rows": [
        {"name": name, "nominal": 10.0, "tolerance": tolerance, "coefficient": sign}
        for name, tolerance, sign in [("A", 0.1, 1.0), ("B", 0.05, -1.0), ("C", 0.08, -1.0), ("D", 0.02, 1.0)]
    ]
}

CHECKS = [
    *(
        published(
            "formula-loop",
            f"one-way clutch, {what}",
            source="Chase, ADCATS one-way clutch (angle); computed from the formula (the rest)",
            status=status,
            given=given,
            figure=figure,
            expected=expected,
            within=within,
        )
        for what, given, figure, expected, within, status in [
            ("contact angle in degrees", CLUTCH, "nominal", 7.0183898, 1e-6, "from memory"),
            ("sensitivity to the hub, rad/mm", IN_RADIANS, "rows.0.sensitivity", -0.20787696, 1e-7, "COMPUTED"),
            ("sensitivity to the roller, rad/mm", IN_RADIANS, "rows.1.sensitivity", -0.4141963, 1e-7, "COMPUTED"),
            ("sensitivity to the cage, rad/mm", IN_RADIANS, "rows.2.sensitivity", 0.20631934, 1e-7, "COMPUTED"),
            ("the same by small steps", IN_RADIANS, "rows.1.by_steps", -0.4141963, 1e-6, "COMPUTED"),
            ("worst case by sensitivities", CLUTCH, "worst", 0.5339632, 1e-6, "COMPUTED"),
            ("true least angle", CLUTCH, "least", 6.4621834, 1e-6, "COMPUTED"),
            ("true largest angle", CLUTCH, "most", 7.5332639, 1e-6, "COMPUTED"),
            ("root sum of squares", CLUTCH, "rss", 0.3167325, 1e-6, "COMPUTED"),
            ("standard deviation simulated", CLUTCH, "simulated_sd", 0.3167 / 3, 0.001 / 3, "COMPUTED"),
        ]
    ),
    *(
        published(
            "linear-loop",
            f"row of four, {what}",
            source="arithmetic: Σ t and √Σ t²",
            status="definition",
            given=STACK,
            figure=figure,
            expected=expected,
            within=1e-7,
        )
        for what, figure, expected in [
            ("worst case", "worst", 0.25),
            ("worst case from", "least", -0.25),
            ("root sum of squares", "rss", 0.13892444),
        ]
    ),
    published(
        "linear-loop",
        "one dimension of ±3 standard deviations in its own limits",
        source="normal distribution: 99.73 % within ±3 σ",
        status="definition",
        given={"rows": [{"name": "A", "nominal": 5, "tolerance": 0.3}], "gap_lower": 4.7, "gap_upper": 5.3},
        figure="chance_normal",
        expected=0.9973002,
        within=1e-7,
    ),
]

# Sides 300, 400 and 500 mm of a right-angled triangle, head to tail; cos of the last bearing is −0.6.
RIGHT_ANGLE = {
    "rows": [
        {"name": "a", "length": 300, "length_tolerance": 0.5, "bearing": 0},
        {"name": "b", "length": 400, "length_tolerance": 0.5, "bearing": 90},
        {"name": "c", "length": 500, "length_tolerance": 0.5, "bearing": 180 + 53.13010235415598},
    ]
}
CHECKS += [
    published(
        "vector-loop",
        f"triangle of 3, 4 and 5, {what}",
        source="plane trigonometry",
        status="definition",
        given=RIGHT_ANGLE,
        figure=figure,
        expected=expected,
        within=1e-9,
    )
    for what, figure, expected in [
        ("closing gap", "nominal", 0.0),
        ("worst case ±", "worst", 0.8),
        ("root sum of squares ±", "rss", 0.5 * 1.36**0.5),
        ("sensitivity to the bearing of the long side, mm/°", "rows.5.sensitivity", 400 * 3.141592653589793 / 180),
    ]
]


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_published_values_come_out(check):
    check.holds()


def row(name="A", nominal=10.0, tolerance=0.3, **more):
    return LinearRow(name=name, nominal=nominal, tolerance=tolerance, **more)


def measured(values, name="A"):
    return Contributor(name, 0.0, min(values), max(values), "measured", measured=tuple(values))


@pytest.mark.parametrize(
    ("value", "said"),
    [(0.0, "0"), (2e-5, "less than 0.01"), (0.00999, "0.99"), (0.79999, "79.9"), (0.99999, "99.99"), (1.0, "100")],
)
def test_a_chance_is_cut_and_never_rounded_up_to_certainty(value, said):
    assert percent(value) == f"{said}\u00a0%"


def test_the_simulated_chance_agrees_with_the_closed_form():
    inputs = LinearInputs(rows=(row(), row("B", 4.0, 0.2, coefficient=-1.0)), gap_lower=5.9, gap_upper=6.2)
    found = linear_loop(inputs)
    assert found.chance == pytest.approx(found.chance_normal, abs=0.005)
    assert found.chance_low < found.chance < found.chance_high
    assert found.chance + found.too_small + found.too_large == pytest.approx(1.0)


def test_vectors_and_a_formula_say_the_same():
    vectors = vector_loop(
        VectorInputs(
            rows=(
                VectorRow(name="L1", length=300.0, length_tolerance=1.0, bearing=20.0, bearing_tolerance=0.3),
                VectorRow(name="L2", length=200.0, length_tolerance=0.5, bearing=140.0, bearing_tolerance=0.2),
            )
        )
    )
    formula = formula_loop(
        FormulaInputs(
            formula="a*cos(rad(p)) + b*cos(rad(q))",
            rows=(
                FormulaRow(name="a", nominal=300.0, tolerance=1.0),
                FormulaRow(name="b", nominal=200.0, tolerance=0.5),
                FormulaRow(name="p", nominal=20.0, tolerance=0.3),
                FormulaRow(name="q", nominal=140.0, tolerance=0.2),
            ),
        )
    )
    for figure in ("nominal", "least", "most", "rss", "sd"):
        assert getattr(vectors, figure) == pytest.approx(getattr(formula, figure), rel=1e-9)


def test_exact_sensitivities_stand_beside_those_by_small_steps():
    found = formula_loop(find("formula-loop").example)
    for one in found.rows:
        assert one.by_steps == pytest.approx(one.sensitivity, rel=1e-5)
    assert found.rows[1].share == max(one.share for one in found.rows)


def test_the_bound_from_casts_is_that_of_the_normal_tolerance_interval():
    # One dimension, one limit: the exact bound is known (non-central t).
    values = np.random.default_rng(3).normal(0.0, 1.0, 8)
    limits = GapLimits(upper=2.0)
    found = closing_chance(LinearLoop((1.0,)), [measured(values)], limits, confidence=0.9, seed=2)
    exact = share_below(float((2.0 - values.mean()) / values.std(ddof=1)), 8, 0.9)
    assert found.surely == "casts" and found.low == pytest.approx(exact, abs=0.02)


def test_the_bound_of_a_formula_is_that_of_the_same_sum():
    values = np.random.default_rng(5).normal(0.0, 1.0, 12)
    parts = [measured(values, "a"), Contributor("b", 0.0, -1.0, 1.0)]
    limits = GapLimits(-2.5, 2.5)
    linear = closing_chance(LinearLoop((1.0, -1.0)), parts, limits)
    formula = closing_chance(FormulaLoop("a - b", ["a", "b"]), parts, limits)
    assert formula.share == linear.share
    assert (formula.low, formula.high) == pytest.approx((linear.low, linear.high), abs=0.01)


def test_few_casts_leave_a_wide_bound_and_many_a_narrow_one():
    values = np.random.default_rng(6).normal(0.0, 1.0, 200)
    limits = GapLimits(-3.0, 3.0)
    few = closing_chance(LinearLoop((1.0,)), [measured(values[:5])], limits)
    many = closing_chance(LinearLoop((1.0,)), [measured(values)], limits)
    assert few.high - few.low > 5 * (many.high - many.low)


def test_measured_casts_are_drawn_as_they_are_and_not_as_their_limits():
    found = linear_loop(
        LinearInputs(
            rows=(LinearRow(name="A", nominal=10.0, spread="measured", measured=(10.0, 10.2, 10.2)),), gap_upper=10.1
        )
    )
    assert found.chance == pytest.approx(1 / 3, abs=0.01)
    assert "how few casts" in found.note and (found.least, found.most) == (10.0, 10.2)


def test_the_change_that_brings_most_stands_first():
    parts = [Contributor("wide", 10.0, 9.0, 11.0), Contributor("fine", 5.0, 4.9, 5.1)]
    found = remedies(LinearLoop((1.0, -1.0)), parts, GapLimits(4.6, 5.4))
    assert (found[0].name, found[0].kind) == ("wide", "halve")
    assert found[0].share == pytest.approx(
        normal_chance(LinearLoop((1.0, -1.0)), [parts[0].tightened(0.5), parts[1]], GapLimits(4.6, 5.4)), abs=0.01
    )


def test_a_mean_off_the_middle_is_best_moved_back():
    parts = [Contributor("A", 10.0, 9.9, 10.1), Contributor("B", 5.0, 4.9, 5.1)]
    best = remedies(LinearLoop((1.0, -1.0)), parts, GapLimits(5.1, 5.5))[0]
    assert best.kind == "shift" and abs(best.shift) == pytest.approx(0.3)


def test_a_factor_brings_the_wanted_chance_by_closed_form():
    parts = [Contributor("A", 0.0, -3.0, 3.0)]
    # 95 % inside ±1 asks for a standard deviation of 1/1.959964.
    factor = factor_to_reach(LinearLoop((1.0,)), parts, GapLimits(-1.0, 1.0), 0.95)
    assert factor == pytest.approx(1 / 1.959964, rel=0.001)


def test_the_spread_of_one_dimension_may_be_all_that_is_changed():
    parts = [Contributor("A", 0.0, -3.0, 3.0), Contributor("B", 0.0, -0.9, 0.9)]
    factor = factor_to_reach(LinearLoop((1.0, 1.0)), parts, GapLimits(-1.0, 1.0), 0.95, rows=[0])
    assert factor == pytest.approx(np.sqrt(1 / 1.959964**2 - 0.09), rel=0.001)


def test_a_factor_found_on_draws_agrees_with_the_closed_form():
    parts = [Contributor("a", 0.0, -3.0, 3.0)]
    factor = factor_to_reach(FormulaLoop("a", ["a"]), parts, GapLimits(-1.0, 1.0), 0.95)
    assert factor == pytest.approx(1 / 1.959964, rel=0.02)


def test_a_chance_that_the_others_forbid_has_no_factor():
    parts = [Contributor("A", 0.0, -3.0, 3.0), Contributor("B", 0.0, -6.0, 6.0)]
    assert factor_to_reach(LinearLoop((1.0, 1.0)), parts, GapLimits(-1.0, 1.0), 0.95, rows=[0]) is None


def test_room_to_spare_gives_a_factor_of_at_most_a_hundred():
    parts = [Contributor("A", 0.0, -0.001, 0.001)]
    assert factor_to_reach(LinearLoop((1.0,)), parts, GapLimits(-1.0, 1.0), 0.95) == 100.0


def test_without_limits_of_the_gap_the_range_is_told():
    found = linear_loop(LinearInputs(rows=(row(),)))
    assert found.chance is None and found.sentence.startswith("The gap is 10.00\u00a0mm ± 0.30\u00a0mm")


def test_nothing_that_varies_has_a_defined_answer():
    found = linear_loop(LinearInputs(rows=(row(tolerance=0.0),), gap_lower=9.0, gap_upper=11.0))
    assert (found.chance, found.sd, found.rows[0].share) == (1.0, 0.0, 0.0)
    assert "No dimension varies" in found.note
    same = linear_loop(
        LinearInputs(rows=(LinearRow(name="A", nominal=1.0, spread="measured", measured=(1.0, 1.0)),), gap_upper=2.0)
    )
    assert (same.chance, same.chance_low) == (1.0, 1.0)


def test_a_dimension_that_the_formula_does_not_use_is_told():
    example = find("formula-loop").example
    found = formula_loop(replace(example, rows=(*example.rows, FormulaRow(name="z", nominal=1.0, tolerance=0.1))))
    assert "Not in the formula: z." in found.note and found.rows[3].sensitivity == 0.0


FORMULA = find("formula-loop").example


@pytest.mark.parametrize(
    ("calculate", "inputs", "where"),
    [
        (linear_loop, LinearInputs(rows=(row(lower=9.0, upper=11.0),)), ("/rows/0/tolerance", "both-given")),
        (linear_loop, LinearInputs(rows=(row(tolerance=None),)), ("/rows/0/tolerance", "no-tolerance")),
        (
            linear_loop,
            LinearInputs(rows=(row(tolerance=None, lower=2.0, upper=1.0),)),
            ("/rows/0/upper", "limits-swapped"),
        ),
        (
            linear_loop,
            LinearInputs(rows=(row(spread="measured", measured=(1.0,)),)),
            ("/rows/0/measured", "too-few-measured"),
        ),
        (linear_loop, LinearInputs(rows=(row(measured=(1.0, 2.0)),)), ("/rows/0/spread", "idle-measured")),
        (linear_loop, LinearInputs(rows=(row(),), gap_lower=2.0, gap_upper=1.0), ("/gap_upper", "limits-swapped")),
        (formula_loop, replace(FORMULA, formula="a +"), ("/formula", "bad-formula")),
        (formula_loop, replace(FORMULA, formula="a + q"), ("/formula", "unknown-name")),
        (formula_loop, replace(FORMULA, formula="acos(a)"), ("/formula", "no-value")),
        (
            formula_loop,
            replace(FORMULA, rows=(FormulaRow(name="a b", nominal=1.0, tolerance=0.1),)),
            ("/rows/0/name", "bad-name"),
        ),
        (formula_loop, replace(FORMULA, rows=(FORMULA.rows[0],) * 2), ("/rows/1/name", "name-twice")),
    ],
)
def test_what_does_not_fit_is_refused_at_its_place(calculate, inputs, where):
    with pytest.raises(Refused) as caught:
        calculate(inputs)
    assert (caught.value.problems[0].path, caught.value.code) == where
