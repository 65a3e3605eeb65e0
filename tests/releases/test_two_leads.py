"""Two leads press Sign at the same moment, on a database in a file, as in a workshop: exactly one signature."""

import sqlite3
import threading
from types import SimpleNamespace

import pytest
from django.db import connection, connections

from parts.models import Revision
from releases import services
from releases.errors import NotNow
from tests import make
from tests.people import _person

pytestmark = pytest.mark.django_db(transaction=True)


def in_file(path):
    """Lead this thread's connection to the file, with the options of the real database."""
    own = connections.create_connection("default")
    own.settings_dict = own.settings_dict | {"NAME": str(path)}
    connections["default"] = own
    return own


@pytest.mark.skipif(connection.vendor != "sqlite", reason="The copy into a file is SQLite's own.")
def test_exactly_one_of_two_leads_signs(put_forward, second_lead, tmp_path, monkeypatch):
    third = _person("ada", "Ada", "Third", "engineering lead")
    monkeypatch.setattr(services, "make_packet", SimpleNamespace(enqueue=lambda pk: None))
    path = tmp_path / "workshop.sqlite3"
    with sqlite3.connect(path) as target:
        connection.connection.backup(target)
    start, said = threading.Barrier(2), {}

    def press(by):
        own = in_file(path)
        try:
            revision = Revision.objects.get(pk=put_forward.pk)
            start.wait(timeout=10)
            services.sign_off(revision=revision, by=by, at=make.NOON)
            said[by.username] = "signed"
        except NotNow as refusal:
            said[by.username] = refusal.sentence
        finally:
            own.close()

    threads = [threading.Thread(target=press, args=(by,)) for by in (second_lead, third)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=30)

    assert len(said) == 2
    winner = next(name for name, word in said.items() if word == "signed")
    (loser,) = (word for name, word in said.items() if name != winner)
    assert "is buildable already:" in loser
    with sqlite3.connect(path) as read:
        assert read.execute("SELECT count(*) FROM releases_signoff").fetchone() == (1,)
        assert read.execute("SELECT count(*) FROM releases_release").fetchone() == (1,)
