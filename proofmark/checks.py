"""What must be in order before Proofmark starts. Errors stop it; warnings are printed."""

import os
import shutil
import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.checks import CheckMessage, Error, Tags, Warning, register
from django.db import DatabaseError, connections
from django.utils import timezone

from releases.packet.paper import FONTS

from . import jobs

LEAST_FREE = 1 << 30  # bytes: a day's scans
LEAST_SQLITE = (3, 37)
PDF_FONTS = ("Vera.ttf", "VeraBd.ttf")


@register(Tags.files)
def data_folder(app_configs: object = None, **kwargs: Any) -> list[CheckMessage]:
    """E001: the data folder can be written. W002: it has room."""
    folder = Path(settings.DATA_DIR)
    if not os.access(folder, os.W_OK | os.X_OK):
        hint = "Make it writable for whoever runs Proofmark, or choose another one with PROOFMARK_DATA."
        return [Error(f"The data folder {folder} cannot be written.", hint=hint, id="proofmark.E001")]
    free = shutil.disk_usage(folder).free
    if free < LEAST_FREE:
        hint = "Make room: scans are kept whole, and a full disk refuses uploads."
        return [Warning(f"Only {free >> 20} MB are free for {folder}.", hint=hint, id="proofmark.W002")]
    return []


@register(Tags.files)
def pdf_fonts(app_configs: object = None, **kwargs: Any) -> list[CheckMessage]:
    """E003: the fonts of packets and tags are there."""
    missing = [name for name in PDF_FONTS if not (FONTS / name).is_file()]
    if not missing:
        return []
    hint = "Install reportlab anew: delete the folder .venv and call manage.py again."
    return [Error(f"The PDF font {' and '.join(missing)} is missing.", hint=hint, id="proofmark.E003")]


@register(Tags.compatibility)
def sqlite_version(app_configs: object = None, **kwargs: Any) -> list[CheckMessage]:
    """E006: the SQLite that came with Python is new enough, when it is used."""
    if "sqlite3" not in settings.DATABASES["default"]["ENGINE"] or sqlite3.sqlite_version_info >= LEAST_SQLITE:
        return []
    needed = ".".join(str(number) for number in LEAST_SQLITE)
    hint = "Install a newer Python and delete the folder .venv, or use PostgreSQL with PROOFMARK_DATABASE."
    said = f"SQLite {needed} or newer is needed; this Python brings {sqlite3.sqlite_version}."
    return [Error(said, hint=hint, id="proofmark.E006")]


@register(Tags.database)
def journal(app_configs: object = None, databases: Sequence[str] | None = None, **kwargs: Any) -> list[CheckMessage]:
    """W004: SQLite really writes ahead; on a network drive it cannot, and pages would wait for the worker."""
    connection = connections["default"]
    if "default" not in (databases or ()) or connection.vendor != "sqlite" or connection.is_in_memory_db():
        return []
    with connection.cursor() as cursor:
        mode = cursor.execute("PRAGMA journal_mode").fetchone()[0]
    if mode == "wal":
        return []
    hint = "Keep the data folder on a disk of this machine, not on a network drive."
    return [Warning(f"SQLite journals by “{mode}” instead of WAL.", hint=hint, id="proofmark.W004")]


@register(Tags.database)
def worker(app_configs: object = None, databases: Sequence[str] | None = None, **kwargs: Any) -> list[CheckMessage]:
    """W005: jobs wait and no worker lives."""
    if "default" not in (databases or ()) or jobs.worker_lives():
        return []
    try:
        waiting = jobs.waiting(timezone.now())
    except DatabaseError:  # not migrated yet
        return []
    if not waiting:
        return []
    said = "1 job waits" if waiting == 1 else f"{waiting} jobs wait"
    hint = "Start `manage.py serve`, or `manage.py worker` beside a web server of your own."
    return [Warning(f"{said} and no worker gives a sign of life.", hint=hint, id="proofmark.W005")]
