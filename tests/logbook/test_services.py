"""The chain of entries: whole as written, broken by any change."""

import hashlib
from datetime import datetime, timedelta, timezone

import pytest
from django.db import connection

from logbook.models import AppendOnly, Entry
from logbook.services import record, verify
from tests import make

pytestmark = pytest.mark.django_db


@pytest.fixture
def entries(lead):
    kit = make.kit()
    return [record(lead, "kit.changed", kit, f"Change {n}.", details={"n": n}) for n in (1, 2, 3)]


def overwrite(pk, **fields):
    """Past the guards of the models, as somebody with the database file could."""
    with connection.cursor() as cursor:
        for name, value in fields.items():
            cursor.execute(f"UPDATE logbook_entry SET {name} = %s WHERE id = %s", [value, pk])


def test_a_logbook_that_nobody_touched_is_whole(entries):
    assert list(verify()) == []


def test_each_entry_holds_the_hash_of_the_one_before(entries):
    assert [entry.previous_hash for entry in entries] == ["0" * 64, entries[0].hash, entries[1].hash]


def test_a_moment_told_in_another_zone_reads_back_the_same(lead):
    at = datetime(2026, 5, 12, 9, 41, 7, 123456, tzinfo=timezone(timedelta(hours=5, minutes=45)))
    record(lead, "kit.changed", make.kit(), "Told far away.", at=at)
    assert list(verify()) == []


def test_details_read_back_as_they_were_hashed(lead):
    record(lead, "kit.changed", make.kit(), "Odd details.", details={10: (1, 2), 9: {"b": 0.1, "a": "ü"}})
    assert list(verify()) == []


@pytest.mark.parametrize(
    "change", [{"sentence": "Nothing happened."}, {"who_name": "Somebody else"}, {"trail": "TPW/X"}, {"act": "x.y"}]
)
def test_a_changed_entry_is_found(entries, change):
    overwrite(entries[1].pk, **change)
    assert list(verify()) == ["Entry 2 was changed after it was written."]


def test_an_entry_taken_out_is_found(entries):
    Entry.objects.filter(pk=entries[1].pk)._raw_delete("default")
    assert list(verify())[0] == "Entry 2 is missing: the next one found is 3."


def test_a_last_entry_taken_out_is_found(entries):
    Entry.objects.filter(pk=entries[2].pk)._raw_delete("default")
    assert "ends at 2" in list(verify())[-1]


@pytest.mark.parametrize(
    "act",
    [
        lambda entry: entry.save(),
        lambda entry: entry.delete(),
        lambda entry: Entry.objects.update(sentence=""),
        lambda entry: Entry.objects.all().delete(),
    ],
)
def test_entries_are_never_changed_or_deleted_through_the_models(entries, act):
    with pytest.raises(AppendOnly):
        act(entries[0])


@pytest.mark.parametrize(
    ("text", "digest"),
    [
        ("abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        ("", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
    ],
)
def test_the_hash_is_sha_256(text, digest):
    """Examples of FIPS 180-4, from memory; reproduced here with Python's hashlib (COMPUTED)."""
    assert hashlib.sha256(text.encode()).hexdigest() == digest
