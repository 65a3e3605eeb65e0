"""DEVELOPERS.md names every setting and every command that exists, and no others."""

import re
from pathlib import Path

from django.conf import settings
from django.core.management import get_commands
from django.urls import URLPattern, URLResolver, get_resolver

from parts.services.kits import OWN_ADDRESSES
from proofmark.boards.views import board

BASE = Path(settings.BASE_DIR)
OURS = ("proofmark", "logbook", "parts", "casting", "inspection", "lessons", "releases", "sitework")
OF_THE_HOUSE = {"PROOFMARK_TESTING"}  # set by the tests themselves
HELPERS = {"load_demonstration"}  # called by other commands


def settings_in(path: Path) -> set[str]:
    return set(re.findall(r"PROOFMARK_[A-Z0-9_]+", path.read_text()))


def test_every_setting_is_documented():
    used = set().union(*(settings_in(path) for path in (BASE / "proofmark").rglob("*.py"))) - OF_THE_HOUSE
    assert used == settings_in(BASE / "DEVELOPERS.md")


def test_every_command_is_documented():
    text = (BASE / "DEVELOPERS.md").read_text()
    mine = {name for name, app in get_commands().items() if app in OURS} - HELPERS
    assert {name for name in mine if f"manage.py {name}" not in text} == set()


def test_every_documented_command_exists():
    named = set(re.findall(r"manage\.py ([a-z_]+)", (BASE / "DEVELOPERS.md").read_text()))
    assert named <= set(get_commands())


def test_no_kit_can_take_an_address_of_the_tool():
    """The first part of each fixed address; a kit of that code would have a board nobody reaches."""
    first = {str(entry.pattern).split("/")[0] for entry in addresses(get_resolver().url_patterns)}
    assert {part for part in first if part and not part.startswith("<")} <= OWN_ADDRESSES


def addresses(patterns: list[URLPattern | URLResolver]) -> list[URLPattern | URLResolver]:
    """Fixed addresses and those of included lists without a prefix of their own."""
    found = []
    for entry in patterns:
        inner = isinstance(entry, URLResolver) and not str(entry.pattern)
        found += addresses(entry.url_patterns) if inner else [entry]
    return [entry for entry in found if getattr(entry, "callback", None) is not board]
