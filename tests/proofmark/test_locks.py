"""The lists of packages that are installed: whole, and the same for everybody."""

import re
import tomllib

import pytest

from proofmark.bootstrap import LOCKS, ROOT

PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
NEEDED = {
    "run": PROJECT["dependencies"],
    "server": PROJECT["dependencies"] + PROJECT["optional-dependencies"]["server"],
    "test": PROJECT["dependencies"] + PROJECT["optional-dependencies"]["test"],
}


def plain(name: str) -> str:
    """The name as package indexes compare it: "django-storages[s3]>=1" is "django-storages"."""
    return re.sub(r"[-_.]+", "-", re.match(r"[\w.-]+", name)[0]).lower()


def requirements(lock: str) -> list[str]:
    """Each requirement with its continued lines."""
    joined = (LOCKS / f"{lock}.txt").read_text().replace("\\\n", " ")
    return [line.strip() for line in joined.splitlines() if line.strip() and not line.startswith("#")]


@pytest.mark.parametrize("lock", NEEDED)
def test_every_dependency_is_locked(lock):
    locked = {plain(line) for line in requirements(lock)}
    assert {plain(name) for name in NEEDED[lock]} <= locked


@pytest.mark.parametrize("lock", NEEDED)
def test_every_requirement_has_one_version_and_hashes(lock):
    loose = [
        line for line in requirements(lock) if not re.match(r"[\w.-]+(\[[\w,-]+\])?==[\w.+!]+\b.*--hash=sha256:", line)
    ]
    assert loose == []


@pytest.mark.parametrize("lock", NEEDED)
def test_a_lock_names_no_place_to_fetch_from(lock):
    text = (LOCKS / f"{lock}.txt").read_text()
    assert "://" not in text and "index-url" not in text and "find-links" not in text


@pytest.mark.parametrize("lock", ["server", "test"])
def test_what_runs_is_locked_alike_everywhere(lock):
    def versions(name):
        return {plain(line): line.split("==")[1].split()[0] for line in requirements(name)}

    assert versions("run").items() <= versions(lock).items()
