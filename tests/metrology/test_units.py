"""Factors: the international inch and foot as NIST SP 811 defines them (from memory; COMPUTED, pint 0.25.3 agrees)."""

import numpy as np
import pytest

from metrology.amounts.units import LENGTH_IN_MM, UNIT_NAMES, to_mm
from metrology.errors import UnitError


@pytest.mark.parametrize(("unit", "mm"), [("mm", 1), ("cm", 10), ("m", 1000), ("in", 25.4), ("ft", 304.8)])
def test_one_of_each_unit_in_millimetres(unit, mm):
    assert to_mm(1.0, unit) == mm


def test_twelve_inches_are_a_foot():
    assert to_mm(12.0, "in") == pytest.approx(to_mm(1.0, "ft"), rel=1e-15)


def test_arrays_keep_their_shape():
    assert to_mm([[1, 2], [3, 4]], "cm").tolist() == [[10, 20], [30, 40]]


def test_the_argument_is_not_changed():
    values = np.array([1.0, 2.0])
    to_mm(values, "mm")[0] = 9.0
    assert values.tolist() == [1.0, 2.0]


@pytest.mark.parametrize("unit", ["", "MM", "yd", "inch"])
def test_an_unknown_unit_is_refused_with_the_known_ones(unit):
    with pytest.raises(UnitError) as refused:
        to_mm(1.0, unit)
    assert refused.value.code == "unknown-unit"
    assert "mm, cm, m, in, ft" in refused.value.sentence


def test_every_unit_has_a_name_for_people():
    assert UNIT_NAMES.keys() == LENGTH_IN_MM.keys()
