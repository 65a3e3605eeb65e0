"""A scan outside its job: uploaded, refused, stopped, run again, withdrawn. All records are invented."""

from datetime import timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django_tasks_db.models import DBTaskResult

from inspection import services
from inspection.models import Scan
from inspection.queries import scan_trend, usual_scanner
from logbook.models import Entry
from parts.models import Characteristic, Geometry
from tests import make
from tests.inspection.rows import make_result, make_scan
from tests.make import NOON
from tests.refusals import refused

pytestmark = pytest.mark.django_db


def test_an_uploaded_scan_waits_with_its_file_unit_and_entry(upload, scan_ply):
    scan = upload()
    assert (scan.code, scan.state, scan.attempt, scan.unit) == ("S-01", "waiting", 1, "mm")
    with scan.file.open() as kept:
        assert kept.read() == scan_ply
    assert Entry.objects.get().details == {"file": scan.file.sha256, "instrument": "G-07", "reading": {}}


def test_the_job_is_handed_over_when_the_row_is_there(upload, settings, django_capture_on_commit_callbacks):
    settings.TASKS = {"default": {"BACKEND": "django_tasks_db.DatabaseBackend"}}
    with django_capture_on_commit_callbacks(execute=True):
        scan = upload()
        assert not DBTaskResult.objects.exists()
    task = DBTaskResult.objects.get()
    assert (task.task_path, task.args_kwargs["args"]) == ("inspection.jobs.measure_scan", [scan.pk, 1])


def test_an_uploaded_file_is_streamed(upload, scan_ply):
    assert upload(file=SimpleUploadedFile("scan.ply", scan_ply)).file.size == len(scan_ply)


@pytest.mark.parametrize("name", ["drawing.pdf", "photo.jpg", "scan", "scan.ply.exe"])
def test_a_file_that_is_no_scan_by_name_is_refused(upload, name):
    assert "PLY" in refused("not-a-scan", upload, original_name=name).sentence


@pytest.mark.parametrize(
    ("name", "content", "code"),
    [
        ("scan.ply", b"", "empty-file"),
        ("scan.csv", b"  \n \n", "empty-file"),
        ("scan.stl", b"%PDF-1.7 not a mesh at all", "not-a-mesh"),
        ("scan.stl", b"\x00\x01\x02\xff" * 500, "not-a-mesh"),
        ("scan.csv", b"\x89PNG\r\n\x1a\n picture", "no-points"),
    ],
)
def test_a_file_that_is_no_scan_by_content_is_refused_at_once(upload, name, content, code):
    said = refused(code, upload, original_name=name, file=content)
    assert said.field == "file"


def test_without_a_nominal_nothing_is_uploaded(upload):
    Geometry.objects.update(current=False)
    assert "nominal" in refused("no-nominal", upload).sentence


@pytest.mark.parametrize("change", [{"kind": "flatness"}, {"lower": None}, {"unit": "kg"}])
def test_without_a_profile_with_two_limits_nothing_is_uploaded(upload, change):
    Characteristic.objects.update(**change)
    refused("no-profile", upload)


def test_what_is_still_in_the_mould_is_not_scanned(upload, block, technician):
    refused("in-mould", upload, make.cast(block, technician, "TP-SB-0002", demoulded_at=None))


def test_a_scan_before_demoulding_or_in_the_future_is_refused(upload):
    refused("before-demould", upload, scanned_at=NOON)
    refused("future", upload, scanned_at=NOON + timedelta(days=3), at=NOON + timedelta(days=2))


def test_an_instrument_that_does_not_measure_in_mm_is_refused(upload):
    refused("instrument", upload, instrument=make.instrument("G-08", unit="kg"))


def test_an_unknown_unit_is_refused(upload):
    refused("no-unit", upload, unit="furlong")


def test_the_same_file_is_one_scan(upload):
    upload()
    assert "Run that one again" in refused("same-file", upload).sentence


def test_the_same_file_does_not_show_two_pieces(upload, block, technician):
    upload()
    other = make.cast(block, technician, "TP-SB-0002")
    assert "S-01 of TP-SB-0001" in refused("same-file", upload, other).sentence


def test_a_file_uploaded_to_the_wrong_piece_goes_to_the_right_one_once_withdrawn(upload, block, technician):
    scan = upload()
    services.ask_stop(scan, by=technician)
    services.withdraw_scan(scan, by=technician, reason="Wrong piece")
    assert upload(make.cast(block, technician, "TP-SB-0002")).code == "S-02"


def test_a_waiting_scan_stops_at_once(upload, technician):
    scan = upload()
    services.ask_stop(scan, by=technician)
    assert Scan.objects.get().state == "stopped"
    refused("not-under-way", services.ask_stop, scan, by=technician)


def test_a_scan_under_way_is_asked_to_stop(upload, technician):
    scan = upload()
    Scan.objects.update(state="running")
    services.ask_stop(scan, by=technician)
    scan.refresh_from_db()
    assert (scan.state, scan.stop_asked) == ("running", True)


def test_a_failed_scan_runs_again_in_another_unit(upload, technician):
    scan = upload()
    Scan.objects.update(state="failed", error_code="size-mismatch", error="x", likely_unit="in")
    services.run_again(scan, by=technician, unit="in")
    scan.refresh_from_db()
    assert (scan.state, scan.attempt, scan.unit, scan.error, scan.likely_unit) == ("waiting", 2, "in", "", "")
    assert "in in instead of mm" in Entry.objects.first().sentence


@pytest.mark.parametrize("state", ["waiting", "running"])
def test_a_scan_under_way_is_not_run_twice(upload, technician, state):
    scan = upload()
    Scan.objects.update(state=state)
    refused("under-way", services.run_again, scan, by=technician)


def test_two_people_who_run_a_scan_again_start_one_attempt(upload, technician):
    scan = upload()
    Scan.objects.update(state="failed")
    twin = Scan.objects.get()
    services.run_again(scan, by=technician)
    refused("under-way", services.run_again, twin, by=technician)
    assert Scan.objects.get().attempt == 2


def test_a_withdrawn_scan_needs_a_reason_stays_readable_and_does_not_run(upload, technician):
    scan = upload()
    refused("under-way", services.withdraw_scan, scan, by=technician, reason="Dusty")
    services.ask_stop(scan, by=technician)
    refused("no-reason", services.withdraw_scan, scan, by=technician, reason=" ")
    services.withdraw_scan(scan, by=technician, reason="Dusty")
    refused("withdrawn", services.withdraw_scan, scan, by=technician, reason="Dusty")
    refused("withdrawn", services.run_again, scan, by=technician)
    assert Scan.objects.get().withdrawn_why == "Dusty"


def test_the_usual_scanner_is_the_persons_last_one(upload, technician, lead, arm):
    make.instrument("G-01", kind="scanner", name="Old one")
    assert usual_scanner(make.kit(), technician) is None
    upload()
    assert usual_scanner(make.kit(), technician) == usual_scanner(make.kit(), lead) == arm


def test_the_trend_has_the_newest_scan_of_each_cast_in_the_order_of_pouring(block, technician, arm):
    later = make.cast(block, technician, "TP-SB-0002", poured_at=NOON + timedelta(hours=1))
    first = make.cast(block, technician, "TP-SB-0001")
    for number, (cast, worst, day) in enumerate([(later, 0.3, 3), (first, 0.9, 3), (first, 0.5, 4)]):
        scan = make_scan(cast, arm, technician, f"S-{number}", NOON + timedelta(days=day))
        make_result(scan, worst)
    assert [(scan.cast.serial, scan.result.worst) for scan in scan_trend(block)] == [
        ("TP-SB-0001", 0.5),
        ("TP-SB-0002", 0.3),
    ]
