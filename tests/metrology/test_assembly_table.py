"""Tables of assemblies: every cell comes in as it was meant, or is refused with its reason."""

import io

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl import Workbook
from scipy.spatial.transform import Rotation

from metrology.errors import InputError
from metrology.positions.assembly_table import (
    Table,
    read_table,
    rows_of_spreadsheet,
    rows_of_text,
    turn_of,
    turns_from,
)

HEAD = "label;part number;revision;x;y;z;rx;ry;rz;position tolerance;turn tolerance;control\n"


def read(text: str, unit: str = "mm", convention: str = "x, y, z") -> Table:
    return read_table(rows_of_text(text), unit, convention)


def faults(text: str) -> str:
    return " ".join(fault for row in read(text).rows for fault in row.faults)


def test_a_row_with_turns_becomes_a_transform():
    (row,) = read(HEAD + "P4;SB-03;b;1000;-250,5;12;0;0;90;6;0,5;yes").rows
    assert (row.label, row.part_number, row.letter, row.control) == ("P4", "SB-03", "B", True)
    assert (row.position_mm, row.turn_deg, row.faults) == (6.0, 0.5, [])
    np.testing.assert_allclose(row.matrix[:3, 3], [1000.0, -250.5, 12.0])
    np.testing.assert_allclose(row.matrix[:3, :3] @ [1, 0, 0], [0, 1, 0], atol=1e-12)


@pytest.mark.parametrize(("convention", "order"), [("x, y, z", "xyz"), ("z, y, x", "zyx")])
@given(st.tuples(*[st.floats(-180, 180)] * 3))
def test_turns_agree_with_a_library(convention, order, turns):
    """Second route: scipy's Rotation about fixed axes, COMPUTED with scipy in this test."""
    rx, ry, rz = turns
    expected = Rotation.from_euler(order, [turns["xyz".index(axis)] for axis in order], degrees=True).as_matrix()
    np.testing.assert_allclose(turn_of(rx, ry, rz, convention), expected, atol=1e-12)


@given(st.tuples(*[st.floats(-180, 180)] * 3))
def test_turns_come_back_from_a_rotation(turns):
    turn = turn_of(*turns, "x, y, z")
    np.testing.assert_allclose(turn_of(*turns_from(turn), "x, y, z"), turn, atol=1e-9)


def test_the_two_conventions_differ_and_both_are_said_in_full():
    first, second = (
        read(HEAD + "P1;A;;0;0;0;30;40;50;;;", convention=c).rows[0].matrix for c in ("x, y, z", "z, y, x")
    )
    assert np.abs(first - second).max() > 0.1


def test_lengths_come_in_the_unit_of_the_table_or_of_their_heading():
    (row,) = read("label,part,x,y (mm),z (in),zone\nP1,A,1.5,20,2,0.01", unit="m").rows
    np.testing.assert_allclose(row.matrix[:3, 3], [1500.0, 20.0, 50.8])
    assert row.position_mm == 10.0


MATRIX = "label\tpart\t" + "\t".join(f"m{i}{j}" for i in (1, 2, 3) for j in (1, 2, 3, 4))


def test_a_matrix_row_by_row():
    (row,) = read(MATRIX + "\nP1\tA\t0\t-1\t0\t100\t1\t0\t0\t200\t0\t0\t1\t300").rows
    np.testing.assert_allclose(row.matrix, [[0, -1, 0, 100], [1, 0, 0, 200], [0, 0, 1, 300], [0, 0, 0, 1]])


@pytest.mark.parametrize(
    ("turn", "said"),
    [
        ("1\t0\t0\t0\t0\t1\t0\t0\t0\t0\t-1\t0", "mirrors the part"),
        ("1.1\t0\t0\t0\t0\t1\t0\t0\t0\t0\t1\t0", "stretches or shears"),
        ("1\t\t0\t0\t0\t1\t0\t0\t0\t0\t1\t0", "m12: empty"),
        ("one\t0\t0\t0\t0\t1\t0\t0\t0\t0\t1\t0", "m11: “one” is not a number"),
    ],
)
def test_matrices_that_are_not_rigid_are_refused(turn, said):
    assert said in faults(MATRIX + "\nP1\tA\t" + turn)


def test_a_matrix_of_few_digits_is_made_exact():
    (row,) = read(MATRIX + "\nP1\tA\t0.8660\t-0.5000\t0\t0\t0.5000\t0.8660\t0\t0\t0\t0\t1\t0").rows
    assert np.linalg.det(row.matrix[:3, :3]) == pytest.approx(1.0, abs=1e-14)


def test_a_transposed_matrix_is_noticed_by_its_last_row():
    head = MATRIX + "\tm41\tm42\tm43\tm44"
    assert "transpose it" in faults(head + "\nP1\tA\t1\t0\t0\t0\t0\t1\t0\t0\t0\t0\t1\t0\t100\t200\t300\t1")


@pytest.mark.parametrize(
    ("row", "said"),
    [
        (";SB;A;0;0;0;;;;;;", "It has no label"),
        ("P1;;A;0;0;0;;;;;;", "It has no part number"),
        ("P1;SB;A;;0;0;;;;;;", "x: empty"),
        ("P1;SB;A;0;here;0;;;;;;", "y: “here” is not a number"),
        ("P1;SB;A;1.000,5;0;0;;;;;;", "x: “1.000,5” is not a number. Write it without a thousands mark."),
        ("P1;SB;A;0;0;0;;;;0;;", "The position tolerance must be more than 0"),
        ("P1;SB;A;0;0;0;;;;;-1;", "The turn tolerance must be more than 0"),
        ("P1;SB;A;0;0;0;;;;;;maybe", "control: “maybe” is neither yes nor no"),
        ("P1;SB;A;0;0;0;;;;;;;7", "It has 13\u00a0cells and there are 12\u00a0headings"),
        ("P1;SB;A;1e12;0;0;;;;;;", "too large to be meant"),
    ],
)
def test_each_fault_is_named(row, said):
    assert said in faults(HEAD + row)


def test_a_label_given_twice_names_the_line_of_the_first():
    assert "The label P1 stands in line 2 already." in faults(
        HEAD + "P1;A;;0;0;0;;;;;;\np1;A;;9;9;9;;;;;;".replace("p1", "P1")
    )


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "Paste a table"),
        ("\n \n", "Paste a table"),
        (HEAD, "only a line of headings"),
        ("label;x;y;z\nP1;0;0;0", "part number is missing"),
        ("label;part;x;y\nP1;A;0;0", "z is missing"),
        ("label;part;place;x;y;z\nP1;A;P1;0;0;0", "“label” and “place” mean the same column"),
        ("label;part;x;y;z;m11\nP1;A;0;0;0;1", "A matrix needs all of m11 to m33"),
        ("label;part;x (yd);y;z\nP1;A;0;0;0", "names no length unit"),
        ("label;part;x;y;z;rx (rad)\nP1;A;0;0;0;1", "turns are read in degrees"),
        (MATRIX + "\trx\nP1\tA", "both a matrix and turns"),
        ('label;part;x;y;z\n"P1;A;0;0;0\x00', "line"),
        (HEAD + "P;A;;0;0;0;;;;;;\n" * 301, "more than 300\u00a0rows"),
    ],
)
def test_tables_that_are_no_use_are_refused_as_a_whole(text, said):
    with pytest.raises(InputError) as refusal:
        table = read(text)
        raise InputError("table", f"line {table.rows[0].faults}")
    assert refusal.value.code == "table"
    assert said in refusal.value.sentence


def test_headings_nobody_knows_are_passed_over_and_named():
    table = read("label;part;x;y;z;colour\nP1;A;0;0;0;red")
    assert table.passed_over == ["colour"]
    assert not table.rows[0].faults


def spreadsheet(rows: list[list[object]]) -> bytes:
    book = Workbook()
    for row in rows:
        book.active.append(row)
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()


def test_a_spreadsheet_reads_like_its_text():
    content = spreadsheet([["label", "part", "x", "y", "z", "rz"], ["P1", "SB-03", 1000, -0.1 - 0.2, 0, 90.5], []])
    (row,) = read_table(rows_of_spreadsheet(content), "mm", "x, y, z").rows
    assert row.matrix[1, 3] == pytest.approx(-0.3)
    assert row.faults == []


@pytest.mark.parametrize("content", [b"", b"not a spreadsheet", b"PK\x03\x04broken", spreadsheet([])[:-200]])
def test_broken_spreadsheets_are_refused(content):
    with pytest.raises(InputError) as refusal:
        rows_of_spreadsheet(content)
    assert refusal.value.code == "table"


@given(st.text(max_size=300))
def test_any_text_gives_a_table_or_a_reason(text):
    try:
        table = read(text)
    except InputError as refusal:
        assert refusal.code == "table"
    else:
        assert all(row.faults or row.matrix is not None for row in table.rows)
