"""The preview of an import: every fault of every row, and nothing saved."""

from decimal import Decimal

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from logbook.models import Entry
from parts.errors import Unusable
from parts.importing import preview, text_of
from tests import make

pytestmark = pytest.mark.django_db
GOOD = "No.;Name;Nominal;±;Unit\n1;Length;600;0,5;mm\n;Mass;104;3;kg\n"


@pytest.fixture
def revision(lead):
    return make.revision(author=lead)


def looked_at(revision, text):
    return preview(revision, text, by=revision.author)


def test_a_good_table_shows_what_would_come_in_and_saves_nothing(revision):
    shown = looked_at(revision, GOOD)
    assert [(v["number"], v["name"], v["lower"], v["unit"]) for v in shown.values] == [
        (1, "Length", Decimal("599.5"), "mm"),
        (2, "Mass", Decimal(101), "kg"),
    ]
    assert shown.bad_rows == []
    assert not revision.characteristics.exists()
    assert not Entry.objects.exists()


def test_rows_without_a_number_follow_the_ones_on_the_sheet(revision):
    make.characteristic(revision, 7)
    shown = looked_at(revision, "name,upper\nGap,4\nSeat,5\n")
    assert [v["number"] for v in shown.values] == [8, 9]


def test_every_fault_is_said_on_its_own_row(revision):
    make.characteristic(revision, 1)
    text = (
        "no,name,lower,upper\n1,Taken,1,2\n2,Good,1,2\n3,,1,2\n4,Swapped,2,1\n5,Words,one,2\n2,Twice,1,2\n6,a,1,2,3\n"
    )
    shown = looked_at(revision, text)
    said = {row.line: row.faults for row in shown.rows}
    assert "Number 1 is “Length” already" in said[2][0]
    assert said[3] == []
    assert said[4] == ["Name: Say what is measured, as “seat width”."]
    assert "Did you mean 1 to 2" in said[5][0]
    assert "Lower limit: “one” is not a number. Write 0.35 or 0,35." in said[6][0]
    assert "Number 2 is “Good” already" in said[7][0]
    assert "It has 5\u00a0cells" in said[8][0]
    assert revision.characteristics.count() == 1


def test_an_unknown_word_is_refused_not_guessed(revision):
    (row,) = looked_at(revision, "name,upper,unit\nGap,4,furlong\n").rows
    assert row.faults[0].startswith("Unit: ")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_a_file_is_read_however_a_spreadsheet_wrote_it(encoding):
    text = "name;upper\nØ 40 ± bore;4\n"
    assert text_of(SimpleUploadedFile("a.csv", text.encode(encoding))).removeprefix("\ufeff") == text


def test_a_workbook_is_not_a_text_file():
    with pytest.raises(Unusable, match="Save the spreadsheet as CSV") as refusal:
        text_of(SimpleUploadedFile("a.xlsx", b"PK\x03\x04\0\0\0"))
    assert refusal.value.field == "file"


def test_a_huge_file_is_refused(monkeypatch):
    monkeypatch.setattr("parts.importing.LARGEST_TEXT", 3)
    with pytest.raises(Unusable, match="larger than"):
        text_of(SimpleUploadedFile("a.csv", b"name"))
