"""What is looked at before Proofmark starts: each finding says what to do."""

import os
import runpy
import shutil
import sqlite3
from collections import namedtuple
from contextlib import nullcontext
from datetime import timedelta
from types import SimpleNamespace

import pytest
from django.core.checks import registry
from django.core.management import CommandError, call_command
from django.utils import timezone
from django_tasks_db.models import DBTaskResult

from proofmark import checks
from proofmark.bootstrap import ROOT

Usage = namedtuple("Usage", "total used free")


def only(findings):
    """The one finding; it has an id of ours and says what to do."""
    (finding,) = findings
    assert finding.id.startswith("proofmark.") and finding.hint.endswith(".")
    return finding


def test_the_checks_are_registered():
    known = {check.__name__ for check in registry.registry.get_checks() if check.__module__ == "proofmark.checks"}
    assert known == {"data_folder", "pdf_fonts", "sqlite_version", "journal", "worker"}


def test_this_machine_is_in_order(settings, tmp_path, monkeypatch):
    settings.DATA_DIR = tmp_path
    monkeypatch.setattr(shutil, "disk_usage", lambda path: Usage(0, 0, 5 << 30))
    assert checks.data_folder() == checks.pdf_fonts() == checks.sqlite_version() == []


def test_a_data_folder_that_cannot_be_written_is_an_error(monkeypatch):
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    finding = only(checks.data_folder())
    assert finding.id == "proofmark.E001" and finding.is_serious() and "PROOFMARK_DATA" in finding.hint


def test_less_than_a_gibibyte_is_a_warning(monkeypatch):
    monkeypatch.setattr(shutil, "disk_usage", lambda path: Usage(0, 0, (1 << 30) - 1))
    finding = only(checks.data_folder())
    assert finding.id == "proofmark.W002" and "1023 MB" in finding.msg and "Make room" in finding.hint


def test_a_missing_font_is_named(monkeypatch, tmp_path):
    monkeypatch.setattr(checks, "FONTS", tmp_path)
    (tmp_path / "Vera.ttf").touch()
    finding = only(checks.pdf_fonts())
    assert finding.id == "proofmark.E003" and "VeraBd.ttf" in finding.msg and "Vera.ttf" not in finding.msg


def test_an_old_sqlite_is_an_error(monkeypatch):
    monkeypatch.setattr(sqlite3, "sqlite_version_info", (3, 36, 0))
    monkeypatch.setattr(sqlite3, "sqlite_version", "3.36.0")
    finding = only(checks.sqlite_version())
    assert finding.id == "proofmark.E006" and "3.37 or newer" in finding.msg and "3.36.0" in finding.msg


def test_the_oldest_sqlite_that_will_do_is_no_error(monkeypatch):
    monkeypatch.setattr(sqlite3, "sqlite_version_info", (3, 37, 0))
    assert checks.sqlite_version() == []


def test_an_old_sqlite_does_not_matter_to_postgresql(monkeypatch):
    monkeypatch.setattr(sqlite3, "sqlite_version_info", (3, 36, 0))
    monkeypatch.setattr(
        checks, "settings", SimpleNamespace(DATABASES={"default": {"ENGINE": "django.db.backends.postgresql"}})
    )
    assert checks.sqlite_version() == []


@pytest.mark.parametrize(("mode", "ids"), [("wal", []), ("delete", ["proofmark.W004"])])
def test_sqlite_that_does_not_write_ahead_is_a_warning(monkeypatch, mode, ids):
    answer = SimpleNamespace(execute=lambda sql: SimpleNamespace(fetchone=lambda: (mode,)))
    connection = SimpleNamespace(vendor="sqlite", is_in_memory_db=lambda: False, cursor=lambda: nullcontext(answer))
    monkeypatch.setattr(checks, "connections", {"default": connection})
    assert [finding.id for finding in checks.journal(databases=["default"])] == ids


def test_the_database_is_not_touched_unless_asked(monkeypatch):
    monkeypatch.setattr(checks.jobs, "worker_lives", lambda: pytest.fail("looked"))
    assert checks.worker(databases=None) == []


@pytest.mark.parametrize(("lives", "waiting", "found"), [(True, 3, 0), (False, 0, 0), (False, 1, 1), (False, 3, 1)])
def test_jobs_that_wait_without_a_worker_are_a_warning(monkeypatch, lives, waiting, found):
    monkeypatch.setattr(checks.jobs, "worker_lives", lambda: lives)
    monkeypatch.setattr(checks.jobs, "waiting", lambda now: waiting)
    findings = checks.worker(databases=["default"])
    assert len(findings) == found
    if found:
        finding = only(findings)
        assert ("1 job waits" if waiting == 1 else "3 jobs wait") in finding.msg and "manage.py worker" in finding.hint


def test_a_new_job_is_given_a_minute_before_anybody_worries(db):
    now = timezone.now()
    row = DBTaskResult.objects.create(
        args_kwargs={"args": [], "kwargs": {}}, task_path="x", backend_name="default", run_after=now
    )
    DBTaskResult.objects.filter(pk=row.pk).update(enqueued_at=now)
    assert checks.jobs.waiting(now) == 0
    assert checks.jobs.waiting(now + timedelta(seconds=90)) == 1


@pytest.fixture
def https_settings(settings, tmp_path, monkeypatch):
    """The settings as they are behind a proxy that speaks HTTPS."""
    for name, value in (("DATA", str(tmp_path)), ("HTTPS", "1"), ("HOSTS", "x.example"), ("TESTING", "0")):
        monkeypatch.setenv(f"PROOFMARK_{name}", value)
    read = runpy.run_path(str(ROOT / "proofmark" / "settings.py"))
    for name, value in read.items():
        if name.startswith(("SECURE_", "SESSION_", "CSRF_", "X_FRAME")) or name in (
            "SECRET_KEY",
            "DEBUG",
            "ALLOWED_HOSTS",
        ):
            setattr(settings, name, value)
    return settings


def test_a_server_behind_https_has_nothing_to_be_warned_of(https_settings):
    assert https_settings.ALLOWED_HOSTS == ["x.example"]
    assert https_settings.CSRF_TRUSTED_ORIGINS == ["https://x.example"]
    call_command("check", "--deploy", "--tag", "security", "--fail-level", "WARNING")


def test_without_https_the_deployment_check_does_warn(https_settings):
    https_settings.SECURE_SSL_REDIRECT = False
    with pytest.raises(CommandError, match="security.W008"):
        call_command("check", "--deploy", "--tag", "security", "--fail-level", "WARNING")
