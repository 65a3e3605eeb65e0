"""Does it fit on the scale model."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from parts.models import Revision

from .base import Finding
from .fits import Evidence, judge, read

CODE = "model-fit"
TITLE = "Model fit"
OWNER = "technician"
NEXT = "Try it on the scale model"
DEFAULTS: Mapping[str, Any] = {}


def ask(settings: Mapping[str, Any]) -> str:
    return "Every joint inside its limits, scaled down"


def evidence(revisions: Sequence[Revision]) -> dict[int, Evidence]:
    return read(revisions, full_size=False)


def decide(evidence: Evidence, settings: Mapping[str, Any], at: datetime) -> Finding:
    return judge(evidence, "the model")
