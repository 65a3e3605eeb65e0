"""Is every question about the component answered."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from lessons.models import Question
from metrology.wording import count
from parts.models import Revision

from .base import Finding, Link, missing, passed

CODE = "questions"
TITLE = "Questions"
OWNER = "technician"
NEXT = "Answer the question on its mock-up"
DEFAULTS: Mapping[str, Any] = {}


@dataclass(frozen=True)
class Asked:
    code: str
    text: str
    answered: bool
    url: str


@dataclass(frozen=True)
class Evidence:
    asked: tuple[Asked, ...]


def ask(settings: Mapping[str, Any]) -> str:
    return "None open"


def evidence(revisions: Sequence[Revision]) -> dict[int, Evidence]:
    components = {revision.component_id for revision in revisions}
    links = (
        Question.components.through.objects.filter(component_id__in=components)
        .select_related("question__kit")
        .order_by("question__code")
    )
    asked: dict[int, list[Asked]] = {pk: [] for pk in components}
    for link in links:
        question = link.question
        asked[link.component_id].append(
            Asked(question.code, question.text, not question.is_open, question.get_absolute_url())
        )
    return {revision.pk: Evidence(tuple(asked[revision.component_id])) for revision in revisions}


def decide(evidence: Evidence, settings: Mapping[str, Any], at: datetime) -> Finding:
    still_open = [question for question in evidence.asked if not question.answered]
    if still_open:
        first = still_open[0]
        return missing(
            "open",
            f"{len(still_open)} open. {first.code}: {first.text}",
            links=tuple(Link(question.code, question.url) for question in still_open),
        )
    if not evidence.asked:
        return passed("none-asked", "No question was asked about this component.")
    return passed("answered", f"{count(len(evidence.asked), 'question')} asked, all answered.")
