"""Did the batches that the casts came from reach the engineer's strength."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.urls import reverse

from casting.models import Cast, StrengthTest
from metrology.concrete.strength import acceptance
from metrology.wording import count, quantity
from parts.models import Revision

from .base import Finding, Gauge, Link, failed, missing, not_applicable, passed

CODE = "strength"
TITLE = "Strength"
OWNER = "technician"
NEXT = "Break the next specimens"
DEFAULTS: Mapping[str, Any] = {}


@dataclass(frozen=True)
class Test:
    batch: str
    label: str
    age_days: int
    strength: float


@dataclass(frozen=True)
class Evidence:
    required: float | None
    age_days: int
    tests: tuple[Test, ...]  # in the order of testing, at the required age or later
    early: int  # tests before that age: they prove nothing here
    untested: tuple[str, ...]  # batches of casts that still stand, without a test at that age
    url: str


def ask(settings: Mapping[str, Any]) -> str:
    return "The engineer's strength reached"


def evidence(revisions: Sequence[Revision]) -> dict[int, Evidence]:
    batches: dict[int, dict[int, str]] = {revision.pk: {} for revision in revisions}
    casts = Cast.objects.filter(revision__in=revisions, batch__isnull=False).exclude(standing=Cast.Standing.SCRAPPED)
    for row in casts.values("revision_id", "batch_id", "batch__code").distinct():
        batches[row["revision_id"]][row["batch_id"]] = row["batch__code"]
    tests: dict[int, list[StrengthTest]] = {}
    wanted = {pk for group in batches.values() for pk in group}
    for test in StrengthTest.objects.filter(batch__in=wanted).select_related("batch").order_by("tested_on", "pk"):
        tests.setdefault(test.batch_id, []).append(test)
    found = {}
    for revision in revisions:
        required, age = revision.strength_required, revision.strength_age_days
        own = sorted(
            (test for pk in batches[revision.pk] for test in tests.get(pk, [])),
            key=lambda test: (test.tested_on, test.pk),
        )
        ripe = [test for test in own if test.age_days >= age]
        found[revision.pk] = Evidence(
            required=float(required) if required is not None else None,
            age_days=age,
            tests=tuple(Test(test.batch.code, test.label, test.age_days, float(test.strength)) for test in ripe),
            early=len(own) - len(ripe),
            untested=tuple(
                sorted(code for pk, code in batches[revision.pk].items() if pk not in {test.batch_id for test in ripe})
            ),
            url=reverse("casting:revision_casts", args=revision.url_args()),
        )
    return found


def decide(evidence: Evidence, settings: Mapping[str, Any], at: datetime) -> Finding:
    if evidence.required is None:
        return not_applicable("not-asked", "No strength is asked for.")
    need = quantity(evidence.required, "MPa")
    links = (Link("Strength tests", evidence.url),)
    gauge = Gauge(evidence.required, None, tuple(test.strength for test in evidence.tests), unit="MPa")
    if not evidence.tests:
        early = f" {count(evidence.early, 'test')} before that age." if evidence.early else ""
        return missing(
            "no-test",
            f"No test at {count(evidence.age_days, 'day')} yet; needs {need}.{early}",
            links=links,
            gauge=gauge,
        )
    verdict = acceptance([test.strength for test in evidence.tests], evidence.required)
    extra: dict[str, Any] = {"links": links, "gauge": gauge, "figures": {"lowest": verdict.lowest}}
    if verdict.result == "fail":
        return failed(verdict.code, verdict.sentence, **extra)
    if verdict.result == "missing":
        return missing(verdict.code, verdict.sentence, **extra)
    said = verdict.sentence
    if evidence.untested:
        # A new batch does not undo the release; its own pieces wait for their test at the tag.
        said += f" Without a test at that age: {', '.join(evidence.untested)}."
    return passed(verdict.code, said, **extra)
