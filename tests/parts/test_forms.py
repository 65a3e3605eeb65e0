"""Forms: what was typed is read, and faults stand beside their field."""

from decimal import Decimal

import pytest

from parts.forms import CharacteristicForm, time_zones

ROW = {
    "number": "1",
    "name": "Length",
    "kind": "length",
    "nominal": "600",
    "lower": "599,5",
    "upper": "600.5",
    "unit": "mm",
    "weight": "major",
    "method": "by hand",
}


def faults(form):
    return {field: list(sentences) for field, sentences in form.errors.items()}


def test_a_row_is_read_with_point_or_comma():
    form = CharacteristicForm(ROW)
    assert form.is_valid()
    assert (form.cleaned_data["lower"], form.cleaned_data["upper"]) == (Decimal("599.5"), Decimal("600.5"))


@pytest.mark.parametrize(
    ("tolerance", "lower", "upper"), [("0.5", "599.5", "600.5"), ("+0,5/\u22120,2", "599.8", "600.5")]
)
def test_a_tolerance_about_the_nominal_gives_the_limits(tolerance, lower, upper):
    form = CharacteristicForm(ROW | {"lower": "", "upper": "", "tolerance": tolerance})
    assert form.is_valid()
    assert (form.cleaned_data["lower"], form.cleaned_data["upper"]) == (Decimal(lower), Decimal(upper))


def test_inches_are_kept_as_millimetres():
    """Exact by definition: 1 in is 25.4 mm."""
    form = CharacteristicForm(ROW | {"unit": "in", "nominal": "10", "lower": "9.995", "upper": "10.005"})
    assert form.is_valid()
    cleaned = form.cleaned_data
    assert (cleaned["nominal"], cleaned["lower"], cleaned["unit"]) == (Decimal("254"), Decimal("253.873"), "mm")


@pytest.mark.parametrize(
    ("typed", "field", "sentence"),
    [
        ({"lower": "601"}, "lower", "Did you mean 600.5 to 601\u00a0mm?"),
        ({"lower": "", "upper": ""}, "lower", "a lower limit, an upper limit or both"),
        ({"tolerance": "0.5"}, "tolerance", "not both"),
        ({"tolerance": "0.5", "lower": "", "upper": "", "nominal": ""}, "nominal", "needs a nominal"),
        ({"tolerance": "close", "lower": "", "upper": ""}, "tolerance", "is not a tolerance"),
        ({"lower": "-0.5", "upper": "0.5"}, "lower", "write 599.5 and 600.5"),
        ({"lower": "five"}, "lower", "is not a number"),
        ({"lower": "0.12345"}, "lower", "at most 4 decimals"),
        ({"number": "1a"}, "number", "Write a whole number"),
        ({"number": "0"}, "number", "Write 1 or more"),
        ({"name": ""}, "name", "Say what is measured"),
    ],
)
def test_a_fault_stands_beside_its_field(typed, field, sentence):
    form = CharacteristicForm(ROW | typed)
    assert not form.is_valid()
    assert list(form.errors) == [field]
    assert sentence in form.errors[field][0]


def test_time_zones_are_places_people_know():
    names = [name for name, _ in time_zones()]
    assert names[0] == "UTC"
    assert "Europe/London" in names
    assert not any(name.startswith("Etc/") for name in names)
