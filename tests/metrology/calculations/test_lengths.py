"""Units and feet-inches by the registry. Factors: exact definitions; see tests/metrology/test_quantities.py."""

import pytest

from metrology.calculations.lengths import ReadInputs, UnitInputs, WriteInputs, convert_unit, read_length, write_on_tape
from metrology.calculations.problems import Refused
from tests.published import published

SP811 = "NIST SP 811, exact definitions; COMPUTED with pint 0.25.3"
CHECKS = [
    *(
        published(
            "convert-unit",
            f"1 {unit} in {to}",
            source=SP811,
            status="from memory",
            given={"value": 1, "unit": unit, "to": to},
            figure="value",
            expected=expected,
            within=1e-12 * expected,
        )
        for unit, to, expected in [
            ("ft", "m", 0.3048),
            ("US survey ft", "m", 0.3048006096012192),
            ("lb/ft³", "kg/m³", 16.01846337396014),
            ("psi", "MPa", 0.006894757293168361),
            ("psf", "kPa", 0.04788025898033584),
            ("lbf/ft³", "kN/m³", 0.1570874638462462),
            ("yd³", "m³", 0.764554857984),
            ("short ton", "kg", 907.18474),
        ]
    ),
    published(
        "read-feet-inches",
        "12' 0 1/16\" in mm",
        source="the inch is 25.4 mm; COMPUTED with pint 0.25.3",
        status="definition",
        given={"text": "12' 0 1/16\""},
        figure="mm",
        expected=3659.1875,
    ),
    published(
        "write-feet-inches",
        "1711.325 mm to 1/8 inch",
        source="67 3/8 × 25.4 mm",
        status="definition",
        given={"length": 1711.325, "division": "8"},
        figure="written",
        expected="5'-7 3/8\"",
    ),
]


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_published_values_come_out(check):
    check.holds()


def test_a_figure_is_told_in_every_unit_of_its_kind():
    result = convert_unit(UnitInputs(1.0, "m", "mm"))
    assert result.value == 1000.0
    assert {"mm", "in", "ft", "US survey ft"} <= {row.unit for row in result.same}


def test_a_difference_of_temperatures_is_no_temperature():
    assert convert_unit(UnitInputs(18.0, "°F", "°C", difference=True)).value == 10.0
    assert convert_unit(UnitInputs(18.0, "°F", "°C")).value == pytest.approx(-70 / 9)


@pytest.mark.parametrize(
    ("unit", "to", "difference", "path"), [("mm", "kg", False, "/to"), ("mm", "in", True, "/difference")]
)
def test_kinds_do_not_mix(unit, to, difference, path):
    with pytest.raises(Refused) as caught:
        convert_unit(UnitInputs(1.0, unit, to, difference))
    assert caught.value.problems[0].path == path


def test_a_length_is_read_and_said_again():
    assert read_length(ReadInputs("67 3/8 in")).sentence == "5'-7 3/8\" is 1711.33\u00a0mm."


def test_what_is_no_length_is_refused_at_its_place():
    with pytest.raises(Refused) as caught:
        read_length(ReadInputs("67 3/8"))
    assert caught.value.problems[0].path == "/text" and "feet or inches" in caught.value.sentence


def test_the_mark_on_the_tape_says_what_it_is_off_by():
    result = write_on_tape(WriteInputs(1711.3, "16"))
    assert result.written == "5'-7 3/8\"" and result.off == pytest.approx(0.025)
    assert result.sentence == '1711.3\u00a0mm is 5\'-7 3/8" to the nearest 1/16", off by 0.025\u00a0mm.'


def test_a_length_on_a_mark_is_not_off():
    result = write_on_tape(WriteInputs(1711.325))
    assert result.off == 0 and "off by" not in result.sentence
