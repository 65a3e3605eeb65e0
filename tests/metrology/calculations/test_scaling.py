"""Scaling between model and full size, and what a gap on a model can tell."""

import numpy as np
import pytest

from metrology.calculations.problems import Refused
from metrology.calculations.registry import find
from metrology.calculations.running import run
from metrology.calculations.scaling import KINDS, ModelGapInputs, ScaleInputs, model_gap, scale_figure
from metrology.closure.scaling import POWERS, factor
from tests.published import published

LAWS = "dimensional analysis and Froude's law"


def scaled(kind, unit, value, expected, scale=10, within=1e-9, **more):
    return published(
        "scale-figure", f"{kind} of {value} {unit} at 1:{scale}", source=LAWS, status="from memory, recomputed",
        given={"kind": kind, "unit": unit, "value": value, "scale": scale, **more}, figure="value", expected=expected,
        within=within,
    )  # fmt: skip


CHECKS = [
    scaled("mass", "kg", 2.5, 2500.0),
    scaled("time", "s", 4, 12.649, within=1e-3),
    scaled("area", "m²", 2, 200.0),
    scaled("volume", "m³", 0.003, 3.0),
    scaled("speed", "m/s", 1, 3.16227766, within=1e-6),
    scaled("own-weight stress", "MPa", 0.02, 0.2),
    scaled("own-weight deflection", "mm", 0.3, 30.0),
    published(
        "model-gap", "U of one rectangular reading of 1 mm, k = 1, 1:1", source="width ÷ √12", status="definition",
        given={"gap": 5, "scale": 1, "resolution": 1, "print_accuracy": 0, "coverage": 1}, figure="uncertainty",
        expected=0.28867513, within=1e-8,
    ),
    published(
        "model-gap", "U of two faces off by ± 1 mm, k = 1, 1:1", source="√2 × half-width ÷ √3", status="definition",
        given={"gap": 5, "scale": 1, "resolution": 0, "print_accuracy": 1, "coverage": 1}, figure="uncertainty",
        expected=0.81649658, within=1e-8,
    ),
]  # fmt: skip


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_published_values_come_out(check):
    check.holds()


def test_own_weight_deflection_of_a_beam_grows_with_the_square():
    # Second route: 5 w L⁴ ÷ (384 E I) of the same beam, all lengths ten times as long.
    def sag(size, density, modulus):
        width, depth, span = 0.1 * size, 0.05 * size, 2.0 * size
        return 5 * density * 9.81 * width * depth * span**4 / (384 * modulus * width * depth**3 / 12)

    assert sag(10, 2400, 30e9) / sag(1, 2400, 30e9) == pytest.approx(100)
    assert factor("own-weight deflection", 10) == pytest.approx(100)
    plastic = sag(10, 2400, 30e9) / sag(1, 1240, 2.5e9)
    assert factor("own-weight deflection", 10, 2400 / 1240, 12) == pytest.approx(plastic)


def test_deflection_under_a_force_follows_force_over_modulus_and_length():
    def bend(size, force, modulus):
        width, depth, span = 0.1 * size, 0.05 * size, 2.0 * size
        return force * span**3 / (48 * modulus * width * depth**3 / 12)

    assert factor("load deflection", 5, 1, 4, 100) == pytest.approx(bend(5, 100, 4) / bend(1, 1, 1))


def test_at_equal_stress_a_deflection_follows_the_scale():
    found = scale_figure(ScaleInputs(kind="load deflection", value=0.5, unit="mm", scale=8.0))
    assert found.value == pytest.approx(4.0)


def test_full_size_goes_back_to_the_model():
    there = scale_figure(ScaleInputs(kind="mass", value=2.5, unit="kg", scale=10.0))
    back = scale_figure(ScaleInputs(kind="mass", value=there.value, unit="kg", scale=10.0, given_on="full size"))
    assert back.value == pytest.approx(2.5)


def test_hours_of_work_do_not_follow_the_scale():
    found = scale_figure(ScaleInputs(kind="work time", value=3.0, unit="h", scale=10.0))
    assert found.value == 3.0 and "do not follow" in found.sentence


def test_every_kind_has_a_power_and_words():
    assert set(KINDS) == set(POWERS)
    assert all(factor(kind, 1.0) == 1.0 for kind in KINDS)


@pytest.mark.parametrize(
    ("given", "code"),
    [
        ({"kind": "mass", "value": 1, "unit": "mm"}, "other-dimension"),
        ({"kind": "length", "value": 1, "unit": "mm", "scale": 0}, "refused"),
    ],
)
def test_figures_that_cannot_be_scaled_are_refused(given, code):
    with pytest.raises(Refused):
        run(find("scale-figure"), given)


def test_a_printed_model_is_too_coarse_for_a_narrow_joint():
    found = model_gap(ModelGapInputs(gap=1.0, scale=5.0, lower=4.5, upper=5.5))
    assert found.result == "inconclusive" and "cannot show" in found.sentence
    assert found.full_size == pytest.approx(5.0) and found.narrowest > 1.6


def test_a_model_that_is_fine_enough_shows_that_a_gap_conforms():
    found = model_gap(ModelGapInputs(gap=1.2, scale=5.0, lower=2.0, upper=10.0))
    assert found.result == "conforms" and (found.model_lower, found.model_upper) == pytest.approx((0.4, 2.0))


def test_a_gap_far_outside_does_not_conform_even_on_a_coarse_model():
    assert model_gap(ModelGapInputs(gap=4.0, scale=5.0, lower=4.0, upper=6.0)).result == "does not conform"


def test_the_uncertainty_is_what_a_simulation_of_reading_and_print_shows():
    random = np.random.default_rng(2)
    faces = random.uniform(-0.1, 0.1, (2, 200_000)).sum(axis=0) + random.uniform(-0.025, 0.025, 200_000)
    found = model_gap(ModelGapInputs(gap=1.0, scale=5.0, resolution=0.05, print_accuracy=0.1))
    assert found.uncertainty == pytest.approx(2 * 5 * faces.std(), rel=0.01)


def test_the_print_that_is_needed_makes_u_a_quarter_of_the_limits():
    first = model_gap(ModelGapInputs(gap=1.0, scale=5.0, lower=4.0, upper=6.0))
    again = model_gap(ModelGapInputs(gap=1.0, scale=5.0, lower=4.0, upper=6.0, print_accuracy=first.print_needed))
    assert again.uncertainty == pytest.approx(0.5)


def test_where_reading_alone_is_too_coarse_no_print_helps():
    found = model_gap(ModelGapInputs(gap=1.0, scale=20.0, resolution=0.5, lower=4.0, upper=6.0))
    assert found.print_needed is None


def test_without_limits_nothing_is_judged():
    found = model_gap(ModelGapInputs(gap=1.0))
    assert found.result == "not asked" and found.model_lower is None
