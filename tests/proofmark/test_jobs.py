"""Signs of life of the worker, and what a worker that died left behind."""

import os
import threading
import time
from datetime import timedelta

import pytest
from django.core.checks import Tags, run_checks
from django.core.management import call_command
from django.utils import timezone
from django_tasks import TaskResultStatus
from django_tasks_db.models import DBTaskResult

from proofmark import jobs
from proofmark.management.commands import worker as worker_command
from releases.jobs import make_packet


@pytest.fixture(autouse=True)
def own_data_folder(settings, tmp_path):
    settings.DATA_DIR = tmp_path


@pytest.fixture
def queued(db, settings):
    """queued(**fields) is a job in the real queue, as the web server leaves it."""
    settings.TASKS = {"default": {"BACKEND": "django_tasks_db.DatabaseBackend"}}

    def job(**fields):
        row = DBTaskResult.objects.get(pk=make_packet.enqueue(0).id)
        DBTaskResult.objects.filter(pk=row.pk).update(**fields)
        row.refresh_from_db()
        return row

    return job


def test_a_working_worker_gives_signs_of_life_and_a_finished_one_none():
    assert not jobs.worker_lives()
    with jobs.sign_of_life(every=0.01):
        wait_for(jobs.worker_lives)
    assert not jobs.worker_lives()


def test_the_sign_is_given_again_and_again():
    with jobs.sign_of_life(every=0.01):
        wait_for(jobs.beat_file().exists)
        jobs.beat_file().unlink()
        wait_for(jobs.beat_file().exists)


def test_an_old_sign_is_none():
    jobs.beat_file().touch()
    long_ago = time.time() - jobs.SILENT - 1
    os.utime(jobs.beat_file(), (long_ago, long_ago))
    assert not jobs.worker_lives()


def test_what_a_dead_worker_had_begun_is_queued_again(queued):
    row = queued(status=TaskResultStatus.RUNNING, worker_ids=["dead"])
    assert jobs.hand_back() == "1 job taken up again"
    row.refresh_from_db()
    assert row.status == TaskResultStatus.READY


def test_a_job_that_took_two_workers_down_is_given_up(queued):
    row = queued(status=TaskResultStatus.RUNNING, worker_ids=["dead", "dead too"])
    assert jobs.hand_back() == "1 job given up"
    row.refresh_from_db()
    assert row.status == TaskResultStatus.FAILED


def test_jobs_that_wait_or_ended_are_left_alone(queued):
    queued()
    queued(status=TaskResultStatus.SUCCESSFUL)
    assert jobs.hand_back() == ""


def test_a_worker_says_what_it_took_up_and_runs_it(queued, monkeypatch, capsys):
    row = queued(status=TaskResultStatus.RUNNING, worker_ids=["dead"])
    monkeypatch.setattr(worker_command, "Worker", RunsNothing)
    call_command("worker", alone=True)
    row.refresh_from_db()
    assert row.status == TaskResultStatus.READY
    assert capsys.readouterr().out == "Worker: 1 job taken up again.\n"


def test_a_worker_beside_others_leaves_their_jobs_alone(queued, monkeypatch, capsys):
    row = queued(status=TaskResultStatus.RUNNING, worker_ids=["alive"])
    monkeypatch.setattr(worker_command, "Worker", RunsNothing)
    call_command("worker")
    row.refresh_from_db()
    assert row.status == TaskResultStatus.RUNNING and capsys.readouterr().out == ""


def test_a_worker_that_ends_leaves_no_thread_behind(queued, monkeypatch):
    monkeypatch.setattr(worker_command, "Worker", RunsNothing)
    before = set(threading.enumerate())
    call_command("worker")
    assert set(threading.enumerate()) <= before


def test_jobs_that_wait_without_a_worker_are_a_warning(queued):
    queued(enqueued_at=timezone.now() - timedelta(minutes=5))
    assert said() == ["1 job waits and no worker gives a sign of life."]
    jobs.beat_file().touch()
    assert said() == []


def test_a_job_that_was_just_queued_is_no_warning(queued):
    queued()
    assert said() == []


class RunsNothing:
    def __init__(self, **options):
        pass

    def configure_signals(self):
        pass

    def run(self):
        pass


def said():
    found = run_checks(tags=[Tags.database], databases=["default"])
    return [message.msg for message in found if message.id == "proofmark.W005"]


def wait_for(true, seconds=5):
    until = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < until
        time.sleep(0.005)
