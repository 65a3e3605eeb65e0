"""How inputs are read: units, bounds, unknown fields, every problem at its place."""

from dataclasses import dataclass

import pytest

from metrology.calculations.fields import (
    amount,
    amounts,
    choice,
    flag,
    grid,
    share,
    table,
    text,
    unit_choice,
    whole,
)
from metrology.calculations.problems import Refused
from metrology.calculations.reading import read


@dataclass(frozen=True)
class Row:
    name: str = text("Name", longest=5)
    size: float = amount("Size", "mm", above=0.0)
    value: float | None = amount("Value", "@unit", default=None)


@dataclass(frozen=True)
class Everything:
    length: float = amount("Length", "mm")
    confidence: float = share("Confidence", default=0.95, above=0.0, below=1.0)
    part: float = share("Part", default=0.5)
    n: int = whole("Number", default=3, lowest=1, highest=9)
    side: str = choice("Side", {"one": "One side", "both": "Both sides"}, default="one")
    unit: str = unit_choice()
    exact: bool = flag("Exact")
    rows: tuple[Row, ...] = table("Rows", Row, default=(), least=1)
    values: tuple[float, ...] = amounts("Values", "@unit", default=(), least=2, most=4)
    matrix: tuple[tuple[float, ...], ...] = grid("Matrix", default=())
    warmer: float = amount("Warmer by", "K", kind="temperature difference", default=0.0)


def problems(**data):
    with pytest.raises(Refused) as caught:
        read(Everything, {"length": 1.0, **data})
    return {problem.path: problem.sentence for problem in caught.value.problems}


def test_what_is_left_out_has_its_default():
    found = read(Everything, {"length": 5})
    assert found == Everything(5.0) and isinstance(found.length, float)


@pytest.mark.parametrize(
    ("given", "mm"),
    [
        (5, 5.0),
        ({"value": 5.5, "unit": "in"}, 139.7),
        ({"value": 5.5}, 5.5),
        ({"value": "5,5", "unit": "in"}, 139.7),
        ("5'-7 3/8\"", 1711.325),
        ("5,5 cm", 55.0),
        ({"value": "5'-7 3/8\"", "unit": "ft-in"}, 1711.325),
        ({"value": "67 3/8", "unit": "in"}, 1711.325),
    ],
)
def test_a_length_is_taken_in_any_unit(given, mm):
    assert read(Everything, {"length": given}).length == mm


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ("abc", "is not a number"),
        ("1,500", "may be 1.500 or 1500"),
        (True, "“true” is not a number"),
        (None, "“null” is not a number"),
        ([1], "“list” is not a number"),
        (1e300, "Not a number that can be measured"),
        (float("nan"), "Not a number that can be measured"),
        ({"value": 3, "unit": "kg"}, "is not a unit of length"),
        ({"value": 3, "units": "mm"}, "and nothing else"),
        ({"value": 3, "unit": 7}, "Give the unit as a word"),
        ({"value": 5, "unit": "ft-in"}, "may be feet or inches"),
        ({}, "and nothing else"),
    ],
)
def test_what_is_no_length_is_refused_with_what_to_do(given, says):
    assert says in problems(length=given)["/length"]


def test_values_are_read_in_the_unit_that_was_chosen_for_them():
    found = read(Everything, {"length": 1, "unit": "in", "values": [1, "25.4 mm", {"value": 1, "unit": "ft"}]})
    assert found.values == (1.0, 1.0, 12.0)


def test_the_unit_of_values_reaches_into_rows():
    assert read(Everything, {"length": 1, "unit": "psi", "rows": [{"name": "a", "size": 2, "value": "1 ksi"}]}).rows[
        0
    ].value == pytest.approx(1000.0)


def test_a_difference_of_temperatures_is_read_as_one():
    assert read(Everything, {"length": 1, "warmer": {"value": 9, "unit": "°F"}}).warmer == 5.0


def test_plain_letters_do_for_units():
    assert read(Everything, {"length": {"value": 1, "unit": "um"}}).length == 0.001


@pytest.mark.parametrize(
    ("data", "path", "says"),
    [
        ({"confidence": 95}, "/confidence", "Too high: give less than 1 (100\u00a0%)"),
        ({"confidence": 0}, "/confidence", "Too low: give more than 0"),
        ({"part": 1.01}, "/part", "Too high: give 1 (100\u00a0%) or less"),
        ({"part": "-1 %"}, "/part", "Too low: give 0 (0\u00a0%) or more"),
        ({"n": 0}, "/n", "Too low: give 1 or more"),
        ({"n": 2.5}, "/n", "is not a whole number"),
        ({"n": "2,5"}, "/n", "Leave the decimals out"),
        ({"n": 12}, "/n", "Too high: give 9 or less"),
        ({"side": "bothe"}, "/side", "Did you mean “both”?"),
        ({"side": ["both"]}, "/side", "is not a choice here"),
        ({"exact": "yes"}, "/exact", "Give true or false"),
        ({"unit": "furlong"}, "/unit", "is not a unit known here"),
        ({"values": [1]}, "/values", "At least 2\u00a0figures needed; there is 1"),
        ({"values": [1, 2, 3, 4, 5]}, "/values", "At most 4\u00a0figures; there are 5"),
        ({"values": 3}, "/values", "Give a list of figures"),
        ({"values": [1, "x"]}, "/values/1", "is not a number"),
        ({"rows": [{"name": "a"}]}, "/rows/0/size", "Missing. Give “Size” as a number"),
        ({"rows": [{"name": "a", "size": 0}]}, "/rows/0/size", "more than 0\u00a0mm"),
        ({"rows": [{"name": "abcdef", "size": 1}]}, "/rows/0/name", "at most 5 characters"),
        ({"rows": [{"name": [3], "size": 1}]}, "/rows/0/name", "between quotation marks"),
        ({"rows": [{"name": True, "size": 1}]}, "/rows/0/name", "between quotation marks"),
        ({"rows": [7]}, "/rows/0", "Give an object with the fields name, size, value"),
        ({"matrix": [[1, 2], [3]]}, "/matrix", "Row 2 has 1\u00a0figure where row 1 has 2"),
        ({"matrix": [[1, "x"]]}, "/matrix/0/1", "is not a number"),
    ],
)
def test_every_problem_stands_at_its_place(data, path, says):
    assert says in problems(**data)[path]


def test_an_unknown_field_is_refused_by_name_with_the_nearest():
    assert problems(lenght=3) == {"/lenght": "There is no field “lenght” here. Did you mean “length”?"}


def test_all_problems_are_told_at_once():
    assert set(problems(length="x", n=0, strange=1)) == {"/length", "/n", "/strange"}


def test_what_is_missing_is_named():
    with pytest.raises(Refused) as caught:
        read(Everything, {})
    assert caught.value.sentence == "Missing. Give “Length” as a number."


def test_null_stands_only_for_what_may_be_missing():
    assert read(Everything, {"length": 1, "rows": [{"name": "a", "size": 1, "value": None}]}).rows[0].value is None
    assert "/n" in problems(n=None)


def test_a_number_in_place_of_words_is_taken_as_written():
    assert read(Everything, {"length": 1.0, "rows": [{"name": 3, "size": 1}]}).rows[0].name == "3"
