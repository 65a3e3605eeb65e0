"""Does the definition say what can hurt the people who cast, lift and install the part."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.urls import reverse

from metrology.wording import count
from parts.models import Revision

from .base import Finding, Link, missing, passed

CODE = "cautions"
TITLE = "Cautions"
OWNER = "lead"
NEXT = "Write down what can hurt someone"
DEFAULTS: Mapping[str, Any] = {}


@dataclass(frozen=True)
class Evidence:
    cautions: str
    url: str


def ask(settings: Mapping[str, Any]) -> str:
    return "Cautions stated"


def evidence(revisions: Sequence[Revision]) -> dict[int, Evidence]:
    return {
        revision.pk: Evidence(revision.cautions.strip(), reverse("parts:definition", args=revision.url_args()))
        for revision in revisions
    }


def decide(evidence: Evidence, settings: Mapping[str, Any], at: datetime) -> Finding:
    links = (Link("Definition", evidence.url),)
    lines = [line for line in evidence.cautions.splitlines() if line.strip()]
    if not lines:
        return missing("none", "No cautions stated for casting, lifting and installing.", links=links)
    return passed("stated", f"{count(len(lines), 'caution')} stated.", links=links)
