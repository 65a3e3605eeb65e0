"""A job stopped or killed at each of its stages, and a scan that is bigger than memory. All records are invented."""

from datetime import timedelta

import pytest
from django.utils import timezone

from inspection import jobs, services
from inspection.jobs import STAGES, Reporter, recover, run
from inspection.models import Measurement, Scan, ScanPicture, ScanResult
from logbook.models import Entry
from metrology.reading import memory

pytestmark = pytest.mark.django_db


def nothing_written():
    return not (ScanResult.objects.exists() or ScanPicture.objects.exists() or Measurement.objects.exists())


@pytest.fixture
def every_stage(quick, monkeypatch):
    """Quick jobs of a part that has features, too."""
    whole = jobs.extras_of

    def extras_of(*given):
        given[-1]("features", 0.0)
        return whole(*given)

    monkeypatch.setattr(jobs, "extras_of", extras_of)


def at_stage(monkeypatch, wanted, act):
    """Let something happen when the job reports that it has come to a stage; the stages that it came to."""
    passed = []
    report = Reporter.__call__

    def reported(self, stage, share):
        report(self, stage, share)
        if stage not in passed:
            passed.append(stage)
            if stage == wanted:
                act()
                self.written = -1e9  # half a second later, as it were

    monkeypatch.setattr(Reporter, "__call__", reported)
    return passed


def test_the_job_comes_to_every_stage_in_their_order(upload, every_stage, monkeypatch):
    passed = at_stage(monkeypatch, "", lambda: None)
    assert run(upload().pk, 1)
    assert passed == list(STAGES)


@pytest.mark.parametrize("stage", STAGES)
def test_a_job_that_is_stopped_at_a_stage_leaves_nothing_and_runs_again(
    stage, upload, every_stage, monkeypatch, technician
):
    scan = upload()
    with monkeypatch.context() as patch:
        at_stage(patch, stage, lambda: services.ask_stop(Scan.objects.get(), by=technician))
        assert run(scan.pk, 1)
    scan.refresh_from_db()
    assert (scan.state, scan.stage, scan.error) == ("stopped", "", "")
    assert nothing_written()
    assert Entry.objects.first().act == "scan.stopped"
    services.run_again(scan, by=technician)
    assert run(scan.pk, 2)
    assert ScanResult.objects.count() == Measurement.objects.count() == 1


def killed():
    raise SystemExit(1)  # as by a power cut: no handler of the job runs to its end


@pytest.mark.parametrize("stage", STAGES)
def test_a_job_that_is_killed_at_a_stage_leaves_nothing_and_is_taken_up_again(stage, upload, every_stage, monkeypatch):
    scan = upload()
    with monkeypatch.context() as patch:
        at_stage(patch, stage, killed)
        with pytest.raises(SystemExit):
            run(scan.pk, 1)
    scan.refresh_from_db()
    assert (scan.state, scan.stage) == ("running", stage)
    assert nothing_written()
    Scan.objects.update(heartbeat=timezone.now() - timedelta(minutes=2))
    assert recover() == "1\u00a0scan taken up again"
    assert run(scan.pk, 2)
    scan.refresh_from_db()
    assert scan.state == "done"
    assert ScanResult.objects.count() == Measurement.objects.count() == 1


def test_a_scan_bigger_than_memory_fails_with_what_would_fit_and_runs_where_there_is_more(upload, quick, monkeypatch):
    scan = upload()
    with monkeypatch.context() as patch:
        patch.setattr(memory, "SMALL_ENOUGH", 1000)
        patch.setitem(memory.BYTES_PER_POINT, "mesh", 0)
        patch.setattr(memory, "free_bytes", lambda: 500_000)
        assert run(scan.pk, 1)
    scan.refresh_from_db()
    assert (scan.state, scan.error_code) == ("failed", "too-large-for-memory")
    assert "The file holds about 4,000 points" in scan.error
    assert "Thin it to" in scan.error
    assert nothing_written()
    services.run_again(scan, by=scan.scanned_by)
    assert run(scan.pk, 2)


def test_a_job_whose_reader_runs_out_of_memory_says_so(upload, quick, monkeypatch):
    def read(*args, **given):
        raise MemoryError

    monkeypatch.setattr(jobs, "read_scan_file", read)
    scan = upload()
    assert run(scan.pk, 1)
    scan.refresh_from_db()
    assert (scan.state, scan.error_code) == ("failed", "memory")
    assert nothing_written()
