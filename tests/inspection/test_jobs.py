"""The job: claimed once, stopped, failed, killed in the middle, taken up again. All records are invented."""

from datetime import timedelta
from types import SimpleNamespace

import numpy as np
import pytest
from django.utils import timezone

from inspection import jobs, results, services
from inspection.jobs import Reporter, overall, recover, run
from inspection.models import Measurement, Scan, ScanPicture, ScanResult
from logbook.models import Entry
from metrology.errors import AlignmentError, Stopped
from parts.models import Characteristic, Geometry
from tests.inspection.conftest import measured_once

pytestmark = pytest.mark.django_db


def state(scan):
    scan.refresh_from_db()
    return scan.state


def nothing_written():
    return not (ScanResult.objects.exists() or ScanPicture.objects.exists() or Measurement.objects.exists())


def test_the_whole_job_from_file_to_verdict(upload, block, monkeypatch):
    monkeypatch.setattr(results, "VIEWS", ("top",))  # one picture shows that pictures are drawn
    scan = upload()
    assert run(scan.pk, 1)
    assert state(scan) == "done", scan.error
    result = scan.result
    assert result.result == "conforms"
    assert 0.1 < abs(result.worst) < 0.6
    assert result.coverage > 0.9
    assert result.figures["points_read"] == 4000
    assert set(result.figures["seconds"]) == {
        "reading", "checking units", "aligning", "measuring", "summing up", "walls", "drawing",
    }  # fmt: skip
    assert {picture.view for picture in result.pictures.all()} == set(results.VIEWS)
    assert all(picture.file.size < 200_000 for picture in result.pictures.all())
    with result.deviations.open() as kept:
        shape = np.load(kept)["deviation"].shape
    assert shape == (len(measured_once().sample_deviation),)
    value = Measurement.objects.get()
    assert (float(value.value), value.result, value.scan) == (round(result.worst, 3), "conforms", scan)


def test_a_scan_in_the_wrong_unit_is_caught_and_says_which_would_fit(upload):
    scan = upload(unit="in")
    run(scan.pk, 1)
    assert state(scan) == "failed"
    assert (scan.error_code, scan.likely_unit) == ("size-mismatch", "mm")
    assert nothing_written()


def test_a_file_cut_off_in_the_middle_fails_with_a_sentence(upload, scan_ply):
    scan = upload(file=scan_ply[:20_000])
    run(scan.pk, 1)
    assert (state(scan), scan.error_code) == ("failed", "truncated")
    assert "upload" in scan.error.lower() or "export" in scan.error.lower()


@pytest.mark.parametrize(
    ("rows", "code"),
    [
        (["1,2,3", "4,5,6", "7,8,10"], "too-few-points"),
        ([f"{n},{n * n % 97},nan" for n in range(400)], "not-finite"),
        ([f"{n},{n * n % 97},high" for n in range(400)], "bad-row"),
    ],
)
def test_points_that_cannot_be_used_fail_with_a_sentence(upload, rows, code):
    scan = upload(file="\n".join(rows).encode(), original_name="points.csv")
    run(scan.pk, 1)
    assert (state(scan), scan.error_code) == ("failed", code)
    assert nothing_written()


def test_an_attempt_is_measured_once_however_often_it_is_handed_over(upload, quick):
    scan = upload()
    assert run(scan.pk, 1)
    assert not run(scan.pk, 1)
    assert not run(scan.pk, 2)
    assert ScanResult.objects.count() == Measurement.objects.count() == 1


def test_a_scan_that_was_stopped_while_it_waited_is_not_measured(upload, quick):
    scan = upload()
    Scan.objects.update(state="stopped")
    assert not run(scan.pk, 1)
    assert nothing_written()


def while_aligning(monkeypatch, act):
    """Let something happen in the middle of the job."""
    whole = jobs.compare

    def compared(mesh, cloud, settings, regions, progress):
        act()
        return whole(mesh, cloud, settings, regions, progress)

    monkeypatch.setattr(jobs, "compare", compared)


def test_a_stop_in_the_middle_leaves_nothing(upload, quick, monkeypatch):
    scan = upload()
    while_aligning(monkeypatch, lambda: Scan.objects.update(stop_asked=True))
    run(scan.pk, 1)
    assert state(scan) == "stopped"
    assert nothing_written()
    assert Entry.objects.first().act == "scan.stopped"


@pytest.mark.parametrize(("change", "left"), [({"stop_asked": True}, "stopped"), ({"attempt": 2}, "running")])
def test_what_happens_after_the_last_report_still_counts(upload, quick, monkeypatch, change, left):
    scan = upload()
    monkeypatch.setattr(Reporter, "__call__", lambda *given: None)
    monkeypatch.setattr(jobs, "save_result", lambda *given: pytest.fail("nothing may be saved"))
    while_aligning(monkeypatch, lambda: Scan.objects.update(**change))
    run(scan.pk, 1)
    assert state(scan) == left


def test_a_worker_that_lost_its_attempt_writes_nothing(upload, quick, monkeypatch):
    scan = upload()
    while_aligning(monkeypatch, lambda: Scan.objects.update(attempt=2, state="waiting"))
    run(scan.pk, 1)
    assert (state(scan), scan.attempt) == ("waiting", 2)
    assert nothing_written()


def test_a_worker_that_lost_its_attempt_to_another_that_runs_writes_nothing(upload, quick, monkeypatch):
    scan = upload()
    while_aligning(monkeypatch, lambda: Scan.objects.update(attempt=2))
    run(scan.pk, 1)
    assert (state(scan), scan.attempt) == ("running", 2)
    assert nothing_written()


def raising(error):
    def compared(*args):
        raise error

    return compared


def test_what_cannot_be_measured_fails_with_the_reason(upload, quick, monkeypatch):
    monkeypatch.setattr(jobs, "compare", raising(AlignmentError("wrong-part", "This is another part.")))
    scan = upload()
    run(scan.pk, 1)
    assert (state(scan), scan.error_code, scan.error) == ("failed", "wrong-part", "This is another part.")


@pytest.mark.parametrize(("error", "code"), [(ZeroDivisionError("x"), "unexpected"), (MemoryError(), "memory")])
def test_a_fault_of_the_program_is_said_plainly_and_logged(upload, quick, monkeypatch, caplog, error, code):
    monkeypatch.setattr(jobs, "compare", raising(error))
    scan = upload()
    run(scan.pk, 1)
    assert (state(scan), scan.error_code) == ("failed", code)
    assert "Traceback" not in scan.error
    assert caplog.records[-1].exc_info[0] is type(error)


def test_a_fault_while_saving_rolls_everything_back(upload, quick, monkeypatch):
    monkeypatch.setattr(results, "_feed", raising(ZeroDivisionError()))
    scan = upload()
    run(scan.pk, 1)
    assert (state(scan), scan.error_code) == ("failed", "unexpected")
    assert nothing_written()


def killed(monkeypatch, scan):
    """The worker dies in the middle, as by a power cut: no handler of the job runs to its end."""
    monkeypatch.setattr(jobs, "compare", raising(SystemExit(1)))
    with pytest.raises(SystemExit):
        run(scan.pk, scan.attempt)
    Scan.objects.update(heartbeat=timezone.now() - timedelta(minutes=2))


def test_a_killed_job_leaves_the_scan_under_way_and_nothing_written(upload, quick, monkeypatch):
    scan = upload()
    killed(monkeypatch, scan)
    assert state(scan) == "running"
    assert nothing_written()


def test_a_killed_job_is_taken_up_again_and_measured(upload, quick, monkeypatch, django_capture_on_commit_callbacks):
    handed = []
    monkeypatch.setattr(jobs, "measure_scan", SimpleNamespace(enqueue=lambda *given: handed.append(given)))
    scan = upload()
    with monkeypatch.context() as patch:
        killed(patch, scan)
    with django_capture_on_commit_callbacks(execute=True):
        assert recover() == "1\u00a0scan taken up again"
    assert (state(scan), scan.attempt) == ("waiting", 2)
    assert handed[-1] == (scan.pk, 2)
    assert not run(scan.pk, 1)
    assert run(scan.pk, 2)
    assert state(scan) == "done"


def test_a_job_that_dies_twice_has_failed(upload, quick, monkeypatch):
    scan = upload()
    killed(monkeypatch, scan)
    recover()
    scan.refresh_from_db()
    killed(monkeypatch, scan)
    assert recover() == "1\u00a0scan ended"
    assert (state(scan), scan.error_code) == ("failed", "worker-died")


def test_a_killed_job_that_was_asked_to_stop_is_stopped(upload, quick, monkeypatch):
    scan = upload()
    killed(monkeypatch, scan)
    Scan.objects.update(stop_asked=True)
    recover()
    assert state(scan) == "stopped"


def test_a_job_that_gives_signs_of_life_is_left_alone(upload):
    scan = upload()
    Scan.objects.update(state="running", heartbeat=timezone.now() - timedelta(seconds=30))
    assert recover() == ""
    assert state(scan) == "running"


def test_at_the_start_of_the_only_worker_nobody_else_is_at_work(upload):
    scan = upload()
    Scan.objects.update(state="running", heartbeat=timezone.now())
    assert recover(stale_after=timedelta(0)) == "1\u00a0scan taken up again"
    assert state(scan) == "waiting"


def test_what_waits_can_be_handed_over_again(upload, monkeypatch):
    handed = []
    monkeypatch.setattr(jobs, "measure_scan", SimpleNamespace(enqueue=lambda *given: handed.append(given)))
    scan = upload()
    assert recover(waiting_too=True) == "1\u00a0waiting scan handed over"
    assert handed == [(scan.pk, 1)]


def test_run_again_replaces_the_result_and_its_measurement(upload, quick, technician):
    scan = upload()
    run(scan.pk, 1)
    first = ScanResult.objects.get().pk
    scan.refresh_from_db()
    services.run_again(scan, by=technician)
    assert run(scan.pk, 2)
    assert ScanResult.objects.get().pk != first
    assert list(Measurement.objects.order_by("pk").values_list("replaced", flat=True)) == [True, False]


def test_an_older_scan_run_again_does_not_push_the_newer_value_aside(upload, quick, technician, scan_ply):
    old = upload(scanned_at=timezone.now() - timedelta(hours=2))
    new = upload(file=scan_ply + b" ", original_name="second.ply")
    Scan.objects.filter(pk=new.pk).update(file=old.file)  # one readable file will do for both
    run(old.pk, 1)
    run(new.pk, 1)
    old.refresh_from_db()
    services.run_again(old, by=technician)
    run(old.pk, 2)
    assert Measurement.objects.get(replaced=False).scan == new


def test_a_withdrawn_scans_value_no_longer_counts(upload, quick, technician):
    scan = upload()
    run(scan.pk, 1)
    scan.refresh_from_db()
    services.withdraw_scan(scan, by=technician, reason="Dusty")
    assert Measurement.objects.get().replaced


def test_a_profile_measured_by_hand_takes_no_value_from_the_scan(upload, quick):
    Characteristic.objects.update(method="by hand")
    run(upload().pk, 1)
    assert not Measurement.objects.exists()


@pytest.mark.parametrize("lost", [Geometry, Characteristic])
def test_a_definition_that_went_away_meanwhile_is_said(upload, quick, lost):
    scan = upload()
    lost.objects.update(**({"current": False} if lost is Geometry else {"kind": "flatness"}))
    run(scan.pk, 1)
    assert (state(scan), scan.error_code) == ("failed", "nothing-to-compare")


def test_u_is_brought_to_k_2(upload, quick, arm):
    arm.coverage_factor = 3
    arm.save()
    scan = upload()
    run(scan.pk, 1)
    assert scan.result.uncertainty == pytest.approx(0.08)


def test_progress_is_written_at_most_twice_a_second_and_at_each_new_stage(upload, django_assert_num_queries):
    scan = upload()
    Scan.objects.update(state="running")
    ticks = iter([0.0, 0.1, 0.2, 0.6, 0.7, 0.7, 0.7])
    now = {"at": 0.0}
    report = Reporter(scan, clock=lambda: now["at"])
    with django_assert_num_queries(3):
        for stage, share in [("reading", 0), ("reading", 0.2), ("reading", 0.4), ("reading", 0.6), ("aligning", 0.0)]:
            now["at"] = next(ticks)
            report(stage, share)
    scan.refresh_from_db()
    assert (scan.stage, scan.share) == ("aligning", pytest.approx(overall("aligning", 0)))


def test_the_reporter_stops_a_job_that_was_asked_to(upload):
    scan = upload()
    Scan.objects.update(state="running", stop_asked=True)
    with pytest.raises(Stopped):
        Reporter(scan)("reading", 0)


def test_the_reporter_stops_a_job_whose_attempt_is_no_longer_its_own(upload):
    scan = upload()
    report = Reporter(scan)
    Scan.objects.update(state="running", attempt=2)
    with pytest.raises(Stopped):
        report("reading", 0)


def test_the_shares_of_the_stages_make_a_whole_and_only_grow():
    assert sum(jobs.STAGES.values()) == pytest.approx(1)
    steps = [overall(stage, share) for stage in jobs.STAGES for share in (0, 0.5, 1)]
    assert steps == sorted(steps)
    assert (steps[0], steps[-1]) == (0, pytest.approx(1))
