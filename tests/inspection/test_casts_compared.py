"""Comparing casts: which count, what the job finds, what is refused, and how it ends when it goes wrong."""

from datetime import timedelta

import numpy as np
import pytest
from django.utils import timezone

from casting.models import Cast
from inspection import compared, compared_job, mould_recovery
from inspection.mould_models import CastsCompared
from inspection.services import mould_correction as services
from logbook.files import keep, local_path
from logbook.models import Entry
from metrology.errors import InputError
from parts import work
from parts.models import Characteristic, Geometry
from tests import make
from tests.inspection.rows import make_result, make_scan
from tests.inspection.scanned_casts import blank_pictures, deviations, grown, scanned
from tests.make import NOON
from tests.refusals import refused

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def no_pictures(monkeypatch):
    blank_pictures(monkeypatch)


@pytest.fixture
def mould(block):
    return make.mould(block, kind="two-part")


@pytest.fixture
def three(block, mould, arm, technician):
    return scanned(block, mould, arm, technician, [grown(-0.004), grown(-0.005), grown(-0.006)])


def worked_out(row):
    compared_job.run(row.pk, row.attempt)
    row.refresh_from_db()
    return row


# ---- which casts count -----------------------------------------------------------------------------------------------


def test_the_newest_scan_of_each_cast_counts_in_the_order_of_pouring(block, mould, three, arm, technician):
    again = make_scan(three[0].cast, arm, technician, "S-99", scanned_at=NOON + timedelta(days=9))
    make_result(again, deviations=keep(deviations(0.1), "application/x-npz"))
    (group,) = compared.groups_of(block)
    assert [scan.code for scan in group.scans] == ["S-99", "S-02", "S-03"]


def test_pours_between_that_nobody_scanned_are_counted(block, mould, three, technician):
    make.cast(
        block, technician, "TP-SB-0100", mould=mould, poured_at=NOON + timedelta(days=1, hours=5), demoulded_at=None
    )
    (group,) = compared.groups_of(block)
    assert [group.pours[scan.cast_id] for scan in group.scans] == [1, 3, 4]


def test_moulds_are_kept_apart_and_casts_of_no_known_mould_too(block, mould, three, arm, technician):
    other = make.mould(block, "M-02")
    scanned(block, other, arm, technician, [0.1], first=10)
    scanned(block, None, arm, technician, [0.2], first=20)
    assert [(group.mould, len(group.scans)) for group in compared.groups_of(block)] == [
        (mould, 3),
        (other, 1),
        (None, 1),
    ]


@pytest.mark.parametrize(
    ("spoil", "left"),
    [
        (lambda scan: Cast.objects.filter(pk=scan.cast_id).update(standing="scrapped"), 0),
        (lambda scan: type(scan).objects.filter(pk=scan.pk).update(withdrawn_at=NOON), 0),
        (lambda scan: type(scan).objects.filter(pk=scan.pk).update(state="failed"), 0),
        (lambda scan: type(scan.result).objects.filter(scan=scan).update(deviations=None), 1),
        (lambda scan: type(scan.result).objects.filter(scan=scan).update(figures={"alignment": {"kind": "marked"}}), 1),
    ],
)
def test_scans_that_cannot_be_compared_are_left_out(block, three, spoil, left):
    spoil(three[0])
    (group,) = compared.groups_of(block)
    assert [scan.code for scan in group.scans] == ["S-02", "S-03"]
    assert len(group.left_out) == left
    assert all("run its scan again" in one.why for one in group.left_out)


def test_a_scan_against_an_earlier_nominal_is_left_out_with_its_reason(block, three, lead):
    Geometry.objects.filter(revision=block).update(current=False)
    make.geometry(block, lead, content=b"another")
    (group,) = compared.groups_of(block)
    assert not group.scans and "earlier nominal" in group.left_out[0].why


def test_the_queries_do_not_grow_with_the_casts(block, mould, arm, technician, django_assert_num_queries):
    scanned(block, mould, arm, technician, [0.1] * 2)
    nominal = block.geometry.get()
    with django_assert_num_queries(2):
        compared.groups_of(block, nominal)
    scanned(block, mould, arm, technician, [0.1] * 18, first=3)
    with django_assert_num_queries(2):
        assert len(compared.groups_of(block, nominal)[0].scans) == 20


# ---- the job ---------------------------------------------------------------------------------------------------------


def test_the_job_finds_what_is_the_moulds_and_what_the_processs(block, mould, three, lead):
    row = worked_out(services.compare_casts(block, mould, by=lead))
    assert row.state == "done" and row.error == ""
    assert row.sentence.startswith("Of the usual profile error of")
    figures = row.figures
    assert [cast["serial"] for cast in figures["casts"]] == ["TP-SB-0001", "TP-SB-0002", "TP-SB-0003"]
    assert figures["mould_rms"] > 3 * figures["process_sd"] > 0
    assert [axis["value"] for axis in figures["shrinkage"]] == pytest.approx([0.005] * 3, abs=1e-4)
    assert {(picture.kind, picture.view) for picture in row.pictures.all()} == {
        (kind, view) for kind in ("mean", "scatter") for view in compared_job.VIEWS
    }
    with local_path(row.data) as path, np.load(path) as kept:
        assert np.nanmean(kept["counted"]) == 3 and kept["mean"].shape == kept["scatter"].shape
    entry = Entry.objects.get(act="casts.compared")
    assert entry.who is None and entry.details["casts"] == ["TP-SB-0001", "TP-SB-0002", "TP-SB-0003"]


def test_one_cast_has_a_map_and_says_that_it_cannot_tell_them_apart(block, mould, arm, technician, lead):
    scanned(block, mould, arm, technician, [grown(-0.005)])
    row = worked_out(services.compare_casts(block, mould, by=lead))
    assert row.sentence.startswith("One cast was scanned")
    assert {picture.kind for picture in row.pictures.all()} == {"mean"}
    assert row.figures["mould_share"] is None and row.figures["trend"] is None


def test_the_fill_face_of_an_open_face_mould_is_left_out_of_the_figures(block, arm, technician, lead):
    mould = make.mould(block, kind="open-face", pull="-z")
    scanned(block, mould, arm, technician, [lambda p, n: np.where((p[:, 2] < 0.1) & (n[:, 2] < -0.9), 3.0, 0.1)] * 3)
    row = worked_out(services.compare_casts(block, mould, by=lead))
    assert row.figures["formed"] < 0.95 and row.figures["worst_mean"] == pytest.approx(0.1, abs=1e-3)


def test_casts_of_no_known_mould_are_compared_without_a_shrinkage(block, arm, technician, lead):
    scanned(block, None, arm, technician, [0.1, 0.2, 0.3])
    row = worked_out(services.compare_casts(block, None, by=lead))
    assert row.state == "done" and row.figures["shrinkage"] == []
    assert "not known in which mould" in row.figures["said"]["shrinkage"]


def test_a_trend_is_found_over_the_pours(block, mould, arm, technician, lead):
    scanned(block, mould, arm, technician, [0.02 * k + off for k, off in enumerate((0.001, 0, -0.001, 0.001, 0))])
    row = worked_out(services.compare_casts(block, mould, by=lead))
    assert row.figures["trend"]["whole"]["value"] == pytest.approx(0.02, abs=5e-4)
    assert "grows by" in row.figures["said"]["trend"]


def test_scans_that_changed_while_it_waited_end_it_with_a_reason(block, mould, three, lead):
    row = services.compare_casts(block, mould, by=lead)
    three[0].withdrawn_at = NOON
    three[0].save()
    assert worked_out(row).state == "failed" and row.error_code == "scans-changed"
    assert Entry.objects.filter(act="castscompared.failed").count() == 1


def test_what_goes_wrong_in_the_program_is_said_without_a_traceback(block, mould, three, lead, monkeypatch):
    row = services.compare_casts(block, mould, by=lead)
    monkeypatch.setattr(compared_job, "compare_casts", lambda *args, **given: 1 / 0)
    assert worked_out(row).error == work.UNEXPECTED
    assert not row.pictures.exists()


def test_a_sentence_of_the_numbers_is_passed_on(block, mould, three, lead, monkeypatch):
    def stop(*args, **given):
        raise InputError("no-samples", "A scan has no measured places on file. Run it again.")

    row = services.compare_casts(block, mould, by=lead)
    monkeypatch.setattr(compared_job, "compare_casts", stop)
    assert worked_out(row).error == "A scan has no measured places on file. Run it again."


def test_an_attempt_is_worked_out_once(block, mould, three, lead):
    row = services.compare_casts(block, mould, by=lead)
    assert compared_job.run(row.pk, 1)
    assert not compared_job.run(row.pk, 1) and not compared_job.run(row.pk, 2)


def test_an_attempt_that_was_taken_over_writes_nothing(block, mould, three, lead, monkeypatch):
    row = services.compare_casts(block, mould, by=lead)
    real = compared_job.compare_casts

    def taken_over(*args, **given):
        CastsCompared.objects.update(attempt=2)
        return real(*args, **given)

    monkeypatch.setattr(compared_job, "compare_casts", taken_over)
    compared_job.run(row.pk, 1)
    row.refresh_from_db()
    assert row.state == "running" and row.sentence == "" and not row.pictures.exists()


def test_work_whose_worker_died_is_taken_up_once(
    block, mould, three, lead, monkeypatch, django_capture_on_commit_callbacks
):
    handed = []
    monkeypatch.setattr(mould_recovery, "KINDS", ((CastsCompared, lambda *args: handed.append(args)),))
    row = services.compare_casts(block, mould, by=lead)
    old = timezone.now() - timedelta(hours=1)
    CastsCompared.objects.update(state="running", heartbeat=old)
    with django_capture_on_commit_callbacks(execute=True):
        assert mould_recovery.recover() == "1\u00a0casts compared taken up again"
    assert handed == [(row.pk, 2)]
    CastsCompared.objects.update(state="running", heartbeat=old)
    mould_recovery.recover()
    row.refresh_from_db()
    assert (row.state, row.error_code) == ("failed", "worker-died")


def test_living_work_is_left_alone_and_waiting_work_handed_over_at_the_start(block, mould, three, lead, monkeypatch):
    handed = []
    monkeypatch.setattr(mould_recovery, "KINDS", ((CastsCompared, lambda *args: handed.append(args)),))
    row = services.compare_casts(block, mould, by=lead)
    mould_recovery.recover()
    assert handed == []
    mould_recovery.recover(waiting_too=True)
    assert handed == [(row.pk, 1)]


# ---- refusals --------------------------------------------------------------------------------------------------------


def test_no_cast_with_a_scan_is_refused(block, mould, lead):
    refusal = refused("no-casts", services.compare_casts, block, mould, by=lead)
    assert "No cast from mould M-01 has a scan that can be compared." in refusal.sentence


def test_without_a_nominal_or_a_profile_it_is_refused(block, mould, three, lead):
    Characteristic.objects.filter(revision=block).update(kind="other")
    refused("no-profile", services.compare_casts, block, mould, by=lead)
    Geometry.objects.filter(revision=block).update(current=False)
    refused("no-nominal", services.compare_casts, block, mould, by=lead)


def test_the_same_casts_are_not_compared_twice_at_a_time(block, mould, three, lead):
    services.compare_casts(block, mould, by=lead)
    refused("under-way", services.compare_casts, block, mould, by=lead)


def test_asking_is_in_the_logbook_with_the_casts(block, mould, three, lead):
    services.compare_casts(block, mould, by=lead)
    entry = Entry.objects.get()
    assert (entry.who, entry.act, entry.trail) == (lead, "casts.compare-asked", "TPW/SB-02/M-01")
    assert "TP-SB-0001, TP-SB-0002 and TP-SB-0003" in entry.sentence


def test_a_comparison_that_waits_is_stopped_at_once(block, mould, three, lead):
    row = services.compare_casts(block, mould, by=lead)
    work.ask_stop(row, by=lead)
    assert row.state == "stopped" and not compared_job.run(row.pk, 1)
    assert Entry.objects.filter(act="castscompared.stopped").count() == 1
