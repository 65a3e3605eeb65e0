"""Maturity and the strength it stands for."""

import numpy as np
import pytest
from scipy.optimize import curve_fit
from scipy.stats import linregress, t

from metrology.calculations.casting_maturity import (
    LogRow,
    MaturityInputs,
    MaturityTest,
    StrengthMaturityInputs,
    maturity,
    strength_maturity,
)
from metrology.calculations.problems import Refused
from metrology.calculations.registry import find
from metrology.calculations.running import run
from metrology.concrete.maturity import fit_strength
from tests.published import published

STEPS = [(12, 15), (12, 18), (24, 22), (24, 25), (48, 20)]
LOG = [{"time": time, "temperature": degrees} for time, degrees in STEPS]
C1074 = "ASTM C1074, Nurse–Saul and Arrhenius forms, own log"
SIMPLE = "textbook example of Nurse–Saul: 28 days at 15 °C, datum −11 °C"
CHECKS = [
    published(
        "maturity", "temperature–time factor, datum 0 °C", source=C1074, status="from memory, arithmetic",
        given={"log": LOG}, figure="temperature_time_factor", expected=2484.0, within=1e-9,
    ),
    published(
        "maturity", "temperature–time factor, datum −10 °C", source=C1074, status="from memory, arithmetic",
        given={"log": LOG, "datum_temperature": -10}, figure="temperature_time_factor", expected=3684.0, within=1e-9,
    ),
    published(
        "maturity", "equivalent age at 20 °C, Q 5000 K", source=C1074, status="from memory, arithmetic",
        given={"log": LOG}, figure="equivalent_age", expected=126.495265, within=1e-5,
    ),
    published(
        "maturity", "adjusted age", source="EN 1992-1-1, B.10", status="from memory, arithmetic", given={"log": LOG},
        figure="adjusted_age", expected=124.664168, within=1e-5,
    ),
    published(
        "maturity", "728 degree-days", source=SIMPLE, status="READ",
        given={"log": [{"time": {"value": 28, "unit": "d"}, "temperature": 15}], "datum_temperature": -11},
        figure="temperature_time_factor", expected=728.0 * 24, within=1e-9,
    ),
    *(
        published(
            "strength-maturity", figure, source="straight line over ln M", status="COMPUTED with scipy 1.17.1",
            given={"tests": [{"maturity": m, "strength": s} for m, s in [(500, 9.8), (1000, 17.1), (2000, 24.6),
                                                                        (3360, 29.4), (6720, 36.9), (13440, 43.8)]]},
            figure=figure, expected=value, within=1e-6,
        )
        for figure, value in [("a", -54.23124138), ("b", 10.32588850)]
    ),
]  # fmt: skip


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_published_values_come_out(check):
    check.holds()


def log(*rows, **more):
    return MaturityInputs(log=tuple(LogRow(float(a), float(b)) for a, b in rows), **more)


def test_a_datum_below_zero_is_added_and_not_taken_away():
    # With its sign lost, 28 days at 15 °C with a datum of −11 °C are 112 degree-days instead of 728.
    found = maturity(log((28 * 24, 15), datum_temperature=-11.0))
    assert found.temperature_time_factor / 24 == pytest.approx(728)


def test_at_the_reference_temperature_a_day_is_a_day():
    found = maturity(log((24, 20)))
    assert found.equivalent_age == pytest.approx(24) == pytest.approx(found.equivalent_age_nurse_saul)


def test_warmer_concrete_ages_faster_by_both_rules():
    found = maturity(log((24, 35)))
    assert found.equivalent_age > found.equivalent_age_nurse_saul > 24


def test_time_below_the_datum_adds_nothing_and_is_told():
    found = maturity(log((10, -5), (10, 10)))
    assert found.temperature_time_factor == pytest.approx(100) and found.below_datum == 10


def test_readings_are_joined_by_straight_lines():
    found = maturity(log((0, 20), (10, 30), (20, 20), log_is="readings"))
    assert found.temperature_time_factor == pytest.approx(500) and found.age == 20


def test_a_datum_at_the_reference_gives_no_age_by_nurse_and_saul():
    assert maturity(log((24, 30), datum_temperature=20.0)).equivalent_age_nurse_saul is None


@pytest.mark.parametrize(
    ("inputs", "code"),
    [
        (log((5, 20), (3, 20), log_is="readings"), "log-order"),
        (log((5, 20), log_is="readings"), "log-order"),
        (log((0, 20)), "no-time"),
    ],
)
def test_a_log_without_time_is_refused(inputs, code):
    with pytest.raises(Exception) as caught:
        maturity(inputs)
    assert caught.value.code == code


GROWN = [(500.0, 9.8), (1000.0, 17.1), (2000.0, 24.6), (3360.0, 29.4), (6720.0, 36.9), (13440.0, 43.8)]


def asked(rows=GROWN, **more):
    return StrengthMaturityInputs(tests=tuple(MaturityTest(m, s) for m, s in rows), **more)


def test_the_interval_is_that_of_one_further_test():
    found = strength_maturity(asked(maturity=1500.0, confidence=0.9))
    x, y = np.log([m for m, _ in GROWN]), np.array([s for _, s in GROWN])
    line = linregress(x, y)
    left = y - line.intercept - line.slope * x
    s = np.sqrt(left @ left / 4)
    at = np.log(1500.0)
    half = t.ppf(0.95, 4) * s * np.sqrt(1 + 1 / 6 + (at - x.mean()) ** 2 / ((x - x.mean()) ** 2).sum())
    assert (found.low, found.high) == pytest.approx((found.strength - half, found.strength + half))


def test_the_hyperbola_finds_what_made_the_asked():
    m = np.array([300.0, 600, 1200, 2400, 4800, 9600])
    s = 45.0 * 4e-4 * (m - 150) / (1 + 4e-4 * (m - 150))
    found = strength_maturity(asked(list(zip(m.tolist(), s.tolist(), strict=True)), model="hyperbolic", wanted=30.0))
    assert (found.ultimate, found.rate, found.start) == pytest.approx((45.0, 4e-4, 150.0), rel=1e-5)
    assert found.maturity_wanted == pytest.approx(150 + 30 / (4e-4 * 15), rel=1e-5)


def test_the_hyperbola_is_the_least_squares_one():
    # Second route: scipy's curve_fit from another start.
    m, s = np.array([one[0] for one in GROWN]), np.array([one[1] for one in GROWN])

    def shape(x, u, k, x0):
        return u * k * (x - x0) / (1 + k * (x - x0))

    other, covariance = curve_fit(shape, m, s, p0=[50, 3e-4, 100], xtol=1e-12, ftol=1e-12)
    found = fit_strength(m, s, "hyperbolic")
    assert found.parameters == pytest.approx(other, rel=1e-4)
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-3)


def test_beyond_the_tests_the_curve_is_not_to_be_relied_on():
    inside, outside = strength_maturity(asked(maturity=3000.0)), strength_maturity(asked(maturity=20_000.0))
    assert not inside.beyond and outside.beyond
    assert "do not rely on it" in outside.sentence and "do not rely on it" not in inside.sentence


def test_a_strength_wanted_beyond_the_tests_is_warned_of_too():
    found = strength_maturity(asked(wanted=60.0))
    assert found.beyond and found.maturity_wanted > 13440


def test_a_strength_above_the_ultimate_is_never_reached():
    found = strength_maturity(asked(model="hyperbolic", wanted=500.0))
    assert found.maturity_wanted is None and "never reached" in found.sentence


def test_two_tests_make_a_curve_without_an_interval():
    found = strength_maturity(asked(GROWN[:2], maturity=700.0))
    assert found.low is None and found.standard_deviation is None


@pytest.mark.parametrize(
    ("rows", "model", "code"),
    [
        ([(500.0, 10.0), (500.0, 11.0)], "logarithmic", "too-few-tests"),
        ([(500.0, 20.0), (1000.0, 10.0)], "logarithmic", "no-growth"),
        (GROWN[:2], "hyperbolic", "too-few-tests"),
        ([(1.0, 1.0), (2.0, 2.0), (3.0, 3.0), (4.0, 4.01)], "hyperbolic", "no-levelling"),
    ],
)
def test_tests_that_make_no_curve_are_refused(rows, model, code):
    data = {"tests": [{"maturity": m, "strength": s} for m, s in rows], "model": model}
    with pytest.raises(Refused) as caught:
        run(find("strength-maturity"), data)
    assert caught.value.code == code


def test_mixed_maturities_are_refused():
    with pytest.raises(Refused, match="one datum"):
        strength_maturity(asked(same_unit=False))
