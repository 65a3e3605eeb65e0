"""Numbers as people type them."""

from decimal import Decimal

import pytest
from django.core.exceptions import ValidationError

from parts.fields import DecimalCommaField, ToleranceField


def cleaned(text, **kwargs):
    return DecimalCommaField(**kwargs).clean(text)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("0.35", "0.35"),
        ("0,35", "0.35"),
        (" 12 ", "12"),
        ("\u22120,5", "-0.5"),
        ("+3", "3"),
        (",5", "0.5"),
        ("1\u00a0200,5", "1200.5"),
        ("1 200", "1200"),
        ("0,3500", "0.35"),
    ],
)
def test_a_number_may_have_a_point_or_a_comma(text, value):
    assert cleaned(text, max_digits=10, decimal_places=3) == Decimal(value)


@pytest.mark.parametrize("text", ["abc", "NaN", "Infinity", "1e5", "0x10", "--1", "1.2.3", "1,2,3", "0.35 mm"])
def test_what_is_not_a_number_is_refused_with_an_example(text):
    with pytest.raises(ValidationError, match="is not a number. Write 0.35 or 0,35"):
        cleaned(text)


def test_a_mark_between_thousands_is_explained():
    with pytest.raises(ValidationError, match="Leave out the mark between thousands"):
        cleaned("1.234,5")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("-0,1", "Too low: write 0\u00a0mm or more."),
        ("9.5", "Too high: write 9\u00a0mm or less."),
        ("", "Give a number. Write 0.35 or 0,35."),
        ("0.1234", "at most 3 decimals"),
    ],
)
def test_limits_are_said_with_their_unit(text, message):
    with pytest.raises(ValidationError) as fault:
        cleaned(text, min_value=0, max_value=9, unit="mm", max_digits=6, decimal_places=3)
    assert message in fault.value.messages[0]


def test_a_number_that_does_not_fit_is_refused():
    with pytest.raises(ValidationError, match="at most 3 digits before the point"):
        cleaned("12345", max_digits=6, decimal_places=3)


def test_a_stored_number_is_shown_without_trailing_zeros_and_typing_is_kept():
    field = DecimalCommaField()
    assert field.prepare_value(Decimal("600.0000")) == "600"
    assert field.prepare_value("6oo,5") == "6oo,5"


def test_an_unchanged_number_counts_as_unchanged_however_it_is_written():
    field = DecimalCommaField()
    assert not field.has_changed(Decimal("0.350"), "0,35")
    assert field.has_changed(Decimal("0.350"), "0,36")
    assert field.has_changed(Decimal("0.350"), "x")


@pytest.mark.parametrize(
    ("text", "below", "above"),
    [
        ("0.5", "-0.5", "0.5"),
        ("±0,5", "-0.5", "0.5"),
        ("+/- 0.5", "-0.5", "0.5"),
        ("+0.5/-0.2", "-0.2", "0.5"),
        ("+0,5 \u22120,2", "-0.2", "0.5"),
        ("-0.2/+0.5", "-0.2", "0.5"),
    ],
)
def test_a_tolerance_is_read_as_below_and_above(text, below, above):
    assert ToleranceField().clean(text) == (Decimal(below), Decimal(above))


@pytest.mark.parametrize("text", ["-0.5", "tight", "0.5/0.2/0.1", "+0.5/"])
def test_what_is_not_a_tolerance_is_refused(text):
    with pytest.raises(ValidationError, match="is not a tolerance"):
        ToleranceField().clean(text)
