"""Feet, inches and fractions. The inch is 25.4 mm by definition; the rest is arithmetic on fractions."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from metrology.amounts.feet_inches import mm_of, read_feet_inches, write_feet_inches, write_length
from metrology.errors import UnitError


@pytest.mark.parametrize(
    ("text", "inches"),
    [
        ("5'-7 3/8\"", Fraction(539, 8)),
        ("5' 7 3/8\"", Fraction(539, 8)),
        ("5'7-3/8\"", Fraction(539, 8)),
        ("5 ft 7 3/8 in", Fraction(539, 8)),
        ("5ft7 3/8in", Fraction(539, 8)),
        ("5 feet 7 3/8 inches", Fraction(539, 8)),
        ("67 3/8\"", Fraction(539, 8)),
        ("67.375\"", Fraction(539, 8)),
        ("67,375 in.", Fraction(539, 8)),
        ("5\u2032\u20137\u215c\u2033", Fraction(539, 8)),  # curly primes, a dash, the sign for three eighths
        ("5\u2019 7 3\u20448\u201d", Fraction(539, 8)),  # a fraction slash and closing quotation marks
        ("7\u00bd\"", Fraction(15, 2)),
        ("3/8\"", Fraction(3, 8)),
        ("5'", 60),
        ("5.5'", 66),
        ("1/2'", 6),
        ("5'7", 67),
        ("5'-7/8\"", Fraction(487, 8)),
        ("12' 0 1/16\"", Fraction(2305, 16)),
        ("7''", 7),
        ("0\"", 0),
        ("-5'-7 3/8\"", Fraction(-539, 8)),
        ("\u22123/8\"", Fraction(-3, 8)),
    ],
)  # fmt: skip
def test_a_length_is_read_as_it_stands_on_a_drawing(text, inches):
    assert read_feet_inches(text) == inches


def test_millimetres_are_exact():
    # 3659.1875 mm: exact definition, from memory; pint 0.25.3 agrees.
    assert mm_of("12' 0 1/16\"") == 3659.1875


@pytest.mark.parametrize(
    "text", ["67", "67 3/8", "5'13\"", "5.5' 3\"", "1 1/2' 3\"", "1'000\"", '7 9/8"', '7.5 3/8"', '1 1/0"']
)
def test_what_can_be_read_two_ways_is_refused(text):
    with pytest.raises(UnitError) as caught:
        read_feet_inches(text)
    assert caught.value.code == "ambiguous-length" and "Write" in caught.value.sentence


@pytest.mark.parametrize(
    "text", ["", "'", "abc", "5-7", "5'-", "5'--7\"", "--5'", "5' 7'", "5\" 7'", '5\'7"8"', "5 m", '1/2/3"']
)
def test_what_is_no_length_is_refused(text):
    with pytest.raises(UnitError) as caught:
        read_feet_inches(text)
    assert caught.value.code == "not-a-length"


@pytest.mark.parametrize(
    ("mm", "division", "text"),
    [
        (1711.325, 8, "5'-7 3/8\""),
        (1711.3, 16, "5'-7 3/8\""),
        (1524.0, 16, "5'-0\""),
        (88.9, 16, "3 1/2\""),
        (9.525, 16, "3/8\""),
        (0.0, 16, "0\""),
        (0.4, 16, "0\""),
        (304.7, 8, "1'-0\""),
        (3659.1875, 16, "12'-0 1/16\""),
        (-1711.325, 8, "\u22125'-7 3/8\""),
        (-9.525, 16, "\u22123/8\""),
        (38.1, 1, "2\""),  # half way goes to the even mark
    ],
)  # fmt: skip
def test_the_nearest_mark_of_the_tape_is_written(mm, division, text):
    assert write_feet_inches(mm, division) == text


@given(st.integers(-100_000, 100_000))
def test_what_is_written_reads_back(parts):
    mm = float(Fraction(parts, 64) * Fraction("25.4"))
    assert mm_of(write_feet_inches(mm, 64)) == mm
    assert mm_of(write_length(mm)) == mm


@pytest.mark.parametrize(
    ("mm", "text"),
    [(1711.3, "5'-7.374\""), (0.3, '0.012"'), (-0.3, '\u22120.012"'), (0.001, '0.000"'), (304.7999, "1'-0.000\"")],
)
def test_a_length_off_the_marks_keeps_decimals_of_an_inch(mm, text):
    assert write_length(mm) == text


def test_a_division_that_no_tape_has_is_refused():
    with pytest.raises(UnitError):
        write_feet_inches(25.4, 10)


@pytest.mark.parametrize("write", [write_length, write_feet_inches])
def test_what_is_no_number_is_not_written(write):
    with pytest.raises(UnitError):
        write(float("nan"))
