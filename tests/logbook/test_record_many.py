"""Several entries of one act, written together."""

import pytest
from django.db import transaction

from logbook import hooks
from logbook.models import Entry
from logbook.services import Line, record, record_many, verify
from tests import make

pytestmark = pytest.mark.django_db


@pytest.fixture
def told(monkeypatch):
    heard = []
    monkeypatch.setattr(hooks, "listeners", [heard.append])
    return heard


def lines(*serials, revision="A"):
    kit = make.kit()
    return [
        Line(kit, f"{serial} measured.", {"1": ["", "600"]}, f"TPW/SB-02/{revision}/{serial}") for serial in serials
    ]


def test_they_go_on_the_same_chain_and_it_stays_whole(technician):
    record(technician, "kit.changed", make.kit(), "Before.")
    written = record_many(technician, "cast.measured", lines("S-1", "S-2"))
    record(technician, "kit.changed", make.kit(), "After.")
    assert [entry.number for entry in written] == [2, 3]
    assert list(verify()) == []


def test_a_changed_entry_among_them_is_found(technician):
    record_many(technician, "cast.measured", lines("S-1", "S-2"))
    Entry.objects.model._base_manager.filter(number=1)._update([(Entry._meta.get_field("sentence"), None, "Other.")])
    assert list(verify()) == ["Entry 1 was changed after it was written."]


def test_listeners_hear_once_of_records_that_lie_side_by_side(technician, told, django_capture_on_commit_callbacks):
    with django_capture_on_commit_callbacks(execute=True), transaction.atomic():
        record_many(technician, "cast.measured", [*lines("S-1", "S-2", "S-3"), *lines("S-9", revision="B")])
    assert [entry.trail for entry in told] == ["TPW/SB-02/A/S-3", "TPW/SB-02/B/S-9"]


def test_rows_written_at_once_are_read_back_as_they_were_meant(technician):
    (entry,) = record_many(technician, "cast.measured", lines("S-1"))
    kept = Entry.objects.get()
    fields = [field.attname for field in Entry._meta.concrete_fields if field.attname != "id"]
    assert [getattr(kept, name) for name in fields] == [getattr(entry, name) for name in fields]
