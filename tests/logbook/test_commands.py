"""The commands that verify the logbook and tidy the files."""

import os
from datetime import timedelta
from io import StringIO
from pathlib import Path

import pytest
from django.core.files.storage import default_storage
from django.core.management import call_command
from django.db import connection
from django.utils import timezone

from logbook.files import keep
from logbook.models import StoredFile
from logbook.services import record
from logbook.tidying import unreferenced
from tests import make

pytestmark = pytest.mark.django_db
LONG_AGO = timedelta(days=2)


def said(command, *arguments):
    out, err = StringIO(), StringIO()
    call_command(command, *arguments, stdout=out, stderr=err)
    return out.getvalue()


def aged(stored):
    StoredFile.objects.filter(pk=stored.pk).update(created_at=timezone.now() - LONG_AGO)
    return stored


def old_file(name, content=b"left over"):
    path = Path(default_storage.path(name))
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    then = (timezone.now() - LONG_AGO).timestamp()
    os.utime(path, (then, then))
    return path


def test_a_whole_logbook_is_counted(lead):
    for n in range(3):
        record(lead, "kit.changed", make.kit(), f"Change {n}.")
    assert said("verify_logbook") == "3 entries, whole.\n"


def test_a_changed_entry_is_reported_and_the_command_fails(lead, capsys):
    record(lead, "kit.changed", make.kit(), "As it was.")
    record(lead, "kit.changed", make.kit(), "After it.")
    with connection.cursor() as cursor:
        cursor.execute("UPDATE logbook_entry SET sentence = 'Otherwise.' WHERE number = 1")
    err = StringIO()
    with pytest.raises(SystemExit) as end:
        call_command("verify_logbook", stderr=err)
    assert end.value.code == 1
    assert "Entry 1 was changed after it was written." in err.getvalue()


def test_an_old_file_that_nothing_points_at_is_removed():
    stored = aged(keep(b"nobody wants me", "image/png"))
    assert "no record points at it" in said("tidy")
    assert not StoredFile.objects.exists()
    assert not default_storage.exists(stored.storage_name)


def test_a_dry_run_only_lists():
    stored = aged(keep(b"nobody wants me", "image/png"))
    assert "1 file, 15\u00a0bytes, would be removed." in said("tidy", "--dry-run")
    assert default_storage.exists(stored.storage_name)


def test_a_file_that_any_record_points_at_stays(lead):
    revision = make.revision(author=lead)
    geometry = make.geometry(revision, lead, picture=aged(keep(b"picture", "image/png")))
    aged(geometry.file)
    assert said("tidy") == "Nothing to tidy.\n"


def test_every_link_to_a_stored_file_is_known():
    """Links without a name on the other side must count too, or tidying would tear out pictures."""
    query = str(unreferenced(timezone.now()).query)
    for table in ("parts_geometry", "inspection_scan", "lessons_photo", "releases_packet"):
        assert table in query


def test_a_fresh_file_stays_and_storing_it_again_makes_it_fresh():
    keep(b"fresh", "image/png")
    aged(keep(b"again", "image/png"))
    keep(b"again", "image/png")
    assert said("tidy") == "Nothing to tidy.\n"


def test_a_file_without_a_row_and_an_unfinished_upload_are_removed():
    orphan, upload = old_file("ab/" + "c" * 62), old_file("incoming/incoming-xyz")
    told = said("tidy")
    assert "never recorded" in told
    assert "never finished" in told
    assert not orphan.exists()
    assert not upload.exists()


def test_files_that_are_none_of_ours_are_left_alone():
    stranger = old_file("ab/readme.txt")
    said("tidy")
    assert stranger.exists()


def test_content_stored_again_after_tidying_is_there():
    aged(keep(b"comes back", "image/png"))
    said("tidy")
    stored = keep(b"comes back", "image/png")
    with stored.open() as file:
        assert file.read() == b"comes back"
