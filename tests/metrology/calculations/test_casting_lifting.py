"""Lifting: sling factors of every rigging table, by both ways of measuring the angle."""

import pytest

from metrology.calculations.casting_lifting import GRAVITY, LiftMassInputs, SlingInputs, lift_mass, sling
from metrology.calculations.problems import Refused
from metrology.calculations.registry import find
from tests.published import published

TABLE = "makers' rigging page: load factor by the angle from the horizontal, 1000 lb on two legs"
CHECKS = [
    *(
        published(
            "sling-force", f"factor at {angle}° from the horizontal", source="1 ÷ sin(angle from the horizontal)",
            status="definition", given={"mass": 1000, "angle": angle}, figure="factor", expected=value, within=1e-6,
        )
        for angle, value in [(60, 1.1547005), (45, 1.4142136), (30, 2.0)]
    ),
    *(
        published(
            "sling-force", f"{pounds} lb in each leg at {angle}°", source=TABLE, status="READ",
            given={"mass": {"value": 1000, "unit": "lb"}, "angle": angle}, figure="leg_mass",
            expected=pounds * 0.45359237, within=0.3,
        )
        for angle, pounds in [(60, 577), (45, 707)]
    ),
    published(
        "lift-mass", "weight of 1000 kg", source="standard gravity, 9.80665 m/s²", status="definition",
        given={"volume": 0.4, "density": 2500}, figure="weight", expected=9.80665, within=1e-12,
    ),
]  # fmt: skip


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_published_values_come_out(check):
    check.holds()


def test_the_same_angle_from_the_other_side_is_another_force():
    flat = sling(SlingInputs(mass=1000.0, angle=60.0, angle_from="horizontal"))
    upright = sling(SlingInputs(mass=1000.0, angle=60.0, angle_from="vertical"))
    assert upright.leg_force / flat.leg_force == pytest.approx(3**0.5)
    assert (flat.from_vertical, upright.from_horizontal) == pytest.approx((30, 30))


def test_length_and_spread_give_the_angle():
    found = sling(SlingInputs(mass=1000.0, leg_length=2000.0, half_spread=1000.0))
    assert found.from_vertical == pytest.approx(30)


def test_the_forces_at_an_insert_balance():
    found = sling(SlingInputs(mass=1000.0, angle=50.0, dynamic_factor=1.3))
    assert found.upward**2 + found.sideways**2 == pytest.approx(found.leg_force**2)
    assert 2 * found.upward == pytest.approx(1.3 * GRAVITY)


def test_of_four_legs_two_are_taken_to_carry_unless_said_otherwise():
    four = sling(SlingInputs(mass=1000.0, legs=4, angle=90.0))
    assert four.carrying == 2 and four.leg_force == pytest.approx(GRAVITY / 2)
    assert sling(SlingInputs(mass=1000.0, legs=4, carrying=4, angle=90.0)).leg_force == pytest.approx(GRAVITY / 4)


def test_a_leg_beyond_its_rating_fails():
    found = sling(SlingInputs(mass=1000.0, angle=30.0, rated=9.0))
    assert found.result == "fail" and found.used > 1


def test_a_flat_sling_is_warned_of():
    assert "practice does not lift so" in sling(SlingInputs(mass=10.0, angle=25.0)).sentence
    assert "practice" not in sling(SlingInputs(mass=10.0, angle=60.0)).sentence


@pytest.mark.parametrize(
    ("more", "code"),
    [
        ({}, "no-angle"),
        ({"leg_length": 5.0}, "no-angle"),
        ({"angle": 60.0, "leg_length": 5.0}, "two-angles"),
        ({"leg_length": 5.0, "half_spread": 5.0}, "too-wide"),
        ({"angle": 3.0}, "flat-sling"),
        ({"angle": 60.0, "carrying": 3}, "more-than-legs"),
    ],
)
def test_a_sling_that_cannot_be_calculated_is_refused(more, code):
    with pytest.raises(Refused) as caught:
        sling(SlingInputs(mass=1000.0, **more))
    assert caught.value.code == code


def test_adhesion_makes_demoulding_the_hardest_pull():
    asked = {"volume": 0.1, "density": 2400.0, "lift_factor": 1.2, "inserts": 2}
    free = lift_mass(LiftMassInputs(**asked))
    stuck = lift_mass(LiftMassInputs(**asked, contact_area=2.0, adhesion=1.0))
    assert free.governing == "lifting" and stuck.governing == "demoulding"
    assert stuck.demould_force == pytest.approx(0.24 * GRAVITY + 2.0)


def test_inserts_and_hardware_need_their_multiple_of_the_load():
    found = lift_mass(LiftMassInputs(mass=1000.0, lift_factor=1.0, inserts=1))
    assert found.insert_ultimate == pytest.approx(4 * GRAVITY) and found.hardware_ultimate == pytest.approx(5 * GRAVITY)


@pytest.mark.parametrize(("more", "code"), [({}, "no-mass"), ({"volume": 1.0, "mass": 2.0}, "two-masses")])
def test_one_mass_is_asked_for(more, code):
    with pytest.raises(Refused) as caught:
        lift_mass(LiftMassInputs(**more))
    assert caught.value.code == code


@pytest.mark.parametrize("name", ["lift-mass", "sling-force"])
def test_lifting_is_shown_with_its_cautions(name):
    words = " ".join(find(name).cautions)
    assert "Nobody stands beneath" in words and "licensed practice govern" in words
