"""The commands of the project shell. Those of the logbook have their own tests."""

import logging
import socket
import subprocess
import sys
import threading
from datetime import timedelta

import pytest
from django.core import management
from django.core.exceptions import ImproperlyConfigured
from django.core.management import CommandError, call_command

import manage
from inspection.models import Scan
from proofmark import running
from proofmark.management.commands import worker


@pytest.fixture
def taken_port():
    with socket.socket() as holder:
        holder.bind(("127.0.0.1", 0))
        holder.listen()
        yield holder.getsockname()[1]


@pytest.mark.parametrize("command", ["worker", "serve", "demo", "load_demonstration"])
def test_a_command_says_what_it_is_for(command, capsys):
    with pytest.raises(SystemExit) as end:
        call_command(command, "--help")
    said = capsys.readouterr().out
    assert end.value.code == 0 and said.startswith("usage:") and "--traceback" in said


@pytest.mark.parametrize("command", ["serve", "demo"])
def test_a_taken_port_is_refused_before_anything_is_done(command, taken_port, monkeypatch):
    monkeypatch.setattr(running, "prepare", lambda: pytest.fail("prepared"))
    monkeypatch.setattr(subprocess, "run", lambda *a, **k: pytest.fail("built"))
    with pytest.raises(CommandError) as refusal:
        call_command(command, port=taken_port)
    said = str(refusal.value)
    assert f"Port {taken_port} is taken" in said and f"--port {taken_port + 1}" in said and "\n" not in said


@pytest.mark.parametrize("port", [0, -1, 65536])
def test_a_port_that_is_none_is_refused(port):
    with pytest.raises(CommandError, match="1 to 65535"):
        running.free_port("127.0.0.1", port)


def test_a_free_port_may_be_had_and_stays_free():
    with socket.socket() as holder:
        holder.bind(("127.0.0.1", 0))
        port = holder.getsockname()[1]
    running.free_port("127.0.0.1", port)
    running.free_port("127.0.0.1", port)


def test_the_first_server_shows_the_code_and_later_ones_do_not(db, lead, monkeypatch, capsys, settings, tmp_path):
    settings.DATA_DIR = tmp_path
    monkeypatch.setattr(running, "free_port", lambda host, port: None)
    monkeypatch.setattr(running, "prepare", lambda: None)
    monkeypatch.setattr(running, "run", lambda host, port, say: say(f"on {host}"))
    call_command("serve")
    said = capsys.readouterr().out
    assert "on 127.0.0.1" in said and "the code is" not in said
    lead.delete()
    call_command("serve")
    code = (tmp_path / "first-run-code").read_text()
    assert f"the code is {code}" in capsys.readouterr().out


def test_only_when_told_the_workshop_is_let_in(db, lead, monkeypatch, capsys, settings):
    settings.ALLOWED_HOSTS = []
    monkeypatch.setattr(running, "free_port", lambda host, port: None)
    monkeypatch.setattr(running, "prepare", lambda: None)
    monkeypatch.setattr(running, "lan_address", lambda: "192.0.2.7")
    monkeypatch.setattr(running, "run", lambda host, port, say: say(f"on {host}"))
    call_command("serve", "--lan")
    said = capsys.readouterr().out
    assert "on 0.0.0.0" in said and "http://192.0.2.7:8017/" in said
    assert settings.ALLOWED_HOSTS == ["192.0.2.7"]


# The worker


class Rounds(threading.Event):
    """Ends a loop after so many rounds, without waiting."""

    def __init__(self, rounds):
        super().__init__()
        self.left = rounds

    def wait(self, timeout=None):
        self.left -= 1
        return self.left < 0


@pytest.fixture
def closed(monkeypatch):
    """How often the thread's connections were closed."""
    times = []
    monkeypatch.setattr(worker.connections, "close_all", lambda: times.append(1))
    return times


def test_scans_are_recovered_again_and_again(monkeypatch, closed):
    asked = []
    monkeypatch.setattr(worker, "recover", lambda **how: asked.append(how))
    worker.keep_recovering(Rounds(3))
    assert len(asked) == len(closed) == 3


def test_a_recovery_that_fails_is_logged_and_tried_again(monkeypatch, closed, caplog):
    asked = []

    def fail(**how):
        asked.append(how)
        raise RuntimeError("database is locked")

    monkeypatch.setattr(worker, "recover", fail)
    with caplog.at_level(logging.ERROR):
        worker.keep_recovering(Rounds(2))
    assert len(asked) == len(closed) == 2 and "database is locked" in caplog.text


def test_a_scan_of_a_slow_worker_is_left_to_it(monkeypatch, closed):
    asked = []
    monkeypatch.setattr(worker, "recover", lambda **how: asked.append(how["stale_after"]))
    worker.keep_recovering(Rounds(1))
    assert asked[0] >= timedelta(minutes=5)


def test_without_scans_there_is_nothing_to_recover(db, closed):
    worker.keep_recovering(Rounds(1))
    assert not Scan.objects.exists() and closed


def test_a_worker_ends_when_no_job_waits(db, monkeypatch):
    ran = []

    class Queue:
        def __init__(self, **how):
            self.how = how

        def configure_signals(self):
            pass

        def run(self):
            ran.append(self.how["batch"])

    monkeypatch.setattr(worker, "Worker", Queue)
    monkeypatch.setattr(worker, "call_command", lambda *a, **k: None)  # tests have no queue to prune
    monkeypatch.setattr(worker, "keep_recovering", lambda ended: None)
    call_command("worker", "--until-done")
    assert ran == [True]


def test_a_setting_that_is_wrong_is_one_line(monkeypatch, capsys):
    def refuse(argv):
        raise ImproperlyConfigured("The data folder cannot be used.")

    monkeypatch.setattr(management, "execute_from_command_line", refuse)
    monkeypatch.setattr("proofmark.bootstrap.ensure", lambda argv: None)
    monkeypatch.setattr(sys, "argv", ["manage.py", "serve"])
    with pytest.raises(SystemExit) as end:
        manage.main()
    assert end.value.code == "Proofmark: The data folder cannot be used."
