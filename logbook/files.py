"""Content-addressed files: written to a temporary name, synced, renamed to their hash, then the row is committed.

A crash leaves at most an unreferenced file, which `manage.py tidy` removes.
"""

import hashlib
import os
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from django.core.files import File
from django.core.files.storage import default_storage
from django.utils import timezone

from .models import StoredFile

CHUNK = 1 << 20


def keep(content: Any, media_type: str) -> StoredFile:
    """Store an uploaded file, an open binary file or bytes, and return its row.

    Streams; never holds the content in memory. The same content gives the same row.
    """
    temporary, digest, size = _copy_aside(_chunks(content))
    try:
        name = f"{digest[:2]}/{digest[2:]}"
        if not default_storage.exists(name):
            _move_in(temporary, name)
        stored = _row(digest, size, media_type)
        # `tidy` may have removed an old copy between the two lines above.
        if not default_storage.exists(name):
            _move_in(temporary, name)
    finally:
        temporary.unlink(missing_ok=True)
    return stored


def _row(digest: str, size: int, media_type: str) -> StoredFile:
    """The row of a file, made or marked as stored again today, so that `tidy` leaves it alone."""
    stored, made = StoredFile.objects.get_or_create(sha256=digest, defaults={"size": size, "media_type": media_type})
    if not made and not StoredFile.objects.filter(pk=stored.pk).update(created_at=timezone.now()):
        stored = StoredFile.objects.create(sha256=digest, size=size, media_type=media_type)
    return stored


@contextmanager
def local_path(stored: StoredFile) -> Iterator[Path]:
    """A path on this machine to read from: the file itself, or a temporary copy from remote storage."""
    try:
        path = Path(default_storage.path(stored.storage_name))
    except NotImplementedError:
        path = None
    if path:
        yield path
        return
    with stored.open() as remote:
        temporary, _, _ = _copy_aside(iter(lambda: remote.read(CHUNK), b""))
    try:
        yield temporary
    finally:
        temporary.unlink(missing_ok=True)


def _chunks(content: Any) -> Iterable[bytes]:
    if isinstance(content, bytes):
        return [content]
    if hasattr(content, "chunks"):
        return content.chunks(CHUNK)
    return iter(lambda: content.read(CHUNK), b"")


def _copy_aside(chunks: Iterable[bytes]) -> tuple[Path, str, int]:
    digest, size = hashlib.sha256(), 0
    folder = _temporary_folder()
    handle, name = tempfile.mkstemp(dir=folder, prefix="incoming-")
    try:
        with os.fdopen(handle, "wb") as target:
            for chunk in chunks:
                digest.update(chunk)
                size += len(chunk)
                target.write(chunk)
            target.flush()
            os.fsync(target.fileno())
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    return Path(name), digest.hexdigest(), size


def _temporary_folder() -> str | None:
    """Beside the files when they are on this machine, so that the rename at the end is atomic."""
    try:
        folder = Path(default_storage.path("incoming"))
    except NotImplementedError:
        return None
    folder.mkdir(parents=True, exist_ok=True)
    return str(folder)


def _move_in(temporary: Path, name: str) -> None:
    try:
        target = Path(default_storage.path(name))
    except NotImplementedError:
        with temporary.open("rb") as source:
            default_storage.save(name, File(source))
        return
    target.parent.mkdir(parents=True, exist_ok=True)
    os.replace(temporary, target)
