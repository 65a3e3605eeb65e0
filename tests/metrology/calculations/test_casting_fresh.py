"""Fresh concrete: published formulas and worked batches."""

import pytest

from metrology.amounts.quantities import convert
from metrology.calculations.casting_fresh import (
    BatchInputs,
    EvaporationInputs,
    FormPressureInputs,
    Ingredient,
    Part,
    YieldInputs,
    batch,
    concrete_yield,
    evaporation_rate,
    pressure,
)
from metrology.calculations.problems import Refused
from metrology.calculations.registry import find
from metrology.calculations.running import run
from tests.published import published

UNO = "Uno, ACI Materials Journal 95-M34, 1998: formula as quoted, T_c = T_a = 30 °C, r = 0.5, V = 20 km/h"
ACI347 = "ACI 347: C_w C_c (150 + 9000 R ÷ T), R = 4 ft/h, T = 60 °F"
GUIDE = "study guide on ASTM C138: batch of 3886 lb, 145.0 lb/ft³, designed for 27 ft³"
POUNDS = {
    "ingredients": [
        {"material": name, "mass": {"value": mass, "unit": "lb"}, "binder": name == "cement"}
        for name, mass in [("cement", 564), ("coarse", 1800), ("fine", 1240), ("water", 282)]
    ],
    "density": {"value": 145.0, "unit": "lb/ft³"},
    "design_volume": {"value": 27, "unit": "ft³"},
}
FT3 = convert(1, "ft³", "m³")
CHECKS = [
    published(
        "evaporation-rate", "kg/m²·h", source=UNO, status="READ",
        given={"concrete_temperature": 30, "air_temperature": 30, "humidity": 0.5, "wind": 20}, figure="rate",
        expected=0.9577548, within=1e-6,
    ),
    published(
        "form-pressure", "750 psf", source=ACI347, status="READ",
        given={
            "form": "column", "rate": {"value": 4, "unit": "ft/h"}, "temperature": {"value": 60, "unit": "°F"},
            "weight": 1, "chemistry": 1,
        },
        figure="pressure", expected=750 * convert(1, "psf", "kPa"), within=1e-6,
    ),
    published(
        "concrete-yield", "26.80 ft³", source=GUIDE, status="READ", given=POUNDS, figure="volume",
        expected=26.80 * FT3, within=0.005 * FT3,
    ),
    published(
        "concrete-yield", "relative yield", source=GUIDE, status="READ", given=POUNDS, figure="relative_yield",
        expected=0.993, within=0.0005,
    ),
    published(
        "batch-proportions", "1 : 2 : 4 : 0.5 for 75 kg, cement", source="shares by mass", status="definition",
        given={
            "materials": [
                {"material": "cement", "kind": "binder", "parts": 1}, {"material": "sand", "parts": 2},
                {"material": "gravel", "parts": 4}, {"material": "water", "kind": "water", "parts": 0.5},
            ],
            "mass": 75, "spare": 0,
        },
        figure="materials.0.weigh", expected=10.0, within=1e-12,
    ),
]  # fmt: skip


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_published_values_come_out(check):
    check.holds()


def air(wind=10.0, **more):
    given = {"concrete_temperature": 25.0, "air_temperature": 25.0, "humidity": 0.5, "wind": wind}
    return evaporation_rate(EvaporationInputs(**{**given, **more}))


@pytest.mark.parametrize(("wind", "warning"), [(2.0, "none"), (20.0, "precautions"), (40.0, "critical")])
def test_wind_makes_the_warning_grow(wind, warning):
    assert air(wind).warning == warning


def test_dew_is_no_evaporation():
    assert air(concrete_temperature=5.0, humidity=1.0).rate == 0


def test_the_evaporation_at_a_limit_asks_for_what_the_limit_asks():
    rate = air().rate
    assert air(critical_from=rate, careful_from=rate / 2).warning == "critical"
    with pytest.raises(Refused, match="swapped"):
        air(careful_from=2.0)


def form(**more):
    given = {"rate": convert(4, "ft/h", "m/h"), "temperature": convert(60, "°F", "°C"), "weight": 1.0}
    return pressure(FormPressureInputs(**{**given, **more}))


PSF = convert(1, "psf", "kPa")


def test_the_head_bounds_the_pressure_of_a_low_form():
    found = form(height=600.0, density=2400.0)
    assert found.pressure == pytest.approx(2.4 * 9.80665 * 0.6) and "liquid head" in found.sentence


def test_a_slow_pour_is_designed_for_the_least_pressure():
    assert form(rate=0.1).pressure == pytest.approx(600 * PSF)


def test_a_high_wall_has_the_other_formula_and_a_column_does_not():
    high = convert(15, "ft", "mm")
    expected = (150 + 43400 / 60 + 2800 * 4 / 60) * PSF
    assert form(form="wall", height=high, density=2323.0).pressure == pytest.approx(expected)
    assert form(form="column", height=high).pressure == pytest.approx(750 * PSF)


def test_at_more_than_fifteen_feet_an_hour_only_the_head_counts():
    fast = convert(16, "ft/h", "m/h")
    assert form(form="wall", rate=fast, height=3000.0).by_formula is None
    with pytest.raises(Refused) as caught:
        run(find("form-pressure"), {"rate": fast, "temperature": 15})
    assert caught.value.code == "no-height"


def test_heavy_and_light_concrete_have_another_coefficient():
    light, heavy = form(weight=None, density=1600.0), form(weight=None, density=3200.0)
    assert light.weight == pytest.approx(0.5 * (1 + convert(1600, "kg/m³", "lb/ft³") / 145))
    assert heavy.weight == pytest.approx(convert(3200, "kg/m³", "lb/ft³") / 145)


def test_air_is_what_is_missing_in_the_density():
    rows = (Ingredient("cement", 31.0, True, 3100.0), Ingredient("water", 20.0, False, 1000.0))
    found = concrete_yield(YieldInputs(ingredients=rows, density=51 / 0.032))
    assert found.air_free_density == pytest.approx(1700) and found.air == pytest.approx(1 - 0.030 / 0.032)
    assert found.binder_content == pytest.approx(31 / 0.032)


def test_without_every_particle_density_there_is_no_air():
    rows = (Ingredient("cement", 31.0, True, 3100.0), Ingredient("water", 20.0))
    assert concrete_yield(YieldInputs(ingredients=rows, density=1600.0)).air is None


def mix(**more):
    rows = (
        Part(material="cement", kind="binder", parts=400.0),
        Part(material="water", kind="water", parts=180.0),
        Part(material="sand", kind="aggregate", parts=1000.0, moisture=0.03, absorption=0.01),
    )
    return BatchInputs(**{"materials": rows, "mass": 1580.0, "spare": 0.0, **more})


def test_wet_sand_is_weighed_heavier_and_its_water_is_taken_off():
    found = batch(mix())
    sand = found.materials[2]
    assert sand.mix == pytest.approx(1000) and sand.weigh == pytest.approx(1000 / 1.01 * 1.03)
    assert found.add_water == pytest.approx(180 - (1030 / 1.01 - 1000))
    assert sum(row.weigh for row in found.materials) == pytest.approx(1580)
    assert found.water_binder == pytest.approx(0.45)


def test_dry_sand_takes_water():
    rows = (*mix().materials[:2], Part(material="sand", parts=1000.0, moisture=0.0, absorption=0.01))
    assert batch(mix(materials=rows)).add_water > 180


def test_volume_and_spare_give_the_batch():
    found = batch(mix(mass=None, volume=0.5, density=2400.0, spare=0.1))
    assert found.total == pytest.approx(1320) and found.ratio == "1 : 0.45 : 2.5"


@pytest.mark.parametrize(
    ("more", "code"),
    [
        ({"mass": None}, "no-size"),
        ({"mass": None, "volume": 1.0}, "no-size"),
        ({"volume": 1.0}, "two-sizes"),
    ],
)
def test_one_size_of_the_batch_is_asked_for(more, code):
    with pytest.raises(Refused) as caught:
        batch(mix(**more))
    assert caught.value.code == code


@pytest.mark.parametrize(
    ("rows", "code"),
    [
        ([("cement", "binder", 0, 0), ("water", "water", 0, 0)], "no-parts"),
        ([("water", "water", 1, 0), ("more water", "water", 1, 0)], "two-waters"),
        ([("water", "water", 1, 0), ("sand", "aggregate", 100, 0.2)], "too-wet"),
    ],
)
def test_a_mix_that_cannot_be_weighed_is_refused(rows, code):
    materials = [{"material": a, "kind": b, "parts": c, "moisture": d} for a, b, c, d in rows]
    with pytest.raises(Refused) as caught:
        run(find("batch-proportions"), {"materials": materials, "mass": 10})
    assert caught.value.code == code


@pytest.mark.parametrize("name", ["batch-proportions", "concrete-yield", "evaporation-rate", "form-pressure"])
def test_wet_cement_and_dust_are_warned_of(name):
    assert any("burn" in words and "silica" in words for words in find(name).cautions)


def test_a_batch_without_mass_is_refused():
    with pytest.raises(Refused, match="no mass"):
        concrete_yield(YieldInputs(ingredients=(Ingredient("air", 0.0),), density=2000.0))
