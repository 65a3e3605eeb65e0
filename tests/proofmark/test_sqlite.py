"""SQLite as the embedded default is opened: a real file with our own settings."""

import pytest
from django.db.utils import ConnectionHandler

from proofmark import checks
from proofmark.deployment import database

pytestmark = pytest.mark.django_db  # other databases than the one of the tests are opened here


@pytest.fixture
def on_disk(tmp_path, monkeypatch):
    """on_disk(**options) is a new file, and the database that the checks look at."""
    opened = []

    def file(**options):
        chosen = database(tmp_path, "")
        chosen["OPTIONS"] |= options
        handler = ConnectionHandler({"default": chosen})
        monkeypatch.setattr(checks, "connections", handler)
        opened.append(handler["default"])
        return handler["default"]

    yield file
    for connection in opened:
        connection.close()


def test_it_writes_ahead_and_keeps_foreign_keys(on_disk):
    with on_disk().cursor() as cursor:
        asked = {name: cursor.execute(f"PRAGMA {name}").fetchone()[0] for name in ("journal_mode", "foreign_keys")}
    assert asked == {"journal_mode": "wal", "foreign_keys": 1}
    assert checks.journal(databases=["default"]) == []


def test_a_disk_on_which_it_cannot_write_ahead_is_a_warning(on_disk):
    on_disk(init_command="PRAGMA journal_mode=DELETE;")
    (found,) = checks.journal(databases=["default"])
    assert found.id == "proofmark.W004" and "network drive" in found.hint
