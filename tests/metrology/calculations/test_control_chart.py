"""Control charts against qcc, a handbook and closed forms."""

from math import pi, sqrt

import numpy as np
import pytest

from metrology.calculations.control_chart import ChartInputs, chart, chart_plot
from metrology.calculations.problems import Refused
from metrology.errors import InputError
from metrology.statistics.capability import moving_spread, within_spread
from metrology.statistics.chart_constants import chart_constants, mean_range_of, range_moments
from metrology.statistics.control_charts import control_chart
from metrology.statistics.run_rules import hits, rules
from tests.metrology.piston_rings import SUBGROUPS, TRIAL
from tests.published import published

# fmt: off
TABLE = [  # n, d2, d3, c4, A2, A3, D3, D4, B3, B4, E2
    (2, 1.128379, 0.852502, 0.797885, 1.879971, 2.658681, 0.0, 3.266532, 0.0, 3.266532, 2.658681),
    (3, 1.692569, 0.888368, 0.886227, 1.023327, 1.95441, 0.0, 2.574591, 0.0, 2.56817, 1.772454),
    (5, 2.325929, 0.864082, 0.939986, 0.576819, 1.427299, 0.0, 2.114499, 0.0, 2.088998, 1.289807),
    (6, 2.534413, 0.84804, 0.951533, 0.483246, 1.287128, 0.0, 2.00383, 0.030363, 1.969637, 1.183706),
    (7, 2.704357, 0.833205, 0.959369, 0.419284, 1.181916, 0.075708, 1.924292, 0.117685, 1.882315, 1.109321),
    (10, 3.077505, 0.797051, 0.972659, 0.308264, 0.97535, 0.223023, 1.776977, 0.283706, 1.716294, 0.974815),
]
NAMES = ("d2", "d3", "c4", "A2", "A3", "D3", "D4", "B3", "B4", "E2")
# fmt: on
FLOW = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
RINGS = {"subgroups": SUBGROUPS, "phase_one": 25}
QCC = "R qcc 2.7, data pistonrings, 25 subgroups of phase I, 40 in all"
CHECKS = [
    *(
        published(
            "control-chart-constants",
            f"n = {n}, {name}",
            source="integrals of the range, COMPUTED with R and scipy; ASTM E2587 rounds them",
            status="COMPUTED with scipy 1.17.1",
            given={"n": n},
            figure=name,
            expected=value,
            within=6e-7,
        )
        for n, *values in TABLE
        for name, value in zip(NAMES, values, strict=True)
    ),
    published(
        "control-chart-constants",
        "n = 25, d2",
        source="table of ASTM E2587",
        status="from memory",
        given={"n": 25},
        figure="d2",
        expected=3.931,
        within=5e-4,
    ),
    *(
        published(
            "control-chart",
            f"flow rate, {what}",
            source="NIST/SEMATECH e-Handbook 6.3.2.2, with its d2 of 1.128",
            status="from memory",
            given={"values": FLOW, "unit": "1", "printed": True},
            figure=figure,
            expected=expected,
            within=5e-5,
        )
        for what, figure, expected in [
            ("mean", "centre", 50.81),
            ("mean moving range", "mean_range", 1.8777778),
            ("upper limit", "upper", 55.80409),
            ("lower limit", "lower", 45.81591),
            ("d2", "d2", 1.128),
        ]
    ),
    *(
        published(
            "control-chart",
            f"piston rings, {what}",
            source=QCC,
            status="COMPUTED with R qcc 2.7",
            given={**RINGS, **more},
            figure=figure,
            expected=expected,
            within=within,
        )
        for what, more, figure, expected, within in [
            ("lower limit", {}, "lower", 73.98805, 5e-6),
            ("upper limit", {}, "upper", 74.0143, 5e-6),
            ("mean range", {}, "mean_range", 0.02276, 1e-12),
            ("beyond a limit", {}, "beyond_limits", (37, 38, 39), 0),
            ("run of 7", {"run_length": 7}, "run_on_one_side", (40,), 0),
            ("run of 8", {}, "run_on_one_side", (), 0),
        ]
    ),
    *(
        published(
            "control-chart",
            f"piston rings, {what}",
            source="zones by a second program, flagged where the last point lies in its zone",
            status="COMPUTED",
            given=RINGS,
            figure=figure,
            expected=expected,
        )
        for what, figure, expected in [
            ("2 of 3", "two_of_three", (35, 37, 38, 39, 40)),
            ("4 of 5", "four_of_five", (35, 38, 39, 40)),
        ]
    ),
]


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_published_values_come_out(check):
    check.holds()


# ---- second routes ---------------------------------------------------------------------------------------------------


def test_constants_of_two_and_three_values_have_a_closed_form():
    assert range_moments(2) == pytest.approx((2 / sqrt(pi), sqrt(2 - 4 / pi)), abs=1e-12)
    assert range_moments(3)[0] == pytest.approx(3 / sqrt(pi), abs=1e-12)


def test_constants_are_those_of_many_drawn_ranges():
    x = np.random.default_rng(1).standard_normal((200_000, 8))
    ranges = np.ptp(x, axis=1)
    assert range_moments(8) == pytest.approx((ranges.mean(), ranges.std()), rel=0.005)
    assert chart_constants(8).c4 == pytest.approx(x.std(axis=1, ddof=1).mean(), rel=0.002)
    assert mean_range_of(8, 10) == pytest.approx(sqrt((ranges.reshape(-1, 10).mean(axis=1) ** 2).mean()), rel=0.002)


def test_a_stable_process_crosses_its_limits_three_times_in_a_thousand():
    z = np.random.default_rng(2).standard_normal(300_000)
    found = hits(z)
    assert found["beyond-limits"].size / z.size == pytest.approx(0.0027, rel=0.1)
    # Eight on one side: a run that began, chance 2·2⁻⁸, or goes on.
    assert found["run-on-one-side"].size / z.size == pytest.approx(2 / 256, rel=0.1)
    assert found["trend"].size / z.size == pytest.approx(2 / 720, rel=0.15)


PATTERNS = {
    "beyond-limits": ([0, 3.01, 0], 1),
    "two-of-three": ([0, 2.1, 0.5, 2.1], 3),
    "four-of-five": ([0, -1.1, -1.1, 0.2, -1.1, -1.1], 5),
    "run-on-one-side": ([-1, *[0.1] * 8], 8),
    "trend": ([0.5, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6], 6),
    "alternating": ([(-1) ** i * 0.2 for i in range(14)], 13),
    "near-centre": ([1.2, *[(-1) ** (i // 2) * 0.3 for i in range(15)]], 15),
    "away-from-centre": ([0, *[(-1) ** (i // 2) * 1.3 for i in range(8)]], 8),
}


@pytest.mark.parametrize(("name", "pattern"), PATTERNS.items())
def test_each_rule_holds_at_the_end_of_its_pattern_and_not_before(name, pattern):
    z, at = pattern
    assert hits(np.array(z))[name].tolist() == [at]
    assert hits(np.array(z[:at]))[name].size == 0


def test_a_point_on_a_border_is_not_beyond_it():
    z = np.array([3.0, -3.0, 2.0, 2.0, 0.0, *[0.0] * 9])
    found = hits(z + 1e-13)
    assert found["beyond-limits"].size == found["two-of-three"].size == found["run-on-one-side"].size == 0


def test_a_zone_counts_points_of_one_side_only():
    assert hits(np.array([2.5, 0.0, -2.5, 0.0]))["two-of-three"].size == 0


# ---- charts ----------------------------------------------------------------------------------------------------------


def test_the_limits_are_those_of_phase_one_alone():
    all_of_them, first = chart(ChartInputs(subgroups=SUBGROUPS)), chart(ChartInputs(**RINGS))
    alone = chart(ChartInputs(subgroups=TRIAL))
    assert (first.lower, first.upper) == pytest.approx((alone.lower, alone.upper))
    assert all_of_them.upper > first.upper and alone.stable and not first.stable


def test_a_subgroup_with_a_known_cause_counts_for_no_limit():
    wild = (*TRIAL, (75.0, 75.1, 75.2, 75.0, 75.1))
    result = chart(ChartInputs(subgroups=wild, leave_out=(26,)))
    assert result.upper == pytest.approx(chart(ChartInputs(subgroups=TRIAL)).upper)
    assert result.beyond_limits == (26,) and "26" in result.sentence


def test_a_left_out_single_value_takes_both_its_moving_ranges_along():
    result = chart(ChartInputs(values=(1.0, 2.0, 50.0, 2.0, 1.0), leave_out=(3,)))
    assert result.mean_range == 1.0 and result.centre == 1.5


def test_subgroups_of_unequal_size_have_limits_of_their_own():
    values = tuple(value for subgroup in TRIAL[:10] for value in subgroup)[:-2]
    samples = tuple(i // 5 for i in range(48))
    result = chart(ChartInputs(values=values, samples=samples))
    assert result.upper is None and result.subgroups == 10
    made = control_chart(np.array(values), np.array(samples))
    assert made.location.upper[-1] - made.centre == pytest.approx(3 * made.sigma / sqrt(3))
    assert chart_plot(ChartInputs(values=values, samples=samples), result)


def test_the_spread_is_that_of_capability():
    x, groups = np.random.default_rng(3).standard_normal(60), np.repeat(np.arange(15), 4)
    assert control_chart(x, groups).sigma == pytest.approx(within_spread(x, groups).sigma)
    assert control_chart(x, groups, kind="xbar-s").sigma == pytest.approx(within_spread(x, groups, "sd").sigma)
    assert control_chart(x, np.arange(60)).sigma == pytest.approx(moving_spread(x).sigma)


def test_known_lines_need_no_phase_one():
    result = chart(ChartInputs(values=(10.0, 10.2, 14.0), centre=10.0, sigma=1.0))
    assert (result.lower, result.upper, result.beyond_limits) == (7.0, 13.0, (3,))


def test_large_subgroups_are_charted_by_their_standard_deviation():
    x = np.random.default_rng(4).standard_normal((30, 12))
    result = chart(ChartInputs(subgroups=tuple(map(tuple, x.tolist()))))
    assert result.chart == "means and standard deviations" and result.mean_range is None
    assert result.sigma == pytest.approx(x.std(axis=1, ddof=1).mean() / result.c4)
    c = chart_constants(12)
    assert result.spread_upper == pytest.approx(c.b4 * result.mean_sd)
    assert result.upper == pytest.approx(x.mean() + c.a3 * result.mean_sd)


def test_limits_of_ranges_follow_from_their_constants():
    result, c = chart(ChartInputs(subgroups=TRIAL)), chart_constants(5)
    assert result.spread_upper == pytest.approx(c.big_d4 * result.mean_range) and result.spread_lower == 0.0
    assert result.upper == pytest.approx(result.centre + c.a2 * result.mean_range)


def test_a_wide_subgroup_is_told_by_its_spread():
    result = chart(ChartInputs(subgroups=(*TRIAL, (73.9, 74.1, 74.0, 74.0, 74.005)), phase_one=25))
    assert 26 in result.spread_beyond and any(one.rule == "spread-beyond-limits" for one in result.signals)


def test_rules_that_were_not_chosen_are_counted_but_do_not_speak():
    few = chart(ChartInputs(**RINGS, rules="limits-only"))
    assert {one.rule for one in few.signals} <= {"beyond-limits", "spread-beyond-limits"} and few.two_of_three
    assert "9 points in a row" in next(r.says for r in rules("nelson") if r.name == "run-on-one-side")


def test_five_thousand_values_are_charted_in_a_moment():
    from time import perf_counter

    x, groups = np.random.default_rng(5).standard_normal(5000), np.arange(5000)
    control_chart(x, groups)
    begin = perf_counter()
    control_chart(x, groups)
    assert perf_counter() - begin < 0.05


# ---- degenerate input ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("value", [5.0, 600.3, 0.0])
def test_values_without_spread_have_no_limits_and_no_signals(value):
    result = chart(ChartInputs(values=(value,) * 12))
    assert result.upper is None and result.signals == () and "no spread" in result.sentence and not result.stable
    assert chart_plot(ChartInputs(values=(value,) * 12), result) == ()


@pytest.mark.parametrize(
    ("inputs", "where"),
    [
        ({"values": (1.0,)}, ("/values", "too-few")),
        ({"values": (1.0, 2.0, 3.0), "subgroup_size": 2}, ("/subgroup_size", "unequal")),
        ({"values": (1.0, 2.0, 3.0), "samples": (1, 3, 2)}, ("/samples", "not-in-order")),
        ({"values": (1.0, 2.0), "leave_out": (3,)}, ("/leave_out", "bad-phase")),
    ],
)
def test_what_does_not_fit_is_refused_at_its_place(inputs, where):
    with pytest.raises(Refused) as caught:
        chart(ChartInputs(**inputs))
    assert (caught.value.problems[0].path, caught.value.code) == where


def test_bad_figures_are_refused_by_name():
    x, pairs = np.arange(4.0), np.array([1, 1, 2, 2])
    for call, code in [
        (lambda: control_chart(x, np.ones(4)), "too-few"),
        (lambda: control_chart(x, pairs, kind="i-mr"), "mixed-sizes"),
        (lambda: control_chart(x, np.array([1, 1, 1, 2])), "mixed-sizes"),
        (lambda: control_chart(x, pairs, kind="p"), "bad-chart"),
        (lambda: control_chart(x, pairs, phase_one=3), "bad-phase"),
        (lambda: control_chart(x, pairs, left_out=np.array([0])), "bad-phase"),
        (lambda: control_chart(x, np.arange(4), left_out=np.array([1, 3])), "bad-phase"),
        (lambda: control_chart(x, pairs, sigma=0.0), "bad-sigma"),
        (lambda: rules("mine"), "bad-rules"),
        (lambda: rules("nelson", 1), "bad-run"),
        (lambda: range_moments(1), "bad-subgroup"),
        (lambda: range_moments(1001), "bad-subgroup"),
    ]:
        with pytest.raises(InputError) as caught:
            call()
        assert caught.value.code == code
