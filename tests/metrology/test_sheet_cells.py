"""Cells of spreadsheets and of delimited text, with bounds on what is read."""

import io
import zipfile
from datetime import datetime

import pytest
from openpyxl import Workbook

from metrology.amounts.sheet_cells import read_cells
from metrology.errors import ReadingError


@pytest.fixture
def file(tmp_path):
    """file(content) is a path without an ending, as files are kept."""

    def write(content):
        path = tmp_path / "kept"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


def book(*rows, title="First", more=()):
    made = Workbook()
    made.active.title = title
    for row in rows:
        made.active.append(row)
    for name in more:
        made.create_sheet(name).append([name])
    content = io.BytesIO()
    made.save(content)
    return content.getvalue()


@pytest.mark.parametrize(
    ("text", "delimiter", "decimal", "first"),
    [
        ("a,b\n1,2\n", "comma", "point", ["a", "b"]),
        ("a;b\n1,5;2,5\n", "semicolon", "comma", ["a", "b"]),
        ("a\tb\n1.5\t2\n", "tab", "point", ["a", "b"]),
        ("a|b\n1|2\n", "bar", "point", ["a", "b"]),
        ("No  Long name   Value\n1   Over all    600,2\n", "gaps", "comma", ["No", "Long name", "Value"]),
        ("1 600,2\n2 400,1\n", "spaces", "comma", ["1", "600,2"]),
        ('name,value\n"Length, over all",1\'-11 5/8"\n', "comma", "point", ["name", "value"]),
    ],
)
def test_text_is_cut_as_it_looks(file, text, delimiter, decimal, first):
    cells = read_cells(file(text))
    assert (cells.delimiter, cells.decimal, cells.rows[0]) == (delimiter, decimal, first)


def test_what_is_chosen_goes_before_what_it_looks_like(file):
    cells = read_cells(file("1,5;2\n"), delimiter="comma", decimal="comma")
    assert (cells.rows[0], cells.decimal) == (["1", "5;2"], "comma")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_text_is_read_in_the_encoding_it_came_in(file, encoding):
    assert read_cells(file("Größe;1\n".encode(encoding))).rows == [["Größe", "1"]]


def test_values_of_a_spreadsheet_keep_their_kind(file):
    row = ["text", 1.5, 7, True, datetime(2026, 5, 14), None, "last"]
    assert read_cells(file(book(row))).rows == [tuple(row)]


def test_the_worksheet_is_the_first_unless_chosen(file):
    path = file(book(["x"], more=["Second"]))
    assert (read_cells(path).worksheet, read_cells(path).worksheets) == ("First", ("First", "Second"))
    assert read_cells(path, worksheet="Second").rows == [("Second",)]


def test_formulas_without_a_result_are_told_apart_from_empty_cells(file):
    cells = read_cells(file(book(["a", None, "=1+1"], [None, "=A1"])))
    assert cells.uncomputed == {(0, 2), (1, 1)}
    assert (cells.rows[0], cells.rows[1]) == (("a", None, None), (None, None))


def archive(**entries):
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", zipfile.ZIP_DEFLATED) as made:
        for name, data in entries.items():
            made.writestr(name.replace("__", "/"), data)
    return content.getvalue()


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (lambda: archive(**{"xl__workbook.xml": b"0" * 101_000_000}), "too-large"),
        (lambda: archive(**{"word__document.xml": b"x"}), "not-a-table"),
        (lambda: archive(**{"xl__workbook.xml": b"<!DOCTYPE x [<!ENTITY a 'b'>]><x/>"}), "damaged"),
        (lambda: archive(**{"xl__workbook.xml": b"<x/>"}), "damaged"),
        (lambda: b"PK\x03\x04" + b"x" * 100, "damaged"),
        (lambda: b"\xd0\xcf\x11\xe0" + b"x" * 100, "old-spreadsheet"),
        (lambda: b"\x00\x01\x02" * 100, "not-a-table"),
        (lambda: b"x" * 20_000_001, "too-large"),
        (lambda: b"1,2\n" * 20_001, "too-many-rows"),
        (lambda: b"", "empty"),
        (lambda: b" \n\t\n", "empty"),
        (lambda: book([None]), "empty"),
    ],
)
def test_what_is_no_table_or_too_much_is_refused(file, content, code):
    with pytest.raises(ReadingError) as refused:
        read_cells(file(content()))
    assert refused.value.code == code


def test_a_cell_far_out_does_not_make_every_row_wide(file):
    made = Workbook()
    made.active["A1"] = "a"
    made.active.cell(1, 16_000, "far")
    content = io.BytesIO()
    made.save(content)
    assert len(read_cells(file(content.getvalue())).rows[0]) == 120
