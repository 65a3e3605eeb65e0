"""Tables of characteristics as spreadsheets hand them over."""

import pytest

from parts.errors import Unusable
from parts.paste import read_paste


def rows(text):
    return [dict(row.cells) for row in read_paste(text).rows]


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_the_delimiter_is_found(delimiter):
    text = "No.,Name,Nominal,Lower,Upper\n1,Length,600,599,601\n".replace(",", delimiter)
    (row,) = rows(text)
    assert (row["number"], row["name"], row["nominal"], row["lower"], row["upper"]) == (
        "1", "Length", "600", "599", "601",
    )  # fmt: skip


def test_decimal_commas_live_between_semicolons():
    (row,) = rows("name;lower;upper\nSeat;0,35;0,5")
    assert row["lower"] == "0,35"


def test_headings_may_be_in_any_order_and_their_unit_in_brackets():
    (row,) = rows("Upper limit (in)\tFeature\n4\tGap")
    assert (row["upper"], row["name"], row["unit"]) == ("4", "Gap", "in")


def test_unknown_columns_are_passed_over_and_said():
    pasted = read_paste("name,upper,remark\nGap,4,by Ines")
    assert pasted.passed_over == ["remark"]
    assert "remark" not in pasted.rows[0].cells


def test_blank_lines_and_a_byte_order_mark_do_no_harm():
    assert len(rows("\ufeff\r\nname,upper\r\n\r\nGap,4\r\n,,\r\n")) == 1


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ({"unit": "deg"}, {"unit": "°", "kind": "angle"}),
        ({"unit": "kg"}, {"unit": "kg", "kind": "mass"}),
        ({"kind": "Dia."}, {"unit": "mm", "kind": "diameter"}),
        ({"kind": "mass"}, {"unit": "kg", "kind": "mass"}),
        ({"method": "Calliper"}, {"method": "by hand"}),
        ({"class": "Critical"}, {"weight": "critical"}),
        ({}, {"unit": "mm", "kind": "length", "weight": "major", "method": "by hand"}),
    ],
)
def test_words_of_the_trade_are_understood(given, expected):
    (row,) = rows(f"name,upper,{','.join(given)}\nGap,4,{','.join(given.values())}")
    assert {column: row[column] for column in expected} == expected


def test_a_quoted_cell_may_hold_the_delimiter_and_a_line_break():
    (row,) = rows('name,upper\n"Gap, left\nand right",4')
    assert row["name"] == "Gap, left\nand right"


def test_decimal_commas_between_commas_are_explained_on_their_row():
    (row,) = read_paste("name,lower,upper\nSeat,0,35,0,5").rows
    assert "It has 5\u00a0cells and there are 3\u00a0headings." in row.fault
    assert "semicolons or tabs" in row.fault


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "Paste a table"),
        ("name,upper", "Paste at least one row"),
        ("1,Length,600,599,601", "The first line must name the columns"),
        ("name,nominal\nLength,600", "“lower”, “upper” or “tolerance”"),
        ("name,max,upper\nLength,1,2", "“max” and “upper” mean the same column"),
        ("name,upper\n" + "a,1\n" * 501, "501 rows and 500 are the most"),
        ("name,upper\n" + "x" * 200_000 + ",1", "cannot be read as a table"),
    ],
)
def test_a_table_that_is_no_use_says_what_to_do(text, sentence):
    with pytest.raises(Unusable) as refusal:
        read_paste(text)
    assert sentence in refusal.value.sentence
    assert refusal.value.field == "text"
