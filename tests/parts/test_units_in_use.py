"""The units a person works in: what a bare figure means, and how a kept one is shown."""

from decimal import Decimal

import pytest
from django.core.exceptions import ValidationError

from parts import units_in_use
from parts.fields import DecimalCommaField, ToleranceField
from parts.forms import CharacteristicForm
from parts.units_in_use import UnitsInUse


@pytest.fixture
def working_in():
    yield lambda length="mm", customary=False: units_in_use.activate(lambda: UnitsInUse(length, customary))
    units_in_use.deactivate()


def gap(**kwargs):
    return DecimalCommaField(unit="mm", max_digits=10, decimal_places=3, **kwargs)


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("0.5 in", "12.7"),
        ("0,5 in", "12.7"),
        ('1/2"', "12.7"),
        ("5'-7 3/8\"", "1711.325"),
        ("5 ft 7 3/8 in", "1711.325"),
        ("2 cm", "20"),
        ("0.35 mm", "0.35"),
        ("0.35", "0.35"),
    ],
)
def test_a_length_may_bring_its_own_unit(text, mm):
    # 25.4 mm to the inch by definition.
    assert gap().clean(text) == Decimal(mm)


@pytest.mark.parametrize(
    ("kept", "text", "value"), [("kg", "100 lb", "45.36"), ("MPa", "5000 psi", "34.47"), ("°C", "50 °F", "10")]
)
def test_other_kinds_of_quantity_may_too(kept, text, value):
    # 0.45359237 kg to the pound (from memory, NIST SP 811); psi and °F follow from definitions.
    assert DecimalCommaField(unit=kept, max_digits=8, decimal_places=2).clean(text) == Decimal(value)


def test_a_bare_figure_is_in_the_unit_that_the_person_works_in(working_in):
    working_in("in")
    assert gap().unit == "in" and gap().clean("0.5") == Decimal("12.7")


def test_a_bare_figure_is_ambiguous_to_who_works_in_feet_and_inches(working_in):
    working_in("ft-in")
    with pytest.raises(ValidationError, match="may be feet or inches"):
        gap().clean("5")
    assert gap().clean('7 3/8"') == Decimal("187.325")


def test_gaps_stay_in_millimetres_where_a_kit_works_in_metres(working_in):
    working_in("m")
    assert gap().unit == "mm"


def test_pounds_and_fahrenheit_are_a_choice_of_their_own(working_in):
    working_in("mm", customary=True)
    mass = DecimalCommaField(unit="kg", max_digits=8, decimal_places=2)
    assert (mass.unit, gap().unit) == ("lb", "mm") and mass.clean("100") == Decimal("45.36")


@pytest.mark.parametrize(
    ("length", "kept", "shown"),
    [
        ("in", "12.700", "0.5"),
        ("in", "0.350", "0.01378"),
        ("ft-in", "1711.325", "5'-7 3/8\""),
        ("ft-in", "0.350", '0.01378"'),
        ("in", "-1.000", "\u22120.03937"),
        ("mm", "0.350", "0.35"),
    ],
)
def test_a_kept_figure_is_shown_in_the_unit_in_use_and_comes_back_as_it_was(working_in, length, kept, shown):
    working_in(length)
    field = gap()
    assert field.prepare_value(Decimal(kept)) == shown
    assert field.clean(shown) == Decimal(kept)


def test_every_kept_thousandth_survives_being_shown_in_inches(working_in):
    working_in("in")
    field = gap()
    for step in range(1, 3000, 7):
        kept = Decimal(step) / 1000
        assert field.clean(field.prepare_value(kept)) == kept


def test_limits_are_said_in_the_unit_in_use(working_in):
    working_in("in")
    with pytest.raises(ValidationError, match="Too high: write 0.5.*in or less."):
        gap(max_value=Decimal("12.7")).clean("1")


def test_coordinates_that_a_view_fills_in_stay_in_millimetres(working_in):
    working_in("in")
    field = DecimalCommaField(unit="mm", fixed=True, decimal_places=2)
    assert field.unit == "mm" and field.clean("12.5") == Decimal("12.5") and field.clean("1 in") == Decimal("25.40")


def test_a_mark_between_thousands_that_may_be_a_decimal_comma_is_refused():
    with pytest.raises(ValidationError, match="may be 1.500 or 1500"):
        gap().clean("1,500")


def test_a_unit_of_another_kind_is_refused_with_those_known():
    with pytest.raises(ValidationError, match="“kg” is not a unit of length known here"):
        gap().clean("3 kg")


def characteristic(**data):
    usual = {"number": "1", "name": "seat width", "kind": "dimension", "unit": "mm", "weight": "major", "method": ""}
    form = CharacteristicForm(usual | data)
    form.is_valid()
    return form


@pytest.mark.parametrize(
    ("unit", "nominal", "tolerance", "kept"),
    [
        ("in", "23 5/8", "1/16", ("600.0750", "598.4875", "601.6625")),
        ("ft-in", "1'-11 5/8\"", '+1/16"/-1/32"', ("600.0750", "599.2812", "601.6625")),
        ("mm", "600", "±0,5", ("600", "599.5", "600.5")),
    ],
)
def test_a_characteristic_is_kept_in_millimetres_whatever_it_was_drawn_in(unit, nominal, tolerance, kept):
    form = characteristic(unit=unit, nominal=nominal, tolerance=tolerance)
    found = form.cleaned_data
    assert found["unit"] == "mm"
    assert tuple(found[name] for name in ("nominal", "lower", "upper")) == tuple(map(Decimal, kept)), form.errors


def test_a_tolerance_without_marks_is_asked_for_them_in_feet_and_inches():
    form = characteristic(unit="ft-in", nominal="2'", tolerance="0.5")
    assert "may be feet or inches" in form.errors["tolerance"][0]


def test_a_tolerance_field_alone_reads_units():
    assert ToleranceField(unit="mm").clean("± 1/16 in") == (Decimal("-1.5875"), Decimal("1.5875"))
