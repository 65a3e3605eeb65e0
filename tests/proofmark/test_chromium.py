"""Which browser the browser tests use."""

import shutil

import pytest

from proofmark import chromium


@pytest.fixture
def none_here(monkeypatch):
    monkeypatch.setattr(shutil, "which", lambda name: None)
    monkeypatch.setattr(chromium, "PLACES", ())


def test_none_is_found_where_there_is_none(none_here):
    assert chromium.find({}) is None


def test_the_first_on_the_path_is_taken(monkeypatch):
    there = {"chromium-browser": "/usr/bin/chromium-browser", "google-chrome": "/usr/bin/google-chrome"}
    monkeypatch.setattr(shutil, "which", there.get)
    assert chromium.find({}) == "/usr/bin/chromium-browser"


def test_one_in_a_usual_place_off_the_path_is_taken(none_here, monkeypatch, tmp_path):
    (tmp_path / "Chromium").touch()
    monkeypatch.setattr(chromium, "PLACES", (str(tmp_path / "no"), str(tmp_path / "Chromium")))
    assert chromium.find({}) == str(tmp_path / "Chromium")


def test_the_one_that_is_named_wins_and_a_wrong_name_is_not_replaced(monkeypatch, tmp_path):
    mine = tmp_path / "mine"
    mine.touch(mode=0o755)
    assert chromium.find({"PROOFMARK_CHROMIUM": str(mine)}) == str(mine)
    assert chromium.find({"PROOFMARK_CHROMIUM": str(tmp_path / "none")}) is None
