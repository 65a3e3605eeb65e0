"""Learning curves: published tables, exact sums, fits by a second route."""

import numpy as np
import pytest
from scipy.stats import linregress, t

from metrology.calculations.learning import (
    CompareInputs,
    CurveInputs,
    FitInputs,
    SequenceTime,
    Timed,
    compare_sequences,
    learning_curve,
    learning_fit,
)
from metrology.calculations.problems import Refused
from metrology.calculations.registry import find
from metrology.calculations.running import run
from metrology.learning import total, units
from tests.published import published

TABLE = "standard 80 % unit (Crawford) table, T₁ = 100"
TEXTBOOK = "operations textbook, 80 % cumulative average (Wright), T₁ = 100; 245.76 is printed 254.76 there"
OWN = "straight line over logarithms of eight own trials"
EIGHT = [102, 79, 72, 63, 61, 55, 54, 50]
UNITS = [2, 3, 4, 10, 50, 100]


def at(model, figure, unit, value, source, status, within):
    given = {"model": model, "first": 100, "rate": 0.8, "units": [unit]}
    return published(
        "learning-curve", f"{model}, {figure} at unit {unit}", source=source, status=status, given=given,
        figure=f"units.0.{figure}", expected=value, within=within,
    )  # fmt: skip


CHECKS = [
    *(
        at("crawford", "hours", unit, value, TABLE, "from memory, recomputed", 1e-3)
        for unit, value in zip(UNITS, [80, 70.2104, 64, 47.651, 28.3827, 22.7062], strict=True)
    ),
    *(
        at("crawford", "total", unit, value, TABLE, "from memory, recomputed", 1e-3)
        for unit, value in [(10, 631.537), (50, 2012.171), (100, 3265.081)]
    ),
    *(
        at("wright", "average", unit, value, TEXTBOOK, "READ", 1e-6)
        for unit, value in [(2, 80.0), (4, 64.0), (8, 51.2), (16, 40.96)]
    ),
    *(
        at("wright", "total", unit, value, TEXTBOOK, "READ", 1e-6)
        for unit, value in [(2, 160.0), (4, 256.0), (8, 409.6), (16, 655.36)]
    ),
    *(
        published(
            "learning-fit", figure, source=OWN, status="COMPUTED with scipy 1.17.1",
            given={"trials": [{"unit": k + 1, "hours": h} for k, h in enumerate(EIGHT)]}, figure=figure,
            expected=value, within=1e-7,
        )
        for figure, value in [
            ("slope", -0.33333762), ("rate", 0.79369816), ("first", 101.60000605), ("slope_se", 0.0113008),
        ]
    ),
    published(
        "learning-compare", "Crawford's total of a rate of 80 %", source=TABLE, status="from memory, recomputed",
        given={
            "trials": [
                *({"sequence": "one", "unit": u, "hours": 100 * u**-0.32192809} for u in (1, 2, 4)),
                *({"sequence": "two", "unit": u, "hours": 120 * u**-0.32192809} for u in (1, 2, 4)),
            ],
        },
        figure="sequences.0.kit_hours", expected=3265.081, within=2e-3,
    ),
]  # fmt: skip


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_published_values_come_out(check):
    check.holds()


def test_the_last_eight_of_sixteen_take_what_the_totals_leave_and_not_what_is_misprinted():
    # The page prints 254.76 for 655.36 − 409.6: a transposition. 245.76 is right.
    hours = units("wright", 100.0, np.log2(0.8), 16)
    assert hours[8:].sum() == pytest.approx(245.76)


def test_crawfords_total_is_the_sum_and_not_the_integral():
    b = float(np.log2(0.8))
    exact = sum(100 * x**b for x in range(1, 101))
    assert total("crawford", 100.0, b, 100) == pytest.approx(exact, rel=1e-12)
    integral = 100 * ((100.5) ** (1 + b) - 0.5 ** (1 + b)) / (1 + b)
    assert abs(integral - exact) > 0.5


def test_the_same_rate_gives_other_hours_in_the_two_models():
    crawford, wright = (
        learning_curve(CurveInputs(model=m, first=100.0, units=(100,))).units[0] for m in ("crawford", "wright")
    )
    assert wright.total < crawford.total and wright.hours == pytest.approx(crawford.hours * 0.678, rel=0.01)


def test_at_a_hundred_percent_every_unit_takes_the_same():
    for model in ("crawford", "wright"):
        row = learning_curve(CurveInputs(model=model, first=3.0, rate=1.0, units=(50,))).units[0]
        assert (row.hours, row.total) == pytest.approx((3.0, 150.0))


def trials(hours, **more):
    return FitInputs(trials=tuple(Timed(k + 1, float(h)) for k, h in enumerate(hours)), **more)


def test_the_interval_of_a_unit_is_that_of_a_further_trial():
    found = learning_fit(trials(EIGHT, unit=20))
    x, y = np.log(np.arange(1, 9)), np.log(EIGHT)
    line = linregress(x, y)
    left = y - line.intercept - line.slope * x
    s = np.sqrt(left @ left / 6)
    to = np.log(20)
    half = t.ppf(0.975, 6) * s * np.sqrt(1 + 1 / 8 + (to - x.mean()) ** 2 / ((x - x.mean()) ** 2).sum())
    assert found.unit_low == pytest.approx(found.unit_hours * np.exp(-half))
    assert found.unit_high == pytest.approx(found.unit_hours * np.exp(half))


def test_the_interval_of_the_kit_holds_the_kit_and_is_wider_with_fewer_trials():
    many, few = learning_fit(trials(EIGHT)), learning_fit(trials(EIGHT[:4]))
    assert many.kit_low < many.kit_hours < many.kit_high
    assert few.kit_high / few.kit_low > 1.3 * many.kit_high / many.kit_low


def test_the_interval_of_the_kit_covers_the_truth_as_often_as_it_says():
    random = np.random.default_rng(8)
    truth, hits = total("crawford", 10.0, -0.3, 40), 0
    for _ in range(120):
        hours = 10.0 * np.arange(1, 9) ** -0.3 * np.exp(random.normal(0, 0.08, 8))
        found = learning_fit(trials(hours, kit=40, confidence=0.8))
        hits += found.kit_low <= truth <= found.kit_high
    assert 0.68 < hits / 120 < 0.91


def test_wrights_curve_is_fitted_to_averages():
    hours = units("wright", 50.0, -0.25, 6)
    found = learning_fit(trials(hours, model="wright", unit=6, kit=6))
    assert (found.first, found.slope) == pytest.approx((50.0, -0.25))
    assert found.kit_hours == pytest.approx(hours.sum()) and found.unit_hours == pytest.approx(hours[-1])


def test_two_trials_have_a_rate_and_no_interval():
    found = learning_fit(trials([4.0, 3.2]))
    assert found.rate == pytest.approx(0.8) and found.rate_low is None and found.learns == "unknown"
    assert found.kit_low is None


def test_a_flat_curve_is_not_called_learning():
    found = learning_fit(trials([4.0, 4.1, 3.95, 4.05, 4.0]))
    assert found.learns == "no" and 0.9 < found.rate < 1.1


def test_equal_times_have_no_spread_and_an_interval_of_nothing():
    found = learning_fit(trials([4.0, 4.0, 4.0], kit=10))
    assert found.rate == pytest.approx(1) and found.kit_low == pytest.approx(40) == pytest.approx(found.kit_high)


def test_beyond_the_trials_is_called_a_guess():
    assert "a guess" in learning_fit(trials(EIGHT)).sentence
    assert not learning_fit(trials(EIGHT, unit=8, kit=8)).beyond


@pytest.mark.parametrize(
    ("rows", "model", "code"),
    [
        ([(1, 2.0), (1, 3.0)], "crawford", "too-few-trials"),
        ([(1, 2.0), (3, 1.5)], "wright", "not-in-a-row"),
    ],
)
def test_trials_that_make_no_curve_are_refused(rows, model, code):
    data = {"trials": [{"unit": u, "hours": h} for u, h in rows], "model": model}
    with pytest.raises(Refused) as caught:
        run(find("learning-fit"), data)
    assert caught.value.code == code


def both(one, two, **more):
    rows = [SequenceTime("one", k + 1, float(h)) for k, h in enumerate(one)]
    rows += [SequenceTime("two", k + 1, float(h)) for k, h in enumerate(two)]
    return compare_sequences(CompareInputs(trials=tuple(rows), **more))


def test_the_sequence_that_learns_faster_wins_the_kit_after_being_behind():
    number = np.arange(1, 7)
    found = both(5.4 * number**-0.5, 4.6 * number**-0.3, kit=24)
    assert found.faster == "one" and found.shown == "shown"
    assert found.crossing is not None and "“two” is ahead" in found.sentence
    first, second = units("crawford", 5.4, -0.5, 24), units("crawford", 4.6, -0.3, 24)
    ahead = np.flatnonzero(np.cumsum(second) < np.cumsum(first))
    assert found.crossing == ahead[-1] + 1


def test_sequences_too_alike_are_not_told_apart():
    found = both([4.0, 3.4, 2.9, 2.8], [4.1, 3.2, 3.0, 2.7])
    assert found.shown == "not shown" and "do not show" in found.sentence


def test_three_sequences_are_refused():
    rows = tuple(SequenceTime(name, k, 1.0) for name in "abc" for k in (1, 2))
    with pytest.raises(Refused, match="3 sequences"):
        compare_sequences(CompareInputs(trials=rows))
