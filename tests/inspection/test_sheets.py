"""Sheets of measured values of many casts: reading, the look at them, importing. All records are invented."""

import io
import uuid
from datetime import datetime
from decimal import Decimal

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext
from openpyxl import Workbook

from inspection.models import Instrument, Measurement, MeasurementImport
from logbook.models import Entry
from logbook.services import verify
from tests import make

URL = "/TPW/measurements/import/"
WHEN = "2026-05-20T12:00"


@pytest.fixture
def block(lead):
    revision = make.revision(author=lead)
    make.characteristic(revision, 1)  # Length, 600, 599 to 601 mm
    make.characteristic(revision, 2, name="Width", nominal=400, lower=399, upper=401)
    make.characteristic(revision, 3, name="Mass", nominal=40, lower=38, upper=42, unit="kg", kind="mass")
    make.characteristic(revision, 4, name="All surfaces", kind="profile", method="scan", nominal=0, lower=-1, upper=1)
    return revision


@pytest.fixture
def casts(block, technician):
    make.instrument("G-01", uncertainty="0.2")
    make.instrument("G-02", name="Scale", kind="scale", unit="kg", uncertainty="0.1")
    return [make.cast(block, technician, f"TP-SB-000{n}") for n in (1, 2, 3)]


@pytest.fixture
def session(casts, technician, signed_in):
    return signed_in(technician)


def xlsx(*rows, merged=""):
    book = Workbook()
    for row in rows:
        book.active.append(row)
    if merged:
        book.active.merge_cells(merged)
    content = io.BytesIO()
    book.save(content)
    return SimpleUploadedFile("values.xlsx", content.getvalue())


def csv(text, name="values.csv"):
    return SimpleUploadedFile(name, text.encode())


def look(session, file=None, **given):
    """The first look at a sheet: gives the page's step and the data to send it again with."""
    form = {"instrument": Instrument.objects.get(code="G-01").pk, "unit": "mm", "measured_at": WHEN} | given
    answer = session.post(URL, form | ({"file": file} if file else {}))
    return answer.context["step"], again(answer, form), answer


def again(answer, form):
    step = answer.context["step"]
    if step is None:
        return form
    fields = {name: step.form[name].value() for name in step.form.fields}
    fields = {name: value for name, value in fields.items() if value not in (None, False)}
    kept = answer.context["form"]["kept"].value()
    return form | fields | {"shown": step.shown, "kept": kept, "unit": step.layout.unit}


def stored():
    rows = Measurement.objects.filter(replaced=False).select_related("cast", "characteristic")
    return {(row.cast.serial[-1], row.characteristic.number): row for row in rows}


WIDE = (["Serial", "Length", "Width"], ["TP-SB-0001", 600.12, 399.8], ["TP-SB-0002", 600.9, None])


def test_one_row_for_each_cast_is_imported_after_a_look(session):
    step, form, _ = look(session, xlsx(*WIDE))
    assert step.layout.roles == ("serial", "c1", "c2")
    assert (len(step.judged.values), step.casts, step.results) == (3, 2, [("conforms", 2), ("inconclusive", 1)])
    assert not Measurement.objects.exists()
    answer = session.post(URL, form | {"confirm": "1"})
    assert answer.url == "/TPW/measurements/I-01/"
    rows = stored()
    assert {key: str(row.value) for key, row in rows.items()} == {
        ("1", 1): "600.1200", ("1", 2): "399.8000", ("2", 1): "600.9000",
    }  # fmt: skip
    assert [rows[key].result for key in (("1", 1), ("2", 1))] == ["conforms", "inconclusive"]


def test_each_cast_and_the_sheet_have_their_entry_and_the_logbook_stays_whole(session):
    step, form, _ = look(session, xlsx(*WIDE))
    session.post(URL, form | {"confirm": "1"})
    acts = list(Entry.objects.order_by("number").values_list("act", "trail"))
    assert acts == [
        ("sheet.imported", "TPW/I-01"),
        ("cast.measured", "TPW/SB-02/A/TP-SB-0001"),
        ("cast.measured", "TPW/SB-02/A/TP-SB-0002"),
    ]
    assert list(verify()) == []


def test_a_double_click_imports_once(session):
    _, form, _ = look(session, xlsx(*WIDE))
    form |= {"confirm": "1", "once": str(uuid.uuid4())}
    assert session.post(URL, form).url == session.post(URL, form).url
    assert (MeasurementImport.objects.count(), Measurement.objects.count()) == (1, 3)


LONG = (
    ["Cast", "No", "Name", "Nominal", "Actual", "Unit", "Instrument", "Measured at"],
    ["TP-SB-0001", 1, "Length", 600, 23.622, "in", None, datetime(2026, 5, 14, 9, 30)],
    ["TP-SB-0001", 3, "Mass", 40, 39.9, None, "g-02", datetime(2026, 5, 14)],
    ["TP-SB-0002", "Width", "Width", 400, "399,9", None, None, "14.05.2026"],
)


def test_one_row_for_each_value_brings_its_unit_instrument_and_day(session):
    step, form, _ = look(session, xlsx(*LONG))
    assert step.layout.roles == ("serial", "name", "", "", "value", "unit", "instrument", "when")
    assert not step.faults or [str(fault) for fault in step.faults] == []
    session.post(URL, form | {"confirm": "1"})
    rows = stored()
    assert rows["1", 1].value == Decimal("599.9988")
    assert (rows["1", 3].instrument.code, rows["1", 3].uncertainty) == ("G-02", Decimal("0.1"))
    assert rows["1", 1].measured_at.isoformat() == "2026-05-14T09:30:00+00:00"
    assert rows["1", 3].measured_at.isoformat() == "2026-05-14T23:59:00+00:00"
    assert rows["2", 2].value == Decimal("399.9")


def test_bad_cells_are_named_by_row_and_column_and_stop_the_import(session):
    rows = [
        ["TP-SB-0001", "text", datetime(2026, 1, 2)], ["TP-SB-0009", 600, 400], ["TP-SB-0002", 60.01, "1e999"],
        [None, 600, None], ["TP-SB-0003", True, 400],
    ]  # fmt: skip
    step, form, _ = look(session, xlsx(["Serial", "Length", "Width"], *rows))
    said = [str(fault) for fault in step.faults]
    assert [one.split(":")[0] for one in said] == [
        "Row 2, column B (Length)", "Row 2, column C (Width)", "Row 3, column A (Serial)", "Row 4, column B (Length)",
        "Row 4, column C (Width)", "Row 5, column A (Serial)", "Row 6, column B (Length)",
    ]  # fmt: skip
    assert "Did you mean 600.1\u00a0mm?" in said[3]
    answer = session.post(URL, form | {"confirm": "1"})
    assert answer.status_code == 200 and not Measurement.objects.exists()
    session.post(URL, again(answer, form) | {"confirm": "1", "leave_out": "on"})
    assert list(stored()) == [("3", 2)]
    assert MeasurementImport.objects.get().left_out == 7


def test_a_formula_without_a_result_is_a_fault_and_no_empty_cell(session):
    step, _, _ = look(session, xlsx(["Serial", "Length"], ["TP-SB-0001", "=600+1"], ["TP-SB-0002", 600]))
    assert [str(fault) for fault in step.faults] == [
        "Row 2, column B (Length): It is a formula without a stored result. Open and save the spreadsheet once."
    ]


def test_merged_serials_are_filled_down_only_when_asked_for(session):
    rows = (["Cast", "No", "Value"], ["TP-SB-0001", 1, 600.1], [None, 2, 400.1], ["TP-SB-0002", 1, 600.2])
    step, form, _ = look(session, xlsx(*rows, merged="A2:A3"))
    assert [str(fault) for fault in step.faults] == ["Row 3, column A (Cast): It names no cast."]
    answer = session.post(URL, form | {"fill_down": "on", "look": "1"})
    assert not answer.context["step"].faults
    session.post(URL, again(answer, form) | {"confirm": "1"})
    assert set(stored()) == {("1", 1), ("1", 2), ("2", 1)}


def test_only_what_was_shown_is_imported(session):
    _, form, _ = look(session, xlsx(*WIDE))
    answer = session.post(URL, form | {"confirm": "1", "role-1": "c2", "role-2": ""})
    assert answer.context["step"].changed and not Measurement.objects.exists()
    _, form, _ = look(session, xlsx(*WIDE))
    forged = session.post(URL, form | {"confirm": "1", "shown": "abc:def"})
    assert forged.status_code == 200 and not Measurement.objects.exists()


def test_rows_of_the_same_cast_and_characteristic_are_repeated_readings(session):
    rows = (["Serial", "Length"], ["TP-SB-0001", 600.1], ["TP-SB-0001", 600.5], ["TP-SB-0001", 600.3])
    step, form, _ = look(session, xlsx(*rows))
    assert step.repeated == 1
    session.post(URL, form | {"confirm": "1"})
    row = stored()["1", 1]
    assert (row.value, row.uncertainty) == (Decimal("600.3"), Decimal("0.3845"))  # as typed by hand
    assert row.readings == ["600.1000", "600.5000", "600.3000"]


def test_decimal_commas_and_semicolons(session):
    step, form, _ = look(session, csv("Serial;Length;Width\nTP-SB-0001;600,123;1'-3 3/4\"\n"))
    assert (step.layout.delimiter, step.layout.decimal, step.faults) == ("semicolon", "comma", [])
    session.post(URL, form | {"confirm": "1"})
    assert (stored()["1", 1].value, stored()["1", 2].value) == (Decimal("600.123"), Decimal("400.05"))


def test_a_unit_in_the_heading_holds_for_its_column(session):
    step, _, _ = look(session, csv("Serial,Length (in),Width [cm]\nTP-SB-0001,23.622,40.01\n"))
    assert [value.steps for value in step.judged.values] == [[5_999_988], [4_001_000]]


def test_the_unit_of_the_form_holds_where_no_heading_names_one(session):
    step, _, _ = look(session, csv("Serial,Length\nTP-SB-0001,23.622\n"), unit="in")
    assert step.judged.values[0].steps == [5_999_988]


def test_bare_numbers_in_feet_and_inches_are_asked_about(session):
    step, _, _ = look(session, xlsx(["Serial", "Length"], ["TP-SB-0001", 23.6]), unit="ft-in")
    assert "may be feet or inches" in str(step.faults[0])


INSTRUMENT_TEXT = """Program   PLATE
Operator  nobody
 No  Name      Nominal   Actual   Dev
  1  Length    600,000  600,120  0,120
  2  Width     400,000  399,700  -0,300
"""


def test_an_instruments_text_is_read_by_its_columns_and_the_next_one_alike(session):
    step, form, _ = look(session, csv(INSTRUMENT_TEXT, "a.txt"), serial="TP-SB-0001")
    assert (step.layout.delimiter, step.layout.heading, step.layout.roles[3]) == ("gaps", 3, "value")
    answer = session.post(URL, form | {"role-0": "", "role-1": "name", "look": "1"})
    session.post(URL, again(answer, form) | {"confirm": "1"})
    assert stored()["1", 2].value == Decimal("399.7")
    step, _, page = look(session, csv(INSTRUMENT_TEXT.replace("600,120", "600,2"), "b.txt"), serial="TP-SB-0002")
    assert step.layout.roles[:2] == ("", "name")
    assert "Read as the last sheet from this instrument was, I-01" in page.content.decode()


def test_rows_pasted_into_the_box_are_a_sheet_too(session):
    step, form, _ = look(session, text="Serial\tLength\nTP-SB-0001\t600,2\n")
    session.post(URL, form | {"confirm": "1"})
    assert stored()["1", 1].value == Decimal("600.2")
    assert MeasurementImport.objects.get().original_name == "pasted.txt"


def test_a_new_reading_takes_the_place_of_the_one_before(session, casts, block, technician):
    length = block.characteristics.get(number=1)
    old = make.measurement(casts[0], length, 600, technician, Instrument.objects.get(code="G-01"))
    step, form, _ = look(session, xlsx(*WIDE))
    assert step.replaced == 1
    session.post(URL, form | {"confirm": "1"})
    old.refresh_from_db()
    assert (old.replaced, stored()["1", 1].value) == (True, Decimal("600.12"))
    assert Entry.objects.get(trail__endswith="0001").details["1"] == ["600.0000", "600.1200", "conforms"]


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([["Serial", "Mass"], ["TP-SB-0001", 40]], "G-01 measures in mm and Mass is in kg"),
        ([["Serial", "No", "Value"], ["TP-SB-0001", 9, 1]], "has no characteristic 9"),
        ([["Serial", "No", "Value"], ["TP-SB-0001", 4, 0.1]], "comes from the scan"),
        ([["Serial", "Length", "Date"], ["TP-SB-0001", 600, "yesterday"]], "is no day"),
        ([["Serial", "Length", "Date"], ["TP-SB-0001", 600, "2036-01-01"]], "in the future"),
        ([["Serial", "Length", "Date"], ["TP-SB-0001", 600, "2026-05-01"]], "was poured after that"),
        ([["Serial", "Length", "Instrument"], ["TP-SB-0001", 600, "G-77"]], "no instrument G-77"),
        ([["Serial", "No", "Value", "Unit"], ["TP-SB-0001", 1, 600, "kg"]], "choose one kind"),
        ([["Serial", "No", "Value", "Instrument"], ["TP-SB-0001", 3, 40, "G-02"], ["TP-SB-0001", 1, 600, "G-02"]],
         "G-02 measures in kg and Length is in mm"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_said(session, rows, words):
    step, _, _ = look(session, xlsx(*rows))
    assert words in " ".join(str(fault) for fault in step.faults)


@pytest.mark.parametrize(
    ("file", "words"),
    [
        (lambda: csv(""), "0 bytes"),
        (lambda: SimpleUploadedFile("a.xlsx", b"PK\x03\x04 nothing"), "damaged"),
        (lambda: SimpleUploadedFile("a.xls", b"\xd0\xcf\x11\xe0" + bytes(600)), "old kind"),
        (lambda: SimpleUploadedFile("a.bin", bytes(600)), "neither a spreadsheet nor text"),
        (lambda: csv("Serial,Length\n" * 20_050), "more than 20000"),
        (lambda: csv(" \n \n"), "nothing in it"),
        (lambda: None, "Choose a file"),
    ],
)
def test_what_is_no_sheet_is_said_beside_the_file(session, file, words):
    _, _, answer = look(session, file())
    assert words in " ".join(answer.context["form"].errors["file"])


def test_without_a_column_for_the_cast_nothing_is_read(session):
    step, _, answer = look(session, xlsx(["Length"], [600.1]))
    assert any("No column names the cast" in one for one in step.blocking)
    assert 'name="confirm"' not in answer.content.decode()


def test_a_wrong_field_beside_the_file_keeps_the_file(session):
    form = {"unit": "mm", "measured_at": "", "instrument": "", "file": xlsx(*WIDE)}
    answer = session.post(URL, form)
    assert "values.xlsx is here" in answer.content.decode()
    assert set(answer.context["form"].errors) == {"measured_at", "instrument"}


@pytest.mark.parametrize("who", ["visitor", "site_person", "stranger"])
def test_others_are_refused_and_nothing_changes(who, session, signed_in, request):
    _, form, _ = look(session, xlsx(*WIDE))
    assert signed_in(request.getfixturevalue(who)).post(URL, form | {"confirm": "1"}).status_code == 403
    assert not Measurement.objects.exists() and not Entry.objects.exists()


def test_other_methods_are_refused_and_who_is_not_signed_in_is_asked_to(session, client):
    assert session.put(URL).status_code == 405
    assert "next=" in client.post(URL).url


def test_what_was_imported_is_read_by_a_visitor(session, visitor, signed_in):
    _, form, _ = look(session, xlsx(*WIDE))
    session.post(URL, form | {"confirm": "1"})
    page = signed_in(visitor).get("/TPW/measurements/I-01/").content.decode()
    assert "TP-SB-0001" in page and "values.xlsx" in page and "Number 1 on the drawing" in page
    assert "I-01" in signed_in(visitor).get("/TPW/measurements/").content.decode()


@pytest.mark.parametrize("step", ["look", "confirm"])
def test_a_sheet_costs_the_same_for_2_and_for_20_casts(step, session, block, technician):
    def cost(first, last):
        rows = [[f"TP-SB-1{n:03d}", 600.1, 400.1] for n in range(first, last)]
        for row in rows:
            make.cast(block, technician, row[0])
        _, form, _ = look(session, xlsx(["Serial", "Length", "Width"], *rows))
        with CaptureQueriesContext(connection) as queries:
            session.post(URL, form | {step: "1"})
        return len(queries)

    cost(1, 2)
    assert cost(10, 12) == cost(20, 40)
