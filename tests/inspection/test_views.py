"""The pages of inspection: who may do what, what is shown, what a list costs. All records are invented."""

import uuid
from datetime import timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from inspection.jobs import run
from inspection.models import Instrument, Measurement, Scan
from logbook.models import Entry, StoredFile
from parts.models import Geometry
from tests import make
from tests.inspection.rows import make_result, make_scan
from tests.make import NOON

pytestmark = pytest.mark.django_db
HTMX = {"HX-Request": "true"}


def at(name, *args):
    return reverse(f"inspection:{name}", args=["TPW", *args])


def scan_form(arm, content=b"x", name="scan.ply", **given):
    file = SimpleUploadedFile(name, content) if content is not None else None
    usual = {"unit": "mm", "instrument": arm.pk, "scanned_at": "2026-05-14T12:00"}
    return usual | ({"file": file} if file else {}) | given


@pytest.fixture
def calliper(db):
    return make.instrument("G-01", uncertainty="0.2")


@pytest.fixture
def length(block):
    return make.characteristic(block, 2)  # 600, 599 to 601 mm


@pytest.fixture
def shop(piece, arm, calliper, length, technician):
    """A piece with a failed scan, a scan under way, and something to measure."""
    make_scan(piece, arm, technician, "S-07", state="failed", error="Too small.", error_code="size-mismatch")
    make_scan(piece, arm, technician, "S-08", state="running")
    return {"piece": piece, "arm": arm, "calliper": calliper}


def measure_form(calliper, value="600,2"):
    return {"value-2": value, "instrument-2": calliper.pk, "measured_at": "2026-05-14T12:00"}


INSTRUMENT = {"name": "Tape", "kind": "tape", "unit": "mm", "uncertainty": "0,5", "coverage_factor": "2"}
WRITES = {
    "upload": lambda x, ply: (at("upload", "TP-SB-0001"), scan_form(x["arm"], ply)),
    "stop": lambda x, ply: (at("stop", "S-08"), {}),
    "again": lambda x, ply: (at("again", "S-07"), {"unit": "in"}),
    "withdraw": lambda x, ply: (at("withdraw", "S-07"), {"reason": "Dusty"}),
    "measure": lambda x, ply: (at("measure", "TP-SB-0001"), measure_form(x["calliper"])),
    "add-instrument": lambda x, ply: (at("add-instrument"), INSTRUMENT),
    "instrument": lambda x, ply: (at("instrument", "G-01"), INSTRUMENT | {"basis": "Certificate"}),
}


@pytest.mark.parametrize("name", list(WRITES))
def test_a_technician_may(name, shop, technician, signed_in, scan_ply):
    url, form = WRITES[name](shop, scan_ply)
    answer = signed_in(technician).post(url, form)
    assert answer.status_code == 302, answer.context and answer.context["form"].errors
    assert Entry.objects.count() == 1


@pytest.mark.parametrize("name", list(WRITES))
@pytest.mark.parametrize("who", ["visitor", "site_person", "stranger"])
def test_others_are_refused_and_nothing_changes(name, who, shop, signed_in, request, scan_ply):
    url, form = WRITES[name](shop, scan_ply)
    before = Scan.objects.count(), Instrument.objects.count(), Measurement.objects.count(), StoredFile.objects.count()
    assert signed_in(request.getfixturevalue(who)).post(url, form).status_code == 403
    after = Scan.objects.count(), Instrument.objects.count(), Measurement.objects.count(), StoredFile.objects.count()
    assert (after, Entry.objects.count()) == (before, 0)


@pytest.mark.parametrize("name", list(WRITES))
def test_who_is_not_signed_in_is_asked_to_and_other_methods_are_refused(name, shop, client, lead, signed_in, scan_ply):
    url, form = WRITES[name](shop, scan_ply)
    assert signed_in(lead).put(url).status_code == 405
    answer = client.post(url, form)
    assert (answer.status_code, "next=" in answer.url) == (302, True)
    assert not Entry.objects.exists()


READS = {
    "scans": lambda: at("scans"),
    "scan": lambda: at("scan", "S-07"),
    "instruments": lambda: at("instruments"),
    "revision_scans": lambda: at("revision_scans", "SB-02", "A"),
}


@pytest.mark.parametrize("name", list(READS))
def test_every_page_is_read_by_a_visitor_and_by_nobody_without_a_role(name, shop, visitor, stranger, signed_in):
    assert signed_in(visitor).get(READS[name]()).status_code == 200
    assert signed_in(stranger).get(READS[name]()).status_code == 403
    assert signed_in(visitor).post(READS[name]()).status_code == 405


@pytest.mark.parametrize("name", ["upload", "withdraw", "measure", "add-instrument", "instrument"])
def test_every_form_opens(name, shop, technician, signed_in, scan_ply):
    assert signed_in(technician).get(WRITES[name](shop, scan_ply)[0]).status_code == 200


def test_what_is_not_there_is_not_found(shop, technician, signed_in):
    session = signed_in(technician)
    for url in (at("scan", "X"), at("upload", "X"), at("measure", "X"), at("instrument", "X")):
        assert session.get(url).status_code == 404


# ---- uploading -------------------------------------------------------------------------------------------------------


def test_a_pressed_twice_upload_is_one_scan(shop, technician, signed_in, scan_ply):
    session, once = signed_in(technician), str(uuid.uuid4())
    urls = [session.post(at("upload", "TP-SB-0001"), scan_form(shop["arm"], scan_ply, once=once)).url for _ in range(2)]
    assert urls == [at("scan", "S-09")] * 2
    assert Scan.objects.filter(original_name="scan.ply", state="waiting").count() == 1


def test_unit_and_instrument_are_filled_in(shop, technician, signed_in):
    form = signed_in(technician).get(at("upload", "TP-SB-0001")).context["form"]
    assert (form.initial["unit"], form.initial["instrument"]) == ("mm", shop["arm"])


@pytest.mark.parametrize(
    ("given", "field", "words"),
    [
        ({"content": None}, "file", "Choose the scan file"),
        ({"content": b""}, "file", "0 bytes"),
        ({"name": "photo.jpg"}, "file", "PLY, STL, OBJ"),
        ({"name": "scan.stl", "content": b"\x00\xff\x01" * 400}, "file", "not STL"),
        ({"unit": "furlong"}, "unit", "valid choice"),
        ({"scanned_at": "2026-05-12T13:00"}, "scanned_at", "demoulded"),
    ],
)
def test_bad_input_is_said_beside_its_field(shop, technician, signed_in, scan_ply, given, field, words):
    answer = signed_in(technician).post(
        at("upload", "TP-SB-0001"), scan_form(shop["arm"], **{"content": scan_ply} | given)
    )
    assert words in " ".join(answer.context["form"].errors[field])
    assert Scan.objects.count() == 2


def test_a_file_that_came_in_whole_is_not_asked_for_again(shop, technician, signed_in, scan_ply):
    session = signed_in(technician)
    first = session.post(at("upload", "TP-SB-0001"), scan_form(shop["arm"], scan_ply, scanned_at="2036-01-01T00:00"))
    kept = first.context["form"]["kept"].value()
    assert "scan.ply is here already" in first.content.decode()
    session.post(at("upload", "TP-SB-0001"), scan_form(shop["arm"], None, kept=kept))
    scan = Scan.objects.get(state="waiting")
    assert (scan.original_name, scan.file.size) == ("scan.ply", len(scan_ply))


def test_a_forged_claim_to_a_kept_file_is_worth_nothing(shop, technician, signed_in):
    answer = signed_in(technician).post(at("upload", "TP-SB-0001"), scan_form(shop["arm"], None, kept="abc:def"))
    assert "Choose the scan file" in answer.content.decode()


def test_what_is_missing_is_said_before_anything_is_uploaded(shop, technician, signed_in):
    Geometry.objects.update(current=False)
    page = signed_in(technician).get(at("upload", "TP-SB-0001")).content.decode()
    assert "no nominal mesh on file" in page
    assert 'type="file"' not in page


# ---- a scan's page ---------------------------------------------------------------------------------------------------


def test_under_way_the_page_shows_progress_and_a_stop_button(shop, technician, signed_in):
    Scan.objects.filter(code="S-08").update(stage="aligning", share=0.3, heartbeat=timezone.now())
    page = signed_in(technician).get(at("scan", "S-08")).content.decode()
    assert "Aligning, 30\u00a0%" in page
    assert at("stop", "S-08") in page
    assert "Look again" in page


def test_a_visitor_sees_no_stop_button(shop, visitor, signed_in):
    assert at("stop", "S-08") not in signed_in(visitor).get(at("scan", "S-08")).content.decode()


def test_the_job_alone_is_sent_while_under_way_and_the_whole_page_when_it_has_ended(shop, visitor, signed_in):
    session = signed_in(visitor)
    url = at("scan", "S-08") + "?part=job"
    fragment = session.get(url, headers=HTMX)
    assert b"<html" not in fragment.content
    assert fragment.headers["Vary"].count("HX-Request") == 1
    Scan.objects.update(state="stopped")
    ended = session.get(url, headers=HTMX)
    assert (ended.status_code, ended.headers["HX-Refresh"]) == (204, "true")
    assert b"<html" in session.get(url).content


def test_a_worker_that_gives_no_sign_of_life_is_said(shop, visitor, signed_in):
    session = signed_in(visitor)
    Scan.objects.filter(code="S-08").update(stage="aligning", heartbeat=timezone.now() - timedelta(minutes=2))
    assert "No sign of life" in session.get(at("scan", "S-08")).content.decode()
    Scan.objects.filter(code="S-08").update(state="waiting", heartbeat=None)
    assert "No worker has taken it up" in session.get(at("scan", "S-08")).content.decode()


def test_a_scan_in_the_wrong_unit_is_run_again_with_one_tap(shop, technician, signed_in):
    Scan.objects.filter(code="S-07").update(likely_unit="in")
    session = signed_in(technician)
    page = session.get(at("scan", "S-07")).content.decode()
    assert "Could not be measured" in page
    assert "Run again in inches" in page
    assert session.post(at("again", "S-07"), {"unit": "in"}).url == at("scan", "S-07")
    scan = Scan.objects.get(code="S-07")
    assert (scan.state, scan.unit) == ("waiting", "in")


def test_running_again_what_is_under_way_is_refused_in_words(shop, technician, signed_in):
    answer = signed_in(technician).post(at("again", "S-08"), {"unit": "in"})
    assert "is under way already" in answer.content.decode()


def test_stopping_what_has_ended_is_said_and_changes_nothing(shop, technician, signed_in):
    answer = signed_in(technician).post(at("stop", "S-07"), follow=True)
    assert "is not under way any more" in answer.content.decode()
    assert Scan.objects.get(code="S-07").state == "failed"


def test_a_finished_scan_says_its_verdict_its_regions_and_what_it_rests_on(upload, quick, visitor, signed_in):
    scan = upload()
    run(scan.pk, 1)
    session = signed_in(visitor)
    page = session.get(at("scan", "S-01")).content.decode()
    scan.refresh_from_db()
    assert scan.result.sentence in page
    assert scan.file.sha256 in page
    assert scan.result.nominal.file.sha256 in page
    assert 'aria-label="Histogram of deviations' in page
    assert scan.result.pictures.get(view="pictorial").file.sha256 in page
    top = session.get(at("scan", "S-01") + "?view=top&part=map", headers=HTMX).content.decode()
    assert "From above" in top
    assert "<html" not in top
    assert at("again", "S-01") not in page


def test_a_result_against_an_earlier_nominal_or_other_limits_says_so(upload, quick, block, lead, visitor, signed_in):
    run(upload().pk, 1)
    session = signed_in(visitor)
    block.characteristics.update(upper="0.5")
    assert "limits have changed since" in session.get(at("scan", "S-01")).content.decode()
    Geometry.objects.update(current=False)
    assert "an earlier nominal" in session.get(at("scan", "S-01")).content.decode()


def test_a_withdrawn_scan_shows_its_reason_and_offers_nothing_more(shop, technician, signed_in):
    session = signed_in(technician)
    session.post(at("withdraw", "S-07"), {"reason": "Scanned the wrong piece"})
    page = session.get(at("scan", "S-07")).content.decode()
    assert "Scanned the wrong piece" in page
    assert at("again", "S-07") not in page


# ---- measuring by hand -----------------------------------------------------------------------------------------------


def test_the_line_that_is_typed_gets_its_verdict_at_once(shop, technician, signed_in):
    session, url = signed_in(technician), at("measure", "TP-SB-0001")
    for value, words in [
        ("600", "Conforms"),
        ("600,9", "Inconclusive"),
        ("602", "Does not conform"),
        ("60", "Did you mean 600"),
        ("long", "not a number"),
    ]:
        said = session.post(url + "?line=2", measure_form(shop["calliper"], value), headers=HTMX).content.decode()
        assert words in said
        assert "<html" not in said
    assert not Measurement.objects.exists()


def test_lines_left_empty_are_not_measured(shop, block, technician, signed_in):
    make.characteristic(block, 3, name="Width", nominal=400, lower=399, upper=401)
    form = measure_form(shop["calliper"]) | {"value-3": "", "instrument-3": shop["calliper"].pk}
    signed_in(technician).post(at("measure", "TP-SB-0001"), form)
    assert [str(row.value) for row in Measurement.objects.all()] == ["600.2000"]


def test_a_refused_value_is_said_on_its_line_and_nothing_typed_is_lost(shop, technician, signed_in):
    answer = signed_in(technician).post(at("measure", "TP-SB-0001"), measure_form(shop["calliper"], "60,02"))
    page = answer.content.decode()
    assert "Did you mean 600.2" in page
    assert 'value="60,02"' in page
    assert not Measurement.objects.exists()


def test_the_instrument_used_last_is_chosen_and_only_those_of_the_unit_are_offered(shop, length, technician, signed_in):
    make.instrument("G-02", kind="scale", unit="kg")
    make.measurement(shop["piece"], length, 600, technician, shop["calliper"])
    field = signed_in(technician).get(at("measure", "TP-SB-0001")).context["form"].fields["instrument-2"]
    assert field.initial == shop["calliper"].pk
    assert "G-02" not in str(field.choices)


def test_the_casts_page_shows_scans_and_measurements(shop, length, technician, visitor, signed_in):
    make.measurement(shop["piece"], length, 600, technician, shop["calliper"])
    page = signed_in(visitor).get(reverse("casting:cast", args=["TPW", "TP-SB-0001"])).content.decode()
    assert at("scan", "S-07") in page
    assert "G-01 Long calliper" in page


# ---- instruments and lists -------------------------------------------------------------------------------------------


def test_an_overdue_calibration_is_marked(shop, visitor, signed_in):
    Instrument.objects.filter(code="G-01").update(due_on=NOON.date())
    assert "Overdue" in signed_in(visitor).get(at("instruments")).content.decode()


def test_the_unit_of_an_instrument_stays(shop, lead, signed_in):
    signed_in(lead).post(at("instrument", "G-01"), INSTRUMENT | {"unit": "kg", "basis": "Certificate"})
    assert Instrument.objects.get(code="G-01").unit == "mm"


@pytest.mark.parametrize("name", ["scans", "revision_scans", "instruments", "cast"])
def test_a_list_costs_the_same_for_2_and_for_20_rows(name, block, piece, arm, technician, visitor, signed_in):
    url = READS[name]() if name in READS else reverse("casting:cast", args=["TPW", "TP-SB-0001"])
    session = signed_in(visitor)

    def more(first, last):
        for n in range(first, last):
            cast = piece if name == "cast" else make.cast(block, technician, f"TP-SB-1{n:03d}")
            make_result(make_scan(cast, arm, technician, f"S-{n}"))
            row = make.characteristic(block, n + 10)
            make.measurement(piece, row, 600, technician, make.instrument(f"G-1{n}"))

    more(1, 3)
    session.get(url)  # whatever is cached once is cached now
    with CaptureQueriesContext(connection) as few:
        session.get(url)
    more(3, 21)
    with CaptureQueriesContext(connection) as many:
        session.get(url)
    assert len(few) == len(many)


def test_the_trend_names_its_finding(block, piece, arm, technician, visitor, signed_in):
    make_result(make_scan(piece, arm, technician), 1.4, result="does not conform")
    page = signed_in(visitor).get(READS["revision_scans"]()).content.decode()
    assert "0 of 1 conform; the last, TP-SB-0001, has +1.40 mm" in page
