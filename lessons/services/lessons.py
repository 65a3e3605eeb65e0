"""A lesson from what was seen to what proves its fix."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.contrib.auth.models import AbstractUser
from django.db import transaction
from django.utils import timezone

from casting.models import Cast
from casting.moments import said
from lessons.errors import LessonsRefusal
from lessons.models import Lesson, Sighting, Trial
from lessons.photos import add_photo
from lessons.pictures import Picture
from logbook.services import record
from parts.models import Component, Kit, Revision
from parts.numbering import next_code
from parts.saving import change, in_words, save_checked

# What a proof rests on: once proven, these stay as they were.
PROVEN_TEXT = ("what_happened", "cause", "action", "proof_wanted", "blocking", "component")


@transaction.atomic
def write_lesson(
    kit: Kit,
    *,
    title: str,
    component: Component,
    what_happened: str,
    cause: str = "",
    action: str = "",
    applies_next: str = "",
    proof_wanted: str = "",
    blocking: bool = False,
    carried_by: Revision | None = None,
    seen_in_trial: Trial | None = None,
    cast: Cast | None = None,
    owner: AbstractUser | None = None,
    photos: Sequence[Picture] = (),
    by: AbstractUser,
    at: datetime | None = None,
) -> Lesson:
    """Write down what happened, its cause, what is done, where it applies next and what would prove it.

    cast, seen_in_trial: where it was seen; that is the first stroke of its tally. blocking: the component is not
    released until the lesson is proven, so it must say what would prove it. Refuses empty text, another kit's records
    and a revision of another component.
    """
    at = at or timezone.now()
    for field, text in (("title", title), ("what_happened", what_happened)):
        if not text.strip():
            raise LessonsRefusal("Say what happened.", code="no-text", field=field)
    if component.kit_id != kit.pk:
        raise LessonsRefusal(f"{component.part_number} belongs to another kit.", code="other-kit", field="component")
    if seen_in_trial and seen_in_trial.kit_id != kit.pk:
        raise LessonsRefusal(f"Trial {seen_in_trial} belongs to another kit.", code="other-kit", field="seen_in_trial")
    _refuse_endless(blocking, proof_wanted)
    lesson = Lesson(
        kit=kit,
        code=next_code(Lesson, kit, "L"),
        title=title.strip(),
        component=component,
        what_happened=what_happened.strip(),
        cause=cause.strip(),
        action=action.strip(),
        applies_next=applies_next.strip(),
        proof_wanted=proof_wanted.strip(),
        blocking=blocking,
        seen_in_trial=seen_in_trial,
        owner=owner,
        written_by=by,
        written_at=at,
    )
    save_checked(lesson)
    blocks = f" It blocks {component.part_number} until it is proven." if blocking else ""
    record(by, "lesson.written", lesson, f"Lesson {lesson} written.{blocks}", at=at)
    if cast or seen_in_trial:
        _see(lesson, cast=cast, trial=seen_in_trial, note="", by=by, at=at, seen_at=at)
    if carried_by:
        carry_fix(lesson, carried_by, by=by, at=at)
    for photo in photos:
        add_photo(lesson, file=photo, by=by, at=at)
    return lesson


@transaction.atomic
def change_lesson(lesson: Lesson, *, by: AbstractUser, at: datetime | None = None, **values: Any) -> Lesson:
    """Change the text, the owner or whether it blocks. What a proof rests on stays once the lesson is proven."""
    cleaned = {name: value.strip() if isinstance(value, str) else value for name, value in values.items()}
    for field in ("title", "what_happened"):
        if not cleaned.get(field, "x"):
            raise LessonsRefusal("Say what happened.", code="no-text", field=field)
    differs = [name for name in PROVEN_TEXT if name in cleaned and cleaned[name] != getattr(lesson, name)]
    if lesson.is_proven and differs:
        raise LessonsRefusal(
            f"{lesson.code} was proven {said(lesson.kit, lesson.proven_at)}, so this stays as it was. Write a new "
            "lesson for what is new, or ask a lead to withdraw the proof.",
            code="proven",
            field=differs[0],
        )
    component = cleaned.get("component")
    if component and component.kit_id != lesson.kit_id:
        raise LessonsRefusal(f"{component.part_number} belongs to another kit.", code="other-kit", field="component")
    if component and lesson.carried_by and lesson.carried_by.component_id != component.pk:
        raise LessonsRefusal(
            f"The fix is carried by {lesson.carried_by}, so the lesson stays with that part.",
            code="carried",
            field="component",
        )
    _refuse_endless(cleaned.get("blocking", lesson.blocking), cleaned.get("proof_wanted", lesson.proof_wanted))
    if (carried_by := cleaned.pop("carried_by", None)) and carried_by != lesson.carried_by:
        carry_fix(lesson, carried_by, by=by, at=at)
    changed = change(lesson, cleaned)
    if changed:
        sentence = f"Lesson {lesson}: {in_words(lesson, changed)} changed."
        record(by, "lesson.changed", lesson, sentence, details=changed, at=at)
    return lesson


@transaction.atomic
def carry_fix(lesson: Lesson, revision: Revision, *, by: AbstractUser, at: datetime | None = None) -> Lesson:
    """Say which revision carries the fix. Refuses one of another component, a withdrawn one, a proven lesson."""
    if lesson.is_proven:
        raise LessonsRefusal(
            f"{lesson.code} is proven with the fix as it is. Withdraw the proof first.",
            code="proven",
            field="carried_by",
        )
    if revision.component_id != lesson.component_id:
        raise LessonsRefusal(
            f"{revision} is another part. Choose a revision of {lesson.component.part_number}.",
            code="other-part",
            field="carried_by",
        )
    if revision.state == Revision.State.WITHDRAWN:
        raise LessonsRefusal(
            f"{revision} is withdrawn. Choose a revision that is still in use.", code="withdrawn", field="carried_by"
        )
    changed = change(lesson, {"carried_by": revision})
    if changed:
        sentence = f"The fix of lesson {lesson.code} is carried by {revision}."
        record(by, "lesson.fix-carried", lesson, sentence, details=changed, at=at)
    return lesson


@transaction.atomic
def prove_lesson(
    lesson: Lesson, *, proof: str, trial: Trial | None = None, by: AbstractUser, at: datetime | None = None
) -> Lesson:
    """Say what was seen that proves the fix, in a trial or otherwise: the lesson blocks no more.

    Refuses the person who wrote it, a lesson without an action, no proof in words, another kit's trial, one not yet
    begun, and a second proof.
    """
    at = at or timezone.now()
    if lesson.written_by_id == by.pk:
        raise LessonsRefusal("You wrote this lesson. Somebody else says whether its fix is proven.", code="own-lesson")
    if not proof.strip():
        raise LessonsRefusal("Say what was seen that proves the fix.", code="no-text", field="proof")
    if not lesson.action:
        raise LessonsRefusal(
            f"{lesson.code} names no action yet, so there is nothing to prove. Write down what is done about it first.",
            code="no-action",
        )
    if trial and trial.kit_id != lesson.kit_id:
        raise LessonsRefusal(f"Trial {trial} belongs to another kit.", code="other-kit", field="trial")
    if trial and trial.started_at > at:
        raise LessonsRefusal(f"Trial {trial} has not begun yet.", code="future", field="trial")
    found = {"proof": proof.strip(), "proven_in": trial, "proven_by": by, "proven_at": at}
    if not Lesson.objects.filter(pk=lesson.pk, proven_at__isnull=True).update(**found):
        lesson.refresh_from_db()
        raise LessonsRefusal(
            f"{lesson.code} was proven {said(lesson.kit, lesson.proven_at)} by {lesson.proven_by} already.",
            code="proven",
        )
    _set(lesson, found)
    where = f" in trial {trial}" if trial else ""
    record(by, "lesson.proven", lesson, f"Lesson {lesson.code} proven{where}: {lesson.proof}", at=at)
    return lesson


@transaction.atomic
def withdraw_proof(lesson: Lesson, *, reason: str, by: AbstractUser, at: datetime | None = None) -> Lesson:
    """The proof does not hold, as a rule because it was seen again. The logbook keeps what the proof said."""
    if not reason.strip():
        raise LessonsRefusal("Say why the proof does not hold.", code="no-text", field="reason")
    before = lesson.proof
    found = {"proof": "", "proven_in": None, "proven_by": None, "proven_at": None}
    if not Lesson.objects.filter(pk=lesson.pk, proven_at__isnull=False).update(**found):
        raise LessonsRefusal(f"{lesson.code} is not proven, so there is no proof to withdraw.", code="not-proven")
    _set(lesson, found)
    sentence = f"The proof of lesson {lesson.code} is withdrawn: {reason.strip()}"
    record(by, "lesson.proof-withdrawn", lesson, sentence, details={"proof": before}, at=at)
    return lesson


@transaction.atomic
def log_sighting(
    lesson: Lesson,
    *,
    cast: Cast | None = None,
    trial: Trial | None = None,
    note: str = "",
    seen_at: datetime | None = None,
    by: AbstractUser,
    at: datetime | None = None,
) -> Sighting:
    """It was seen again: one more stroke. Refuses a cast or trial that is counted already, and nothing to go by."""
    at = at or timezone.now()
    seen_at = seen_at or at
    if not (cast or trial or note.strip()):
        raise LessonsRefusal("Say where it was seen: a cast, a trial or a few words.", code="nowhere", field="note")
    if seen_at > at:
        raise LessonsRefusal("The time it was seen lies in the future.", code="future", field="seen_at")
    sighting = _see(lesson, cast=cast, trial=trial, note=note, by=by, at=at, seen_at=seen_at)
    times = lesson.sightings.count()
    on = "".join([f" on {cast}" if cast else "", f" in trial {trial}" if trial else ""])
    tail = f": {sighting.note}" if sighting.note else ""
    record(by, "lesson.seen", lesson, f"Lesson {lesson.code} seen again{on}, {times} in all{tail}.", at=at)
    return sighting


def _see(
    lesson: Lesson, *, cast: Cast | None, trial: Trial | None, note: str, by: AbstractUser, at: datetime,
    seen_at: datetime,
) -> Sighting:  # fmt: skip
    for field, place in (("cast", cast), ("trial", trial)):
        if place and place.kit_id != lesson.kit_id:
            raise LessonsRefusal(f"{place} belongs to another kit.", code="other-kit", field=field)
    same = lesson.sightings.filter(cast=cast) if cast else lesson.sightings.filter(cast=None, trial=trial)
    if (cast or trial) and same.exists():
        what = f"cast {cast}" if cast else f"trial {trial}"
        raise LessonsRefusal(
            f"{lesson.code} is counted for {what} already. Each is one stroke.",
            code="counted",
            field="cast" if cast else "trial",
        )
    sighting = Sighting(lesson=lesson, cast=cast, trial=trial, note=note.strip(), at=seen_at, logged_by=by)
    save_checked(sighting)
    return sighting


def _refuse_endless(blocking: bool, proof_wanted: str) -> None:
    if blocking and not proof_wanted.strip():
        raise LessonsRefusal(
            "A lesson that blocks must say what proves its fix, so that it can end.",
            code="no-proof-wanted",
            field="proof_wanted",
        )


def _set(lesson: Lesson, found: dict[str, Any]) -> None:
    for name, value in found.items():
        setattr(lesson, name, value)
