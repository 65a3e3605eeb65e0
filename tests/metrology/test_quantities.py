"""Exact factors between units.

Sources: exact definitions of NIST SP 811 (from memory); the derived factors COMPUTED with pint 0.25.3.
"""

import pytest

from metrology.amounts.quantities import ALIASES, DIMENSIONS, convert, dimension_of
from metrology.errors import UnitError


@pytest.mark.parametrize(
    ("source", "target", "factor"),
    [
        ("ft", "m", 0.3048),
        ("US survey ft", "m", 0.3048006096012192),
        ("in", "mm", 25.4),
        ("lb/ft3", "kg/m3", 16.01846337396014),
        ("psi", "MPa", 0.006894757293168361),
        ("psf", "kPa", 0.04788025898033584),
        ("lbf/ft3", "kN/m3", 0.1570874638462462),
        ("yd3", "m3", 0.764554857984),
        ("short ton", "kg", 907.18474),
        ("lb", "kg", 0.45359237),
        ("lbf", "N", 4.4482216152605),
        ("US gal", "L", 3.785411784),
        ("mph", "km/h", 1.609344),
        ("gon", "°", 0.9),
        ("d", "s", 86400.0),
    ],
)
def test_factors_are_exact(source, target, factor):
    assert convert(1.0, source, target) == pytest.approx(factor, rel=1e-15)


@pytest.mark.parametrize(
    ("value", "source", "target", "wanted"),
    [(212.0, "°F", "°C", 100.0), (-40.0, "°F", "°C", -40.0), (0.0, "°C", "K", 273.15), (273.15, "K", "°F", 32.0)],
)
def test_temperatures_have_an_offset(value, source, target, wanted):
    assert convert(value, source, target) == wanted


def test_a_difference_of_temperatures_has_none():
    assert convert(9.0, "°F", "K", "temperature difference") == 5.0


def test_a_typed_decimal_stays_itself():
    # Binary arithmetic would give 1711.3249999999998 for one of the two.
    assert convert(67.375, "in", "mm") == 1711.325
    assert convert(0.1, "m", "mm") == 100.0


@pytest.mark.parametrize("group", DIMENSIONS.values(), ids=lambda group: group.name)
def test_every_unit_leads_back(group):
    for unit in group.units:
        there = convert(3.7, group.units[0].symbol, unit.symbol, group.name)
        assert convert(there, unit.symbol, group.units[0].symbol, group.name) == pytest.approx(3.7, rel=1e-14)


def test_symbols_are_plain_to_read_and_unique_in_their_kind():
    for group in DIMENSIONS.values():
        symbols = [unit.symbol for unit in group.units]
        assert len(set(symbols)) == len(symbols)
    known = {unit.symbol for group in DIMENSIONS.values() for unit in group.units}
    assert set(ALIASES.values()) <= known and not known & ALIASES.keys()


@pytest.mark.parametrize(
    ("source", "target", "code"),
    [("furlong", "mm", "unknown-unit"), ("mm", "furlong", "unknown-unit"), ("mm", "kg", "other-dimension")],
)
def test_what_does_not_fit_is_refused(source, target, code):
    with pytest.raises(UnitError) as caught:
        convert(1.0, source, target)
    assert caught.value.code == code


@pytest.mark.parametrize("figure", [float("nan"), float("inf")])
def test_what_is_no_number_is_refused(figure):
    with pytest.raises(UnitError) as caught:
        convert(figure, "mm", "in")
    assert caught.value.code == "not-a-number"


def test_a_unit_in_two_kinds_counts_as_the_first():
    assert dimension_of("°C").name == "temperature"
