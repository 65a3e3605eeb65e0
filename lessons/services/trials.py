"""A trial while it runs: what stands in it, its steps, its end."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from django.contrib.auth.models import AbstractUser
from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from casting.models import Cast
from casting.moments import said
from lessons.errors import LessonsRefusal
from lessons.models import Mockup, Step, Trial, TrialPiece
from logbook.services import record
from metrology.wording import NBSP, count, listed
from parts.models import Component, Revision
from parts.numbering import next_code
from parts.saving import change, in_words, save_checked

TENTH = Decimal("0.1")
# Made without a cast that could be named, so that a piece of the revision stands for itself at full size too.
WITHOUT_CASTS = (Component.MadeHow.PRINTED, Component.MadeHow.BOUGHT, Component.MadeHow.OTHER)
CANNOT_STAND = {
    Cast.Standing.IN_MOULD: "is still in its mould. Demould it first",
    Cast.Standing.SCRAPPED: "is scrapped. Choose another piece",
    Cast.Standing.INSTALLED: "is installed on site. Choose another piece",
}


@dataclass(frozen=True)
class Piece:
    """What is fitted: a cast, or a piece made to a revision; and where it stands on the mock-up."""

    what: Cast | Revision
    place: str = ""


@transaction.atomic
def log_trial(
    mockup: Mockup,
    *,
    pieces: Sequence[Piece | Cast | Revision],
    conditions: str = "",
    crew: str = "",
    started_at: datetime | None = None,
    by: AbstractUser,
    at: datetime | None = None,
) -> Trial:
    """Begin a trial: one assembly attempt. It is under way until `end_trial`.

    pieces: casts on a full-size mock-up (or a revision of something that is not cast); revisions on a scale model.
    started_at: `at` when not given. Refuses a start in the future, no piece at all, and what `add_piece` refuses.
    """
    at = at or timezone.now()
    started_at = started_at or at
    if started_at > at:
        raise LessonsRefusal("The start lies in the future.", code="future", field="started_at")
    if not pieces:
        raise LessonsRefusal("Name at least one piece that is fitted.", code="no-piece", field="pieces")
    trial = Trial(
        kit=mockup.kit,
        code=next_code(Trial, mockup.kit, "T"),
        mockup=mockup,
        started_at=started_at,
        crew=crew.strip(),
        conditions=conditions.strip(),
        logged_by=by,
        logged_at=at,
    )
    save_checked(trial)
    names = [str(_stand(trial, piece if isinstance(piece, Piece) else Piece(piece))) for piece in pieces]
    sentence = f"Trial {trial} on {mockup} begun {said(trial.kit, started_at)} with {listed(names)}."
    record(by, "trial.begun", trial, sentence, at=at)
    return trial


@transaction.atomic
def add_piece(
    trial: Trial, what: Cast | Revision, *, place: str = "", by: AbstractUser, at: datetime | None = None
) -> TrialPiece:
    """One more piece in a running trial.

    Refuses another kit's, a withdrawn revision, a cast that is in its mould, scrapped or installed, that was poured
    after the start, or that stands in this or another running trial; a cast on a scale model; at full size a revision
    of something that is cast, for it is a certain serial that fits or does not.
    """
    refuse_ended(trial)
    piece = _stand(trial, Piece(what, place))
    where = f", {piece.place}" if piece.place else ""
    record(by, "trial.piece-added", trial, f"{piece} added to trial {trial}{where}.", at=at)
    return piece


@transaction.atomic
def take_out_piece(piece: TrialPiece, *, by: AbstractUser, at: datetime | None = None) -> Trial:
    """A piece that was entered by mistake. Refused when a gap of its component was measured, or when it is the last."""
    trial, component = piece.trial, piece.revision.component
    refuse_ended(trial)
    if trial.pieces.count() == 1:
        raise LessonsRefusal(f"{piece} is the only piece. Add the right one first.", code="last-piece")
    others = trial.pieces.exclude(pk=piece.pk).filter(revision=piece.revision)
    gaps = trial.fit_checks.filter(interface__component_a=component) | trial.fit_checks.filter(
        interface__component_b=component
    )
    if gaps.exists() and not others.exists():
        raise LessonsRefusal(
            f"Gaps of {component.part_number} were measured in this trial, so {piece} stays.", code="measured"
        )
    name = str(piece)
    piece.delete()
    record(by, "trial.piece-taken-out", trial, f"{name} taken out of trial {trial}: entered by mistake.", at=at)
    return trial


@transaction.atomic
def change_trial(trial: Trial, *, by: AbstractUser, at: datetime | None = None, **values: str) -> Trial:
    """Change conditions, crew or what went wrong, while the trial is under way."""
    refuse_ended(trial)
    changed = change(trial, {name: text.strip() for name, text in values.items()})
    if changed:
        sentence = f"Trial {trial}: {in_words(trial, changed)} changed."
        record(by, "trial.changed", trial, sentence, details=changed, at=at)
    return trial


@transaction.atomic
def log_step(
    trial: Trial,
    *,
    text: str = "",
    minutes: Decimal | None = None,
    went_wrong: str = "",
    by: AbstractUser,
    at: datetime | None = None,
) -> Step:
    """A step that is finished now. minutes: the time since the last step, or the start, when not given.

    text: "Step 4" when empty, for a hand in a glove. Refuses an ended trial, minutes below zero, and a moment before
    the last step.
    """
    at = at or timezone.now()
    refuse_ended(trial)
    Trial.objects.select_for_update().get(pk=trial.pk)
    last = trial.steps.aggregate(number=Max("number"), done=Max("done_at"))
    since = last["done"] or trial.started_at
    if minutes is None:
        if at < since:
            raise LessonsRefusal(
                f"The last step was finished {said(trial.kit, since)}, which is later. Give the minutes instead.",
                code="before-last",
                field="minutes",
            )
        minutes = (Decimal((at - since).total_seconds()) / 60).quantize(TENTH, ROUND_HALF_UP)
    elif minutes < 0:
        raise LessonsRefusal("Minutes are zero or more.", code="bad-minutes", field="minutes")
    number = (last["number"] or 0) + 1
    step = Step(
        trial=trial,
        number=number,
        text=text.strip() or f"Step {number}",
        minutes=minutes,
        went_wrong=went_wrong.strip(),
        done_at=at,
    )
    save_checked(step)
    wrong = f" Went wrong: {step.went_wrong}" if step.went_wrong else ""
    sentence = f"Trial {trial}, step {number}: {step.text}, {minutes.normalize():f}{NBSP}min.{wrong}"
    record(by, "trial.step-logged", trial, sentence, at=at)
    return step


@transaction.atomic
def end_trial(
    trial: Trial,
    *,
    went_wrong: str | None = None,
    ended_at: datetime | None = None,
    by: AbstractUser,
    at: datetime | None = None,
) -> Trial:
    """The attempt is over. went_wrong: None keeps what was written while it ran; an empty text clears it.

    Refuses an end before the start, before the last step or gap, in the future, and a second end.
    """
    at = at or timezone.now()
    ended_at = ended_at or at
    if ended_at < trial.started_at:
        raise LessonsRefusal(
            f"It began {said(trial.kit, trial.started_at)}; it cannot end before that.",
            code="before-start",
            field="ended_at",
        )
    if ended_at > at:
        raise LessonsRefusal("The end lies in the future.", code="future", field="ended_at")
    found: dict[str, Any] = {"ended_at": ended_at}
    if went_wrong is not None:
        found["went_wrong"] = went_wrong.strip()
    if not Trial.objects.filter(pk=trial.pk, ended_at__isnull=True).update(**found):
        trial.refresh_from_db()
        refuse_ended(trial)
    for name, value in found.items():
        setattr(trial, name, value)
    steps, gaps = trial.steps.count(), trial.fit_checks.count()
    wrong = f" Went wrong: {trial.went_wrong}" if trial.went_wrong else " Nothing is noted as gone wrong."
    sentence = f"Trial {trial} ended {said(trial.kit, ended_at)}: {count(steps, 'step')}, {count(gaps, 'gap')}.{wrong}"
    record(by, "trial.ended", trial, sentence, at=at)
    return trial


def refuse_ended(trial: Trial) -> None:
    if trial.ended_at:
        raise LessonsRefusal(
            f"Trial {trial} ended {said(trial.kit, trial.ended_at)}. What is tried now belongs to a new trial.",
            code="ended",
        )


def _stand(trial: Trial, piece: Piece) -> TrialPiece:
    cast = piece.what if isinstance(piece.what, Cast) else None
    revision = cast.revision if cast else piece.what
    if revision.component.kit_id != trial.kit_id:
        raise _refusal(f"{piece.what} belongs to another kit. Choose one of {trial.kit.code}.", "other-kit")
    if revision.state == Revision.State.WITHDRAWN:
        raise _refusal(f"{revision} is withdrawn: it is never used again. Choose another revision.", "withdrawn")
    if cast:
        _refuse_cast(trial, cast)
    elif trial.mockup.is_full_size and revision.component.made_how not in WITHOUT_CASTS:
        raise _refusal(
            f"{revision} is cast, and {trial.mockup.code} is full size: choose the serial that is fitted.", "no-serial"
        )
    row = TrialPiece(trial=trial, revision=revision, cast=cast, place=piece.place.strip())
    save_checked(row)
    return row


def _refuse_cast(trial: Trial, cast: Cast) -> None:
    if not trial.mockup.is_full_size:
        raise _refusal(
            f"{cast} is a full-size piece, and {trial.mockup.code} is {trial.mockup.size_said}: choose the revision "
            "that the small piece was made to.",
            "cast-on-model",
        )
    if cast.standing in CANNOT_STAND:
        raise _refusal(f"{cast} {CANNOT_STAND[cast.standing]}.", "cannot-stand")
    if cast.poured_at > trial.started_at:
        raise _refusal(
            f"{cast} was poured {said(trial.kit, cast.poured_at)}, after the trial began. Check the start and the "
            "serial.",
            "poured-later",
        )
    standing = TrialPiece.objects.filter(cast=cast, trial__ended_at__isnull=True).select_related("trial").first()
    if standing and standing.trial_id == trial.pk:
        raise _refusal(f"{cast} stands in this trial already.", "twice")
    if standing:
        raise _refusal(f"{cast} stands in trial {standing.trial}, which is under way. End that one first.", "elsewhere")


def _refusal(sentence: str, code: str) -> LessonsRefusal:
    return LessonsRefusal(sentence, code=code, field="pieces")
