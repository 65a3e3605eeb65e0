"""Does it fit on the full-size mock-up."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from parts.models import Revision

from .base import Finding
from .fits import Evidence, judge, read

CODE = "mockup-fit"
TITLE = "Mock-up fit"
OWNER = "technician"
NEXT = "Try it on the mock-up"
DEFAULTS: Mapping[str, Any] = {}


def ask(settings: Mapping[str, Any]) -> str:
    return "Every joint inside its limits, full size"


def evidence(revisions: Sequence[Revision]) -> dict[int, Evidence]:
    return read(revisions, full_size=True)


def decide(evidence: Evidence, settings: Mapping[str, Any], at: datetime) -> Finding:
    return judge(evidence, "the mock-up")
