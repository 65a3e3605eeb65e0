"""What the papers say is so: commands, settings, links."""

import os
import re
from functools import cache
from pathlib import Path

import pytest

from proofmark.bootstrap import ROOT

NOT_OURS = {"data", "__pycache__", "node_modules"}
# Example and local names, and those that name vocabularies (SVG, XML, JSON Schema). Nothing is fetched from anywhere.
HOSTS = {"localhost", "127.0.0.1", "192.0.2.7", "example.org", "host", "user", "h", "ines"}
# Names of XML and JSON vocabularies: nothing is fetched from them.
HOSTS |= {"www.w3.org", "json-schema.org", "schemas.microsoft.com", "schemas.openxmlformats.org"}
TEXT = {".py", ".md", ".toml", ".txt", ".html", ".css", ".js", ".svg", ".json", ".csv", ".yml", ".sh", ""}


@cache
def files() -> tuple[Path, ...]:
    found = []
    for folder, below, names in os.walk(ROOT):
        below[:] = [name for name in below if name not in NOT_OURS and (not name.startswith(".") or name == ".ci")]
        found += [Path(folder) / name for name in names if Path(name).suffix in TEXT]
    return tuple(found)


def papers():
    return [path for path in files() if path.suffix == ".md"]


def developers() -> str:
    return (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_every_command_of_ours_is_explained():
    commands = {path.stem for path in ROOT.glob("*/management/commands/*.py")} - {"__init__"}
    explained = set(re.findall(r"^\| `python3 manage\.py (\w+)` \|", developers(), re.MULTILINE))
    assert len(commands) >= 7 and explained == commands


def test_every_setting_that_is_read_is_explained():
    sources = [*ROOT.glob("proofmark/**/*.py"), ROOT / "manage.py", *ROOT.glob("tests/**/*.py")]
    pattern = r"[\"'](PROOFMARK_[A-Z0-9_]*[A-Z0-9])[\"']"
    read = {name for path in sources for name in re.findall(pattern, path.read_text(encoding="utf-8"))}
    explained = set(re.findall(r"`(PROOFMARK_\w+)`", developers()))
    assert len(read) >= 10 and explained == read


def test_the_readme_begins_with_the_two_commands():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    first = re.search(r"```\n(.*?)```", readme, re.DOTALL)[1]
    assert first.splitlines() == ["python3 manage.py demo", "python3 manage.py test"]


def test_the_papers_are_found():
    assert {"README.md", "DEVELOPERS.md", "pages.md"} <= {path.name for path in papers()}


@pytest.mark.parametrize("path", papers(), ids=lambda path: path.relative_to(ROOT).as_posix())
def test_every_link_leads_somewhere(path):
    links = re.findall(r"\]\(([^)#\s]+)[^)]*\)", path.read_text(encoding="utf-8"))
    dead = [link for link in links if "://" not in link and not (path.parent / link).exists()]
    assert dead == []


@pytest.mark.parametrize("path", ["README.md", "DEVELOPERS.md"])
def test_every_file_that_is_named_exists(path):
    named = re.findall(r"`([a-z_.]+(?:/[\w.]+)+/?)`", (ROOT / path).read_text(encoding="utf-8"))
    assert [name for name in named if not (ROOT / name).exists()] == []


def test_no_file_names_a_place_that_things_are_fetched_from():
    named = {}
    for path in files():
        for host in re.findall(r"\b[a-z]+://([\w.-]+)", path.read_text(encoding="utf-8", errors="replace")):
            if host not in HOSTS and not host.endswith(".example"):
                named.setdefault(host, path.relative_to(ROOT).as_posix())
    assert named == {}
