"""The measurement sheet of a cast: units, repeated readings, filling in from a spreadsheet. All invented."""

import uuid
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from inspection.entry_units import EntryUnits
from inspection.models import Measurement
from logbook.models import Entry
from metrology.errors import UnitError
from tests import make

URL = "/TPW/casts/TP-SB-0001/measure/"
HTMX = {"HX-Request": "true"}


@pytest.fixture
def sheet(lead, technician):
    """A cast with three characteristics of the drawing and a calliper that is sure to 0.2 mm."""
    cast = make.cast(make.revision(author=lead), technician)
    make.characteristic(cast.revision, 1)  # Length, 600, 599 to 601 mm
    make.characteristic(cast.revision, 2, name="Width", nominal=400, lower=399, upper=401)
    make.characteristic(cast.revision, 3, name="Mass", nominal=40, lower=38, upper=42, unit="kg", kind="mass")
    make.instrument("G-01", uncertainty="0.2")
    make.instrument("G-02", name="Scale", kind="scale", unit="kg", uncertainty="0.1")
    return cast


@pytest.fixture
def session(technician, signed_in):
    return signed_in(technician)


def typed(**values):
    return {"measured_at": "2026-05-14T12:00", "unit": "mm"} | {
        name.replace("_", "-").replace("v-", "value-"): value for name, value in values.items()
    } | instruments()  # fmt: skip


def instruments():
    rows = {"mm": "G-01", "kg": "G-02"}
    from inspection.models import Instrument

    by_code = {row.code: row.pk for row in Instrument.objects.all()}
    return {f"instrument-{number}": by_code[rows[unit]] for number, unit in ((1, "mm"), (2, "mm"), (3, "kg"))}


def stored():
    return {row.characteristic.number: row for row in Measurement.objects.filter(replaced=False)}


# ---- units -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("length", "text", "kept"),
    [
        ("mm", "600,2", "600.2"),
        ("mm", '23 5/8"', "600.075"),
        ("mm", "60.02 cm", "600.2"),
        ("cm", "60,02", "600.2"),
        ("in", "23.6299", "600.1995"),
        ("in", "23 5/8", "600.075"),
        ("in", "600,2 mm", "600.2"),
        ("ft-in", "1'-11 5/8\"", "600.075"),
        ("ft", "1.96875", "600.075"),
        ("m", "\u22120,6", "-600"),
    ],
)
def test_a_length_is_read_in_the_units_of_the_sheet_or_its_own(length, text, kept):
    assert EntryUnits(length).read(text, "mm") == Decimal(kept)


@pytest.mark.parametrize("text", ["text", "1e999", "1e99", "1,500", "12 kg", "5'-13\"", "--3", "nan", "inf"])
def test_what_is_no_length_is_refused_with_a_sentence(text):
    with pytest.raises(UnitError) as refused:
        EntryUnits("mm").read(text, "mm")
    assert refused.value.sentence.endswith(".")


def test_who_weighs_in_pounds_types_pounds_and_angles_stay():
    units = EntryUnits("in", customary=True)
    assert (units.of("mm"), units.of("kg"), units.of("°"), units.of("1")) == ("in", "lb", "°", "1")
    assert units.read("88.1849", "kg") == Decimal("40.0000")
    assert (units.read("12°30'", "°"), units.read("0,35", "1")) == (Decimal("12.5"), Decimal("0.35"))


@pytest.mark.parametrize(
    ("length", "unit", "shown"),
    [("mm", "mm", "600.075\u00a0mm"), ("in", "mm", "23.625\u00a0in"), ("ft-in", "mm", "1'-11 5/8\"")],
)
def test_what_is_shown_is_read_again_as_the_same(length, unit, shown):
    units, value = EntryUnits(length), Decimal("600.075")
    assert units.shown(value, unit) == shown
    assert units.read(units.plain(value, unit), unit) == value


def test_limits_are_shown_in_the_persons_unit_beside_those_of_the_drawing(sheet, technician, session):
    technician.length_unit, technician.other_units = "in", "us"
    technician.save()
    page = session.get(URL).content.decode()
    assert "23.5827 to 23.6614\u00a0in (599 to 601\u00a0mm on the drawing)" in page
    session.post(URL, typed(v_1="23.622", v_3="88.2") | {"unit": "in"})
    assert (stored()[1].value, stored()[3].value) == (Decimal("599.9988"), Decimal("40.0068"))


def test_the_unit_that_was_saved_with_is_offered_the_next_time(sheet, session):
    session.post(URL, typed(v_1="1'-11 5/8\"") | {"unit": "ft-in"})
    assert session.get(URL).context["form"].units.length == "ft-in"


# ---- typing ----------------------------------------------------------------------------------------------------------


def test_without_a_script_the_first_button_checks_and_saves_nothing(sheet, session):
    page = session.get(URL).content.decode()
    assert page.index('name="check"') < page.index('name="more"') < page.index('name="save"')
    answer = session.post(URL, typed(v_1="600,2", v_2="long") | {"check": "1"}).content.decode()
    assert "Conforms" in answer and "not a number" in answer and "Nothing saved yet" in answer
    assert 'value="600,2"' in answer and 'value="long"' in answer
    assert not Measurement.objects.exists()


def test_one_bad_value_saves_nothing_at_all(sheet, session):
    session.post(URL, typed(v_1="600,2", v_2="long"))
    assert not Measurement.objects.exists() and not Entry.objects.exists()


def test_a_double_click_saves_once(sheet, session):
    form = typed(v_1="600,2") | {"once": str(uuid.uuid4())}
    answers = [session.post(URL, form) for _ in range(2)]
    assert answers[0].url == answers[1].url
    assert Measurement.objects.count() == 1


def test_the_live_verdict_follows_the_unit_of_the_sheet(sheet, session):
    said = session.post(URL + "?line=1", typed(v_1="23 5/8") | {"unit": "in"}, headers=HTMX).content.decode()
    assert "Conforms" in said and "<html" not in said


# ---- repeated readings -----------------------------------------------------------------------------------------------


def test_repeated_readings_give_their_mean_and_the_spread_is_in_u(sheet, session):
    session.post(URL, typed(v_1="600.1", v_1_2="600.5", v_1_3="600,3"))
    row = stored()[1]
    # u² = (0.2/2)² + (0.2/√3)²; effective degrees of freedom 6; t for 95.45 %: 2.517, and U is rounded up.
    assert (row.value, row.readings) == (Decimal("600.3"), ["600.1000", "600.5000", "600.3000"])
    assert row.uncertainty == Decimal("0.3845")
    assert row.result == "conforms"


def test_several_readings_in_one_box_count_the_same(sheet, session):
    session.post(URL, typed(v_1="600.1; 600,5 ;600.3"))
    assert stored()[1].uncertainty == Decimal("0.3845")


def test_a_wide_spread_turns_a_conforming_value_inconclusive(sheet, session):
    session.post(URL, typed(v_1="600.1", v_1_2="600.9"))
    assert stored()[1].result == "inconclusive"


def test_each_reading_is_asked_about_when_its_point_slipped(sheet, session):
    answer = session.post(URL, typed(v_1="600.1", v_1_2="60.05")).content.decode()
    assert "Did you mean 600.5" in answer
    assert not Measurement.objects.exists()


def test_another_reading_adds_a_box_and_keeps_what_was_typed(sheet, session):
    form = session.post(URL, typed(v_1="600.1", v_2="400") | {"more": "1"}).context["form"]
    assert "value-1-2" in form.fields and "value-2-2" not in form.fields
    assert form["value-2"].value() == "400"
    assert not Measurement.objects.exists()


# ---- from a spreadsheet ----------------------------------------------------------------------------------------------


def fill(session, text, start="1", **given):
    answer = session.post(URL, typed(**given) | {"fill": "1", "paste": text, "paste_from": start})
    form = answer.context["form"]
    boxes = {name: form[name].value() for name in form.fields if name.startswith("value-") and form[name].value()}
    return boxes, answer.context["pasted"]


def test_a_column_fills_the_lines_from_the_one_it_was_pasted_into(sheet, session):
    boxes, _ = fill(session, "400,1\n39,9\n", start="2", v_1="600")
    assert boxes == {"value-1": "600", "value-2": "400.1", "value-3": "39.9"}
    assert not Measurement.objects.exists()


def test_further_columns_are_repeated_readings(sheet, session):
    boxes, _ = fill(session, "600.1\t600.3\n\n40")
    assert boxes == {"value-1": "600.1", "value-1-2": "600.3", "value-3": "40"}


def test_rows_that_begin_with_the_number_may_come_in_any_order(sheet, session):
    boxes, pasted = fill(session, "No\tName\tNominal\tActual\n3\tMass\t40\t39.9\n1\tLength\t600\t600.2\n9\tSlope\t1\t2")
    assert boxes == {"value-1": "600.2", "value-3": "39.9"}
    assert pasted.faults == ["Row 4, column A: “9” is no number or name on this sheet. Left out."]


def test_names_do_as_well_as_numbers(sheet, session):
    assert fill(session, "width\t400.2\nLength\t600")[0] == {"value-1": "600", "value-2": "400.2"}


def test_feet_and_inches_are_pasted_as_they_are(sheet, session):
    assert fill(session, "1'-11 5/8\"\n1'-3 3/4\"")[0] == {"value-1": "1'-11 5/8\"", "value-2": "1'-3 3/4\""}


def test_too_many_rows_are_named_and_left_out(sheet, session):
    boxes, pasted = fill(session, "600\n400\n40\n7\n8")
    assert len(boxes) == 3
    assert pasted.faults == ["Rows 4 and 5: there is no characteristic after number 3. Left out."]


def test_a_bad_cell_stands_in_its_box_with_what_is_wrong(sheet, session):
    answer = session.post(URL, typed() | {"fill": "1", "paste": "600\nfoo"})
    assert "“foo” is not a number" in answer.content.decode()
    assert answer.context["form"]["value-2"].value() == "foo"


def test_an_empty_paste_says_so(sheet, session):
    assert "nothing to fill in" in fill(session, " \n")[1].faults[0]


def test_the_sheet_costs_the_same_for_3_and_for_20_characteristics(sheet, session):
    session.get(URL)
    with CaptureQueriesContext(connection) as few:
        session.get(URL)
    for number in range(4, 21):
        make.characteristic(sheet.revision, number)
    with CaptureQueriesContext(connection) as many:
        session.get(URL)
    assert len(few) == len(many)


def test_the_address_is_the_casts(sheet):
    assert reverse("inspection:measure", args=["TPW", "TP-SB-0001"]) == URL
