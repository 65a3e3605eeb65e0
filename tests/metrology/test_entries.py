"""What a person types for a figure. Conversions: exact definitions, tested in test_quantities.py."""

import pytest

from metrology.amounts.entries import decimal_commas, read_amount, read_number
from metrology.errors import UnitError


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("5,5", 5.5), ("5.5", 5.5), (" 5 ", 5), ("+5", 5), ("\u22125,5", -5.5), (".5", 0.5), (",5", 0.5), ("5.", 5),
        ("0,375", 0.375), ("1e-5", 1e-5), ("12\u202f345,6", 12345.6), ("1234,567", 1234.567), ("12,34", 12.34),
    ],
)  # fmt: skip
def test_numbers_are_read_with_point_or_comma(text, value):
    assert float(read_number(text)) == value


@pytest.mark.parametrize("text", ["1,500", "12,345", "-999,000"])
def test_a_comma_that_may_part_thousands_is_refused_with_both_readings(text):
    with pytest.raises(UnitError) as caught:
        read_number(text)
    assert caught.value.code == "ambiguous-number"
    assert text.replace(",", ".") in caught.value.sentence and text.replace(",", "") in caught.value.sentence


@pytest.mark.parametrize("text", ["", "abc", "1.234,5", "1 2", "nan", "inf", "1e999", "--5", "5-", "0x10", "1" * 70])
def test_what_is_no_number_is_refused(text):
    with pytest.raises(UnitError) as caught:
        read_number(text)
    assert caught.value.code == "not-a-number"


@pytest.mark.parametrize(
    ("text", "unit", "target", "value"),
    [
        ("5,5", "mm", "mm", 5.5),
        ("5,5", "in", "mm", 139.7),
        ("5.5 in", "mm", "mm", 139.7),
        ("140 mm", "in", "mm", 140.0),
        ("5'-7 3/8\"", "mm", "mm", 1711.325),
        ("5 ft 7 3/8 in", "m", "m", 1.711325),
        ("67 3/8", "in", "mm", 1711.325),
        ("5 1/2", "ft", "mm", 1676.4),
        ("-3/8", "in", "mm", -9.525),
        ("7\u00bd", "in", "mm", 190.5),
        ("0", "ft-in", "mm", 0.0),
        ("95 %", "1", "1", 0.95),
        ("95%", "1", "1", 0.95),
        ("95", "%", "1", 0.95),
        ("68 °F", "°C", "°C", 20.0),
        ("4000 psi", "MPa", "MPa", 27.579029172673443),
        ("12°30'", "°", "°", 12.5),
        ("-12° 30' 36\"", "°", "°", -12.51),
        ("100 gon", "°", "°", 90.0),
        ("12,5", "°", "°", 12.5),
    ],
)
def test_amounts_are_read_in_the_unit_that_is_chosen_or_typed(text, unit, target, value):
    assert read_amount(text, unit, target) == pytest.approx(value, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "unit", "target", "code"),
    [
        ("67", "ft-in", "mm", "ambiguous-length"),
        ("3/8", "mm", "mm", "ambiguous-length"),
        ("12 kg", "mm", "mm", "unknown-unit"),
        ("12 furlongs", "mm", "mm", "unknown-unit"),
        ("1,500", "mm", "mm", "ambiguous-number"),
        ("2x", "1", "1", "not-a-number"),
        ("5 7", "in", "mm", "not-a-number"),
        ("12°70'", "°", "°", "not-an-angle"),
        ("12°3.5'7\"", "°", "°", "not-an-angle"),
        ("10 mm 20", "mm", "mm", "unknown-unit"),
    ],
)
def test_what_cannot_be_told_is_refused(text, unit, target, code):
    with pytest.raises(UnitError) as caught:
        read_amount(text, unit, target)
    assert caught.value.code == code


@pytest.mark.parametrize(
    ("pasted", "wanted"),
    [
        ("0,5 12,345", "0.5 12.345"),
        ("12,34\n12,345", "12.34\n12.345"),
        ("12,345 12,346", "12,345 12,346"),
        ("1.5 12,345", "1.5 12,345"),
        ("1,2,3", "1,2,3"),
    ],
)
def test_a_paste_shows_by_itself_that_its_commas_are_decimal(pasted, wanted):
    assert decimal_commas(pasted) == wanted
