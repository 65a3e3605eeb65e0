"""Does a lesson block the component until its fix is proven."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from lessons.models import Lesson
from metrology.wording import count
from parts.models import Revision

from .base import Finding, Link, failed, passed

CODE = "lessons"
TITLE = "Lessons"
OWNER = "lead"
NEXT = "Prove the lesson's fix"
DEFAULTS: Mapping[str, Any] = {}


@dataclass(frozen=True)
class Learned:
    code: str
    title: str
    blocking: bool
    proven: bool
    url: str


@dataclass(frozen=True)
class Evidence:
    lessons: tuple[Learned, ...]


def ask(settings: Mapping[str, Any]) -> str:
    return "None blocking"


def evidence(revisions: Sequence[Revision]) -> dict[int, Evidence]:
    learned: dict[int, list[Learned]] = {revision.component_id: [] for revision in revisions}
    for row in Lesson.objects.filter(component__in=list(learned)).select_related("kit").order_by("code"):
        learned[row.component_id].append(
            Learned(row.code, row.title, row.blocking, row.is_proven, row.get_absolute_url())
        )
    return {revision.pk: Evidence(tuple(learned[revision.component_id])) for revision in revisions}


def decide(evidence: Evidence, settings: Mapping[str, Any], at: datetime) -> Finding:
    blocking = [lesson for lesson in evidence.lessons if lesson.blocking and not lesson.proven]
    if blocking:
        first = blocking[0]
        return failed(
            "blocking",
            f"{len(blocking)} blocking. {first.code}: {first.title}.",
            links=tuple(Link(lesson.code, lesson.url) for lesson in blocking),
        )
    if not evidence.lessons:
        return passed("none", "No lesson was written about this component.")
    return passed("none-blocking", f"{count(len(evidence.lessons), 'lesson')}, none blocking.")
