"""Writing an entry. Call inside the transaction of the act that it records."""

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import Any

from django.db import models, transaction
from django.utils import timezone

from .bulk import insert_rows
from .hooks import tell
from .models import ChainHead, Entry


def record(
    who: Any,
    act: str,
    subject: models.Model,
    sentence: str,
    *,
    trail: str | None = None,
    details: dict[str, Any] | None = None,
    at: datetime | None = None,
) -> Entry:
    """Append one entry to the chain.

    who: a person, or None for the tool itself. subject: a saved record. trail: where it belongs; taken from
    the subject's `trail` when not given. details: what changed, JSON values only.
    """
    with transaction.atomic():
        head, _ = ChainHead.objects.select_for_update().get_or_create(pk=1)
        entry = Entry(
            number=head.number + 1,
            at=at or timezone.now(),
            who=who,
            who_name=str(who) if who else "",
            act=act,
            subject_type=subject._meta.label_lower,
            subject_id=str(subject.pk),
            trail=trail if trail is not None else subject.trail,
            sentence=sentence,
            # As it will be read back: keys as text, tuples as lists.
            details=json.loads(json.dumps(details or {})),
            previous_hash=head.hash,
        )
        entry.hash = entry.computed_hash()
        entry.save()
        ChainHead.objects.filter(pk=1).update(number=entry.number, hash=entry.hash)
        transaction.on_commit(lambda: tell(entry))
    return entry


COLUMNS = (
    "number", "at", "who_id", "who_name", "act", "subject_type", "subject_id", "trail", "sentence", "details",
    "previous_hash", "hash",
)  # fmt: skip


@dataclass(frozen=True)
class Line:
    """One of several entries that are written together; see `record`."""

    subject: models.Model
    sentence: str
    details: dict[str, Any]
    trail: str


def record_many(who: Any, act: str, lines: Sequence[Line], *, at: datetime | None = None) -> list[Entry]:
    """Append one entry for each line, in their order, as `record` would. Call inside the transaction of the act.

    Listeners are told once for records that lie side by side (the last of each parent trail): what follows from many
    entries of one act is looked at once.
    """
    at = at or timezone.now()
    with transaction.atomic():
        head, _ = ChainHead.objects.select_for_update().get_or_create(pk=1)
        number, previous, entries = head.number, head.hash, []
        for line in lines:
            number += 1
            entry = Entry(
                number=number,
                at=at,
                who=who,
                who_name=str(who) if who else "",
                act=act,
                subject_type=line.subject._meta.label_lower,
                subject_id=str(line.subject.pk),
                trail=line.trail,
                sentence=line.sentence,
                details=json.loads(json.dumps(line.details)),
                previous_hash=previous,
            )
            entry.hash = previous = entry.computed_hash()
            entries.append(entry)
        insert_rows(Entry, COLUMNS, ([getattr(entry, name) for name in COLUMNS] for entry in entries))
        ChainHead.objects.filter(pk=1).update(number=number, hash=previous)
        last = {entry.trail.rpartition("/")[0]: entry for entry in entries}
        for entry in last.values():
            transaction.on_commit(partial(tell, entry))
    return entries


def verify() -> Iterator[str]:
    """Walk the whole chain and yield one sentence for each break. Nothing yielded: the logbook is whole."""
    previous, expected = "0" * 64, 1
    for entry in Entry.objects.order_by("number").iterator():
        if entry.number != expected:
            yield f"Entry {expected} is missing: the next one found is {entry.number}."
            expected = entry.number
        if entry.previous_hash != previous:
            yield f"Entry {entry.number} does not follow the entry before it."
        if entry.computed_hash() != entry.hash:
            yield f"Entry {entry.number} was changed after it was written."
        previous, expected = entry.hash, expected + 1
    head = ChainHead.objects.filter(pk=1).first()
    if head and (head.number, head.hash) != (expected - 1, previous):
        yield f"The last entry should be {head.number}, but the logbook ends at {expected - 1}."
