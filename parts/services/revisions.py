"""Revisions: controlled issues of a component's definition."""

from datetime import datetime
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.utils import timezone

from logbook.services import record
from metrology.wording import count

from ..errors import Frozen, NotNow, Taken, Unusable
from ..models import Characteristic, Component, Region, Revision, RevisionState
from ..saving import change, in_words, save_checked

LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
COPIED = {
    Characteristic: ("number", "name", "kind", "nominal", "lower", "upper", "unit", "weight", "method"),
    Region: ("name", "selection", "lower", "upper", "moved_limit", "turned_limit"),
}


def next_letter(component: Component) -> str:
    """The letter after the latest one: A, B, … Z, AA, AB."""
    latest = latest_revision(component)
    return _after(latest.letter) if latest else "A"


@transaction.atomic
def create_revision(
    component: Component,
    *,
    what_changed: str,
    why: str,
    letter: str = "",
    cautions: str = "",
    strength_required: Decimal | None = None,
    strength_age_days: int = 28,
    copy_before: bool = False,
    by: Any,
    at: datetime | None = None,
) -> Revision:
    """Begin a revision, in preparation, with `by` as its author.

    letter: the next free one when empty; never an earlier one. strength_required: MPa, the engineer's value.
    copy_before: take over the characteristics and regions of the latest revision.
    """
    at = at or timezone.now()
    Component.objects.select_for_update().get(pk=component.pk)
    before = latest_revision(component)
    letter = letter or (_after(before.letter) if before else "A")
    if component.revisions.filter(letter=letter).exists():
        raise Taken(
            f"{component.part_number} has a revision {letter} already. The next free letter is "
            f"{next_letter(component)}.",
            field="letter",
        )
    if before and _order(letter) < _order(before.letter):
        raise Unusable(
            f"Letters go forward: after {before.letter} comes {_after(before.letter)} or a later one.",
            field="letter",
        )
    revision = Revision(
        component=component,
        letter=letter,
        what_changed=what_changed,
        why=why,
        cautions=cautions,
        strength_required=strength_required,
        strength_age_days=strength_age_days,
        author=by,
        state_since=at,
        created_at=at,
    )
    _check_strength(strength_required, strength_age_days)
    save_checked(revision)
    copied = _copy(before, revision) if copy_before and before else {}
    sentence = f"Revision {revision} begun: {what_changed.rstrip('.')}."
    if copied:
        sentence += (
            f" Taken over from {before.letter}: {count(copied['characteristics'], 'characteristic')} "
            f"and {count(copied['regions'], 'region')}{', with ' if 'alignment' in copied else ''}"
            f"{copied.get('alignment', '')}."
        )
    record(by, "revision.created", revision, sentence, details=copied, at=at)
    return revision


@transaction.atomic
def change_revision(revision: Revision, *, by: Any, at: datetime | None = None, **values: Any) -> Revision:
    """Change what is said about a revision while it is open: what_changed, why, cautions, strength and its age."""
    lock_open(revision)
    strength = values.get("strength_required", revision.strength_required)
    _check_strength(strength, values.get("strength_age_days", revision.strength_age_days))
    changed = change(revision, values)
    if changed:
        sentence = f"Revision {revision}: {in_words(revision, changed)} changed."
        record(by, "revision.changed", revision, sentence, details=changed, at=at)
    return revision


@transaction.atomic
def start_trial(revision: Revision, *, by: Any, at: datetime | None = None) -> Revision:
    """From in preparation to on trial: from now on it is cast, scanned and fitted to find out whether it works."""
    at = at or timezone.now()
    rows = Revision.objects.filter(pk=revision.pk, state=RevisionState.IN_PREPARATION)
    if rows.update(state=RevisionState.ON_TRIAL, state_since=at) != 1:
        revision.refresh_from_db()
        raise NotNow(
            f"{revision} is {revision.get_state_display()} already. Only a revision in preparation can go on trial."
        )
    revision.refresh_from_db(fields=["state", "state_since"])
    record(by, "revision.put-on-trial", revision, f"Revision {revision} put on trial.", at=at)
    return revision


def lock_open(revision: Revision) -> None:
    """Hold the revision for this transaction and refuse when its definition is closed. Raises Frozen."""
    revision.state = Revision.objects.select_for_update().values_list("state", flat=True).get(pk=revision.pk)
    check_open(revision)


def check_open(revision: Revision) -> None:
    """Refuse when the definition is closed, as far as the record in hand tells. Raises Frozen."""
    if not revision.is_open:
        raise Frozen(
            f"{revision} is {revision.get_state_display()}, so its definition is closed. "
            f"Begin revision {next_letter(revision.component)} to change something."
        )


def latest_revision(component: Component) -> Revision | None:
    """The revision with the last letter; not the one that sorts last, as AA comes after Z."""
    return max(Revision.objects.filter(component=component), key=lambda r: _order(r.letter), default=None)


def _order(letter: str) -> tuple[int, str]:
    return len(letter), letter


def _after(letter: str) -> str:
    head, last = letter[:-1], letter[-1]
    if last != "Z":
        return head + LETTERS[LETTERS.index(last) + 1]
    return (_after(head) if head else "A") + "A"


def _check_strength(strength: Decimal | None, age_days: int) -> None:
    if strength is not None and strength <= 0:
        raise Unusable(
            "A required strength is above 0 MPa. Leave it empty when none is asked for.", field="strength_required"
        )
    if age_days < 1:
        raise Unusable("Give the age in whole days, 1 or more.", field="strength_age_days")


def _copy(before: Revision, revision: Revision) -> dict[str, int | str]:
    from .alignment import copy_alignment
    from .features import copy_features

    copied = {"from": before.letter}
    for model, columns in COPIED.items():
        rows = [model(revision=revision, **row) for row in model.objects.filter(revision=before).values(*columns)]
        copied[model._meta.model_name + "s"] = len(model.objects.bulk_create(rows))
    if features := copy_features(before, revision):
        copied["features"] = features
    if alignment := copy_alignment(before, revision):
        copied["alignment"] = alignment.words
    return copied
