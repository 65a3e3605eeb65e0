"""Is the intended shape on file: a closed nominal mesh, and the drawing."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.urls import reverse

from metrology.wording import count, number
from parts.models import Geometry, Revision

from .base import Finding, Link, failed, missing, passed

CODE = "geometry"
TITLE = "Geometry"
OWNER = "lead"
NEXT = "Put the nominal mesh and the drawing on file"
DEFAULTS: Mapping[str, Any] = {"drawing": True, "closed": True}


@dataclass(frozen=True)
class Evidence:
    nominal_hash: str
    drawing_hash: str
    closed: bool
    triangles: int
    size: tuple[float, ...]
    url: str


def ask(settings: Mapping[str, Any]) -> str:
    return "Nominal mesh and drawing on file" if settings["drawing"] else "Nominal mesh on file"


def evidence(revisions: Sequence[Revision]) -> dict[int, Evidence]:
    rows = Geometry.objects.filter(revision__in=revisions, current=True).select_related("file")
    held: dict[tuple[int, str], Geometry] = {(row.revision_id, row.role): row for row in rows}
    found = {}
    for revision in revisions:
        nominal = held.get((revision.pk, Geometry.Role.NOMINAL))
        drawing = held.get((revision.pk, Geometry.Role.DRAWING))
        facts = nominal.facts if nominal else {}
        found[revision.pk] = Evidence(
            nominal_hash=nominal.file.sha256 if nominal else "",
            drawing_hash=drawing.file.sha256 if drawing else "",
            closed=bool(facts.get("watertight")),
            triangles=int(facts.get("triangles", 0)),
            size=tuple(facts.get("size", ())),
            url=reverse("parts:definition", args=revision.url_args()),
        )
    return found


def decide(evidence: Evidence, settings: Mapping[str, Any], at: datetime) -> Finding:
    links = (Link("Definition", evidence.url),)
    if not evidence.nominal_hash:
        return missing("no-nominal", "No nominal mesh on file.", links=links)
    if settings["closed"] and not evidence.closed:
        return failed(
            "open-mesh", "The nominal mesh is not closed, so that inside and outside cannot be told apart everywhere.",
            links=links,
        )  # fmt: skip
    if settings["drawing"] and not evidence.drawing_hash:
        return missing("no-drawing", "The nominal mesh is on file, the drawing is not.", links=links)
    size = " × ".join(number(side, 0) for side in evidence.size)
    what = "Nominal mesh and drawing" if evidence.drawing_hash else "Nominal mesh"
    return passed("on-file", f"{what} on file: {size}\u00a0mm, {count(evidence.triangles, 'triangle')}.", links=links)
