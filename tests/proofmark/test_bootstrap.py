"""Set-up on a bare machine. Nothing here installs anything: pip is a stand-in."""

import builtins
import os
import subprocess
import sys
from collections import namedtuple
from types import SimpleNamespace

import pytest

from proofmark import bootstrap

Usage = namedtuple("Usage", "total used free")


@pytest.fixture
def home(tmp_path, monkeypatch):
    """A project folder with one locked package, its environment made but empty."""
    home, locks = tmp_path / ".venv", tmp_path / "locks"
    (home / "bin").mkdir(parents=True)
    (home / "bin" / "python").touch()
    locks.mkdir()
    for name in ("run", "test"):
        (locks / f"{name}.txt").write_text(f"example-{name}==1.0 --hash=sha256:00\n")
    monkeypatch.setattr(bootstrap, "HOME", home)
    monkeypatch.setattr(bootstrap, "LOCKS", locks)
    monkeypatch.setattr(bootstrap, "interpreter", lambda: home / "bin" / "python")
    monkeypatch.setattr(bootstrap, "_has_pip", lambda: True)
    monkeypatch.setattr(bootstrap, "inside", lambda: True)
    monkeypatch.setattr(bootstrap.shutil, "disk_usage", lambda path: Usage(0, 0, 1 << 40))
    monkeypatch.delenv("PROOFMARK_NO_VENV", raising=False)
    return home


@pytest.fixture
def pip(monkeypatch):
    """pip("what it says", status) stands in for pip; its calls are kept."""
    calls = []

    def stand_in(said="", status=0):
        def run(command, **options):
            calls.append(command)
            return SimpleNamespace(returncode=status, stdout=said)

        monkeypatch.setattr(bootstrap.subprocess, "run", run)
        return calls

    return stand_in


def stop_of(capsys, *arguments):
    """What is said when it cannot be set up: one line, exit status 1."""
    capsys.readouterr()
    with pytest.raises(SystemExit) as end:
        bootstrap.ensure(["manage.py", *arguments])
    assert end.value.code == 1
    lines = [line for line in capsys.readouterr().err.splitlines() if "setting up" not in line]
    assert len(lines) == 1 and lines[0].startswith("Proofmark: ")
    return lines[0]


def test_a_warm_start_starts_no_other_program(home, monkeypatch):
    bootstrap.stamp("run").write_text(bootstrap.digest("run"))
    for name in ("run", "Popen", "call"):
        monkeypatch.setattr(subprocess, name, lambda *a, **k: pytest.fail("a program was started"))
    bootstrap.ensure(["manage.py", "serve"])


def test_a_stale_lock_sets_up_anew(home, monkeypatch):
    bootstrap.stamp("run").write_text(bootstrap.digest("run"))
    (bootstrap.LOCKS / "run.txt").write_text("example-run==2.0 --hash=sha256:00\n")
    asked = []
    monkeypatch.setattr(bootstrap, "set_up", asked.append)
    bootstrap.ensure(["manage.py", "serve"])
    assert asked == ["run"]


def test_the_tests_need_their_own_packages(home, monkeypatch):
    bootstrap.stamp("run").write_text(bootstrap.digest("run"))
    asked = []
    monkeypatch.setattr(bootstrap, "set_up", asked.append)
    bootstrap.ensure(["manage.py", "test"])
    assert asked == ["test"]


def test_the_test_packages_are_enough_to_run(home):
    bootstrap.stamp("test").write_text(bootstrap.digest("test"))
    assert bootstrap.stamped("run")


def test_a_stamp_without_an_interpreter_counts_for_nothing(home):
    bootstrap.stamp("run").write_text(bootstrap.digest("run"))
    (home / "bin" / "python").unlink()
    assert not bootstrap.stamped("run")


def test_the_digest_changes_with_one_letter_of_the_lock(home):
    before = bootstrap.digest("run")
    (bootstrap.LOCKS / "run.txt").write_text("example-run==1.1 --hash=sha256:00\n")
    assert len(before) == 64 and bootstrap.digest("run") != before


def test_set_up_installs_by_hash_and_stamps(home, pip):
    calls = pip()
    bootstrap.set_up("run")
    assert "--require-hashes" in calls[0] and calls[0][-1].endswith("run.txt")
    assert bootstrap.stamped("run")


def test_no_stamp_stands_while_pip_works_or_after_it_failed(home, monkeypatch, capsys):
    def run(command, **options):
        assert not bootstrap.stamp("run").exists()
        return SimpleNamespace(returncode=1, stdout="ERROR: something")

    monkeypatch.setattr(bootstrap.subprocess, "run", run)
    assert "something" in stop_of(capsys, "serve")
    assert not bootstrap.stamp("run").exists()


def test_an_old_python_is_told_which_is_needed(home, monkeypatch, capsys):
    monkeypatch.setattr(sys, "version_info", (3, 8, 1))
    said = stop_of(capsys)
    assert "Python 3.11 or newer is needed, this is 3.8" in said and "Install" in said


def test_a_python_without_venv_is_told_what_to_install(home, monkeypatch, capsys):
    monkeypatch.setattr(bootstrap, "_has_pip", lambda: False)
    real = builtins.__import__

    def refuse(name, *rest):
        if name in ("venv", "ensurepip"):
            raise ImportError(name)
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", refuse)
    assert "apt install python3-venv" in stop_of(capsys)


def test_too_little_room_is_said_before_anything_is_fetched(home, pip, monkeypatch, capsys):
    calls = pip()
    monkeypatch.setattr(bootstrap.shutil, "disk_usage", lambda path: Usage(0, 0, 300 << 20))
    said = stop_of(capsys)
    assert "300 MB are free, 1200 MB are needed" in said and "Make room" in said
    assert calls == []


def test_a_lock_that_cannot_be_read_asks_for_a_whole_copy(home, capsys):
    (bootstrap.LOCKS / "run.txt").unlink()
    bootstrap.stamp("run").write_text("old")
    assert "Get a whole copy of the project" in stop_of(capsys)


@pytest.mark.parametrize(
    ("pip_says", "to_do"),
    [
        ("WARNING: Retrying after connection broken\nERROR: No matching distribution found for a", "Check the network"),
        ("ERROR: Could not find a version that satisfies the requirement a==1", "Check the network"),
        ("ERROR: THESE PACKAGES DO NOT MATCH THE HASHES FROM THE REQUIREMENTS FILE.", "differs from the locked one"),
        ("ERROR: Could not install packages due to an OSError: [Errno 28] No space left on device", "Make room"),
        ("", "no reason given"),
    ],
)
def test_what_pip_says_becomes_one_line_with_what_to_do(home, pip, capsys, pip_says, to_do):
    pip(pip_says, status=1)
    assert to_do in stop_of(capsys)


def test_an_environment_of_another_python_is_named(home, monkeypatch, capsys):
    bootstrap.stamp("run").write_text(bootstrap.digest("run"))
    monkeypatch.setattr(bootstrap.importlib.util, "find_spec", lambda name: None)
    assert "Delete this folder" in stop_of(capsys)


@pytest.mark.skipif(os.name == "nt", reason="Windows starts a second process instead")
def test_an_interpreter_that_does_not_start_is_named(home, monkeypatch, capsys):
    bootstrap.stamp("run").write_text(bootstrap.digest("run"))
    monkeypatch.setattr(bootstrap, "inside", lambda: False)
    assert "does not start" in stop_of(capsys)


def test_a_python_chosen_by_hand_is_left_alone(home, monkeypatch):
    monkeypatch.setenv("PROOFMARK_NO_VENV", "1")
    monkeypatch.setattr(bootstrap, "set_up", lambda lock: pytest.fail("set up"))
    bootstrap.ensure(["manage.py", "serve"])


def test_an_interrupted_set_up_says_how_to_go_on(home, monkeypatch, capsys):
    def interrupt(lock):
        raise KeyboardInterrupt

    monkeypatch.setattr(bootstrap, "set_up", interrupt)
    with pytest.raises(SystemExit) as end:
        bootstrap.ensure(["manage.py", "serve"])
    assert end.value.code == 130 and "Call it again" in capsys.readouterr().err


def test_an_environment_one_may_not_look_into_counts_as_none(home, monkeypatch):
    """Somebody else's folder: set-up then says in one line that it cannot be written."""
    bootstrap.stamp("run").write_text(bootstrap.digest("run"))
    real = os.stat

    def refuse(path, *args, **options):
        if str(path) == str(home / "bin" / "python"):
            raise PermissionError(13, "Permission denied")
        return real(path, *args, **options)

    monkeypatch.setattr(os, "stat", refuse)
    assert not bootstrap.stamped("run")
