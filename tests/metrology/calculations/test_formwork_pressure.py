"""The pressure of fresh concrete."""

from dataclasses import replace

import pytest

from metrology.calculations.formwork_pressure import PressureInputs, formwork_pressure
from tests.published import published

PSF = 0.45359237 * 9.80665 / 0.3048**2 / 1000  # kPa
ACI = {
    "height": {"value": 12, "unit": "ft"}, "rate": {"value": 4, "unit": "ft/h"},
    "temperature": {"value": 60, "unit": "°F"}, "density": {"value": 145, "unit": "lb/ft³"},
}  # fmt: skip


CHECKS = [
    published(
        "formwork-pressure", "column, 4 ft/h, 60 °F: 750 psf", source="ACI 347, arithmetic of its formula",
        status="from memory", given=ACI, figure="pressure", expected=750 * PSF, within=1e-9,
    ),
]  # fmt: skip


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_published_values_come_out(check):
    check.holds()


POUR = PressureInputs(3657.6, 1.2192, 15.5555555556, 2322.7)


def test_a_low_pour_presses_as_a_liquid_does():
    found = formwork_pressure(replace(POUR, height=500.0))
    assert found.governs == "liquid" and found.pressure == pytest.approx(2322.7 * 9.80665 * 0.5 / 1000)


def test_a_slow_pour_keeps_to_the_least_pressure():
    found = formwork_pressure(replace(POUR, rate=0.1))
    assert found.governs == "least" and found.pressure == pytest.approx(600 * PSF)


def test_what_flows_presses_as_a_liquid_whatever_the_rate():
    found = formwork_pressure(replace(POUR, flowing=True))
    assert found.by_rate is None and found.pressure == found.liquid


@pytest.mark.parametrize(
    ("feet_per_hour", "feet", "psf"),
    [(4, 12, 750), (4, 16, 150 + 43_400 / 60 + 2800 * 4 / 60), (10, 12, 150 + 43_400 / 60 + 2800 * 10 / 60)],
)
def test_walls_follow_their_own_formula_when_high_or_fast(feet_per_hour, feet, psf):
    found = formwork_pressure(
        replace(POUR, element="wall", rate=feet_per_hour * 0.3048, height=feet * 304.8, temperature=140 / 9)
    )
    assert found.by_rate == pytest.approx(psf * PSF, rel=1e-9)


def test_a_wall_filled_faster_than_any_formula_presses_as_a_liquid():
    found = formwork_pressure(replace(POUR, element="wall", rate=5.0))
    assert found.by_rate is None and found.governs == "liquid"


def test_light_and_heavy_concrete_change_the_coefficient():
    light, heavy = (formwork_pressure(replace(POUR, density=kg)) for kg in (1600.0, 2800.0))
    assert light.weight_coefficient == pytest.approx(max(0.8, 0.5 * (1 + 1600 / 16.01846337396014 / 145)))
    assert heavy.weight_coefficient == pytest.approx(2800 / 16.01846337396014 / 145)
