"""Finding and removing files that no record points at. A crash between storing and committing leaves such files."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.core.files.storage import default_storage
from django.db import transaction
from django.db.models import Exists, OuterRef, QuerySet

from .models import StoredFile

AGE = timedelta(days=1)
FOLDER = re.compile(r"[0-9a-f]{2}")
NAME = re.compile(r"[0-9a-f]{62}")


@dataclass(frozen=True)
class Leftover:
    """One thing to remove. size: bytes."""

    name: str
    size: int
    why: str


def tidy(now: datetime, *, dry_run: bool) -> Iterator[Leftover]:
    """Remove what nothing needs and is older than a day, yielding each thing; with dry_run only say what."""
    before = now - AGE
    yield from _rows(before, dry_run)
    yield from _files_without_a_row(before, dry_run)
    yield from _unfinished_uploads(before, dry_run)


def unreferenced(before: datetime) -> QuerySet[StoredFile]:
    """Rows last stored before a moment that no foreign key of any room points at."""
    rows = StoredFile.objects.filter(created_at__lt=before)
    for link in StoredFile._meta.get_fields(include_hidden=True):
        if link.auto_created and not link.concrete:
            pointing = link.related_model._base_manager.filter(**{link.field.name: OuterRef("pk")})
            rows = rows.exclude(Exists(pointing))
    return rows


def _rows(before: datetime, dry_run: bool) -> Iterator[Leftover]:
    for pk in list(unreferenced(before).values_list("pk", flat=True)):
        with transaction.atomic():
            # Asked again inside the transaction: somebody may have uploaded the same content in the meantime.
            row = unreferenced(before).select_for_update().filter(pk=pk).first()
            if row is None:
                continue
            leftover = Leftover(row.storage_name, row.size, "no record points at it")
            if not dry_run:
                row.delete()
                default_storage.delete(leftover.name)
        yield leftover


def _files_without_a_row(before: datetime, dry_run: bool) -> Iterator[Leftover]:
    folders, _ = _listing("")
    for folder in sorted(f for f in folders if FOLDER.fullmatch(f)):
        names = {name for name in _listing(folder)[1] if NAME.fullmatch(name)}
        known = set(StoredFile.objects.filter(sha256__startswith=folder).values_list("sha256", flat=True))
        for name in sorted(n for n in names if folder + n not in known):
            yield from _remove_old(f"{folder}/{name}", before, "it was stored but never recorded", dry_run)


def _unfinished_uploads(before: datetime, dry_run: bool) -> Iterator[Leftover]:
    for name in sorted(n for n in _listing("incoming")[1] if n.startswith("incoming-")):
        yield from _remove_old(f"incoming/{name}", before, "its upload never finished", dry_run)


def _remove_old(name: str, before: datetime, why: str, dry_run: bool) -> Iterator[Leftover]:
    try:
        if default_storage.get_modified_time(name) >= before:
            return
        leftover = Leftover(name, default_storage.size(name), why)
    except FileNotFoundError:
        return
    if not dry_run:
        default_storage.delete(name)
    yield leftover


def _listing(folder: str) -> tuple[list[str], list[str]]:
    try:
        return default_storage.listdir(folder)
    except (FileNotFoundError, NotADirectoryError):
        return [], []
