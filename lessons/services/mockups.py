"""Mock-ups and the questions they must answer."""

from collections.abc import Iterable
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from django.contrib.auth.models import AbstractUser
from django.db import transaction
from django.utils import timezone

from casting.moments import said
from lessons.errors import LessonsRefusal
from lessons.models import Mockup, Question, Trial
from logbook.services import record
from metrology.wording import listed
from parts.models import Component, Kit
from parts.numbering import next_code
from parts.saving import change, in_words, save_checked


@transaction.atomic
def add_mockup(
    kit: Kit,
    *,
    name: str,
    built_on: date,
    scale: Decimal = Decimal(1),
    about: str = "",
    components: Iterable[Component] = (),
    code: str = "",
    by: AbstractUser,
    at: datetime | None = None,
) -> Mockup:
    """A scale model or a full-size mock-up. scale: the n of 1 : n, 1 for full size. about: what it must answer.

    code: the next free one when empty. Refuses a code in use, a scale that is no positive number, another kit's parts.
    """
    components = list(components)
    _refuse_other_kit(kit, components)
    _refuse_scale(scale)
    code = code.strip() or next_code(Mockup, kit, "MU")
    _refuse_code(kit, code)
    mockup = Mockup(kit=kit, code=code, name=name.strip(), scale=scale, about=about.strip(), built_on=built_on)
    save_checked(mockup)
    mockup.components.set(components)
    record(by, "mockup.added", mockup, f"Mock-up {mockup} added, {mockup.size_said}{_of(components)}.", at=at)
    return mockup


@transaction.atomic
def change_mockup(mockup: Mockup, *, by: AbstractUser, at: datetime | None = None, **values: Any) -> Mockup:
    """Change what is said about a mock-up. Its scale only while no gap has been measured on it."""
    components = values.pop("components", None)
    scale = values.get("scale", mockup.scale)
    if scale != mockup.scale:
        _refuse_scale(scale)
        if Trial.objects.filter(mockup=mockup, fit_checks__isnull=False).exists():
            raise LessonsRefusal(
                f"Gaps were measured on {mockup.code}, {mockup.size_said}, so its scale stays. "
                "For another scale add another mock-up.",
                code="scale-in-use",
                field="scale",
            )
    if values.get("code", mockup.code) != mockup.code:
        _refuse_code(mockup.kit, values["code"], besides=mockup)
    changed = change(mockup, values)
    said_changed = [in_words(mockup, changed)] if changed else []
    if components is not None:
        components = list(components)
        _refuse_other_kit(mockup.kit, components)
        before = list(mockup.components.all())
        if {c.pk for c in before} != {c.pk for c in components}:
            mockup.components.set(components)
            changed["components"] = [[c.part_number for c in before], [c.part_number for c in components]]
            said_changed.append("components")
    if changed:
        sentence = f"Mock-up {mockup}: {listed(said_changed)} changed."
        record(by, "mockup.changed", mockup, sentence, details=changed, at=at)
    return mockup


@transaction.atomic
def ask_question(
    mockup: Mockup, *, text: str, components: Iterable[Component], by: AbstractUser, at: datetime | None = None
) -> Question:
    """An unknown that the mock-up must answer. It stops every component that it concerns until it is answered."""
    at = at or timezone.now()
    components = list(components)
    if not text.strip():
        raise LessonsRefusal("Write the question.", code="no-text", field="text")
    if not components:
        raise LessonsRefusal("Name at least one part that waits for the answer.", code="no-part", field="components")
    _refuse_other_kit(mockup.kit, components)
    question = Question(
        kit=mockup.kit,
        code=next_code(Question, mockup.kit, "Q"),
        mockup=mockup,
        text=text.strip(),
        asked_by=by,
        asked_at=at,
    )
    save_checked(question)
    question.components.set(components)
    record(by, "question.asked", question, f"{question} asked{_of(components)}: {question.text}", at=at)
    return question


@transaction.atomic
def answer_question(
    question: Question,
    *,
    answer: str,
    answered_in: Trial | None = None,
    by: AbstractUser,
    at: datetime | None = None,
) -> Question:
    """Answer an open question, as a rule from a trial. An answer stays: what is still unknown is asked anew."""
    at = at or timezone.now()
    if not answer.strip():
        raise LessonsRefusal("Write the answer.", code="no-text", field="answer")
    if answered_in and answered_in.kit_id != question.kit_id:
        raise LessonsRefusal(f"Trial {answered_in} belongs to another kit.", code="other-kit", field="answered_in")
    if answered_in and answered_in.started_at > at:
        raise LessonsRefusal(f"Trial {answered_in} has not begun yet.", code="future", field="answered_in")
    found = {"answer": answer.strip(), "answered_by": by, "answered_at": at, "answered_in": answered_in}
    if not Question.objects.filter(pk=question.pk, answered_at__isnull=True).update(**found):
        question.refresh_from_db()
        raise LessonsRefusal(
            f"{question} was answered {said(question.kit, question.answered_at)} by {question.answered_by}. "
            "If something is still unknown, ask a new question.",
            code="answered",
        )
    for name, value in found.items():
        setattr(question, name, value)
    where = f" in trial {answered_in}" if answered_in else ""
    record(by, "question.answered", question, f"{question} answered{where}: {question.answer}", at=at)
    return question


def _of(components: list[Component]) -> str:
    return f" for {listed([c.part_number for c in components])}" if components else ""


def _refuse_scale(scale: Decimal) -> None:
    if scale <= 0:
        raise LessonsRefusal(
            "A scale is a number above zero: 10 for 1 : 10, 1 for full size.", code="bad-scale", field="scale"
        )


def _refuse_code(kit: Kit, code: str, besides: Mockup | None = None) -> None:
    other = kit.mockups.filter(code__iexact=code).exclude(pk=besides and besides.pk).first()
    if other:
        raise LessonsRefusal(
            f"{other.code} is the code of the mock-up {other.name}. Choose another code.", code="taken", field="code"
        )


def _refuse_other_kit(kit: Kit, components: list[Component]) -> None:
    for component in components:
        if component.kit_id != kit.pk:
            raise LessonsRefusal(
                f"{component.part_number} belongs to another kit. Choose parts of {kit.code}.",
                code="other-kit",
                field="components",
            )
