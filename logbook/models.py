"""The append-only record: who did what to which record, each entry holding the hash of the one before;
and the files that records name by their content hash."""

import hashlib
import json
from datetime import UTC

from django.conf import settings
from django.core.files.storage import default_storage
from django.db import models


class AppendOnly(Exception):
    """An attempt to change or delete what was written for good."""


class AppendOnlyQuerySet(models.QuerySet):
    def update(self, **kwargs):
        raise AppendOnly("Logbook entries are never changed. Write a new entry that corrects the old one.")

    def delete(self):
        raise AppendOnly("Logbook entries are never deleted.")


class Entry(models.Model):
    """One act. `trail` says where it belongs, from kit to serial: "TPW/SB-02/C/TP-SB-0013"."""

    number = models.PositiveBigIntegerField(unique=True)
    at = models.DateTimeField()
    who = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="entries"
    )
    who_name = models.CharField(
        max_length=150, help_text="The name as it was then; empty for the tool itself.", blank=True
    )
    act = models.CharField(max_length=40, help_text='Record and past participle, as "cast.logged".')
    subject_type = models.CharField(max_length=60)
    subject_id = models.CharField(max_length=40)
    trail = models.CharField(max_length=200, db_index=True)
    sentence = models.TextField()
    details = models.JSONField(default=dict)
    previous_hash = models.CharField(max_length=64)
    hash = models.CharField(max_length=64, unique=True)

    objects = AppendOnlyQuerySet.as_manager()

    class Meta:
        ordering = ["-number"]
        verbose_name_plural = "entries"
        indexes = [models.Index(fields=["subject_type", "subject_id"], name="logbook_entry_subject")]

    def __str__(self) -> str:
        return f"{self.number}: {self.sentence}"

    def computed_hash(self) -> str:
        """SHA-256 over every field and the hash of the entry before, in one canonical text."""
        text = json.dumps(
            [
                self.number,
                self.at.astimezone(UTC).isoformat(),
                self.who_id,
                self.who_name,
                self.act,
                self.subject_type,
                self.subject_id,
                self.trail,
                self.sentence,
                self.details,
                self.previous_hash,
            ],
            sort_keys=True,
            separators=(",", ":"),
            ensure_ascii=False,
        )
        return hashlib.sha256(text.encode()).hexdigest()

    @property
    def changes(self) -> list[tuple[str, object, object]]:
        """What changed, as (name, before, after). Only acts of change hold such pairs in their details."""
        if not self.act.endswith((".changed", ".corrected")):
            return []
        pairs = [(name, pair) for name, pair in self.details.items() if isinstance(pair, list) and len(pair) == 2]
        return [(name.replace("_", " "), *pair) for name, pair in pairs]

    def save(self, *args, **kwargs):
        if not self._state.adding:
            raise AppendOnly("Logbook entries are never changed. Write a new entry that corrects the old one.")
        super().save(*args, **kwargs)

    def delete(self, *args, **kwargs):
        raise AppendOnly("Logbook entries are never deleted.")


class ChainHead(models.Model):
    """The last number and hash, in a single row that writers lock, so that the chain never forks."""

    number = models.PositiveBigIntegerField(default=0)
    hash = models.CharField(max_length=64, default="0" * 64)

    class Meta:
        constraints = [models.CheckConstraint(condition=models.Q(pk=1), name="logbook_chain_head_is_one_row")]

    def __str__(self) -> str:
        return f"entry {self.number}"


class StoredFile(models.Model):
    """A file kept below its own SHA-256. Never changed; the same content is kept once."""

    sha256 = models.CharField(max_length=64, unique=True)
    size = models.PositiveBigIntegerField(help_text="Bytes.")
    media_type = models.CharField(max_length=100)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["-created_at"]

    def __str__(self) -> str:
        return f"{self.sha256[:12]} ({self.size} bytes)"

    @property
    def storage_name(self) -> str:
        return f"{self.sha256[:2]}/{self.sha256[2:]}"

    def open(self):
        return default_storage.open(self.storage_name, "rb")


class Submission(models.Model):
    """A form that was sent once. A second click finds the row and is led to the same place."""

    token = models.UUIDField(unique=True)
    url = models.CharField(max_length=300, blank=True)
    at = models.DateTimeField(auto_now_add=True)

    def __str__(self) -> str:
        return str(self.token)
