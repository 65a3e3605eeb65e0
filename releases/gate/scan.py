"""Do the scans of enough casts lie inside the tolerance, with enough of the surface measured."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.urls import reverse

from casting.models import Cast
from inspection.models import Result, Scan
from metrology.wording import count, limits, listed, quantity
from parts.models import Geometry, Revision

from .base import Finding, Gauge, Link, failed, inconclusive, missing, passed

CODE = "scan"
TITLE = "Scan"
OWNER = "technician"
NEXT = "Scan the next cast"
DEFAULTS: Mapping[str, Any] = {"minimum": 3, "coverage": 0.95}


@dataclass(frozen=True)
class ScanFact:
    """The newest finished scan of one cast."""

    code: str
    serial: str
    result: str
    sentence: str
    lower: float
    upper: float
    uncertainty: float
    worst: float | None
    coverage: float | None
    of_current_nominal: bool
    file_hash: str
    url: str


@dataclass(frozen=True)
class Evidence:
    scans: tuple[ScanFact, ...]
    unscanned: tuple[str, ...]
    under_way: int
    url: str


def ask(settings: Mapping[str, Any]) -> str:
    share = quantity(100 * settings["coverage"], "%", 0)
    return f"{count(settings['minimum'], 'cast')} inside tolerance, {share} of the surface seen"


def evidence(revisions: Sequence[Revision]) -> dict[int, Evidence]:
    nominal = dict(
        Geometry.objects.filter(revision__in=revisions, role=Geometry.Role.NOMINAL, current=True).values_list(
            "revision_id", "pk"
        )
    )
    casts = list(
        Cast.objects.filter(revision__in=revisions)
        .exclude(standing=Cast.Standing.SCRAPPED)
        .order_by("poured_at", "pk")
        .only("pk", "serial", "revision_id")
    )
    newest: dict[int, Scan] = {}
    under_way: dict[int, int] = {}
    scans = (
        Scan.objects.filter(cast__in=casts, withdrawn_at__isnull=True)
        .select_related("kit", "file", "result")
        .order_by("scanned_at", "pk")
    )
    for scan in scans:
        if scan.state == Scan.State.DONE:
            newest[scan.cast_id] = scan
        elif scan.state in (Scan.State.WAITING, Scan.State.RUNNING):
            under_way[scan.cast_id] = under_way.get(scan.cast_id, 0) + 1
    found = {}
    for revision in revisions:
        own = [cast for cast in casts if cast.revision_id == revision.pk]
        facts = []
        for cast in own:
            if cast.pk not in newest:
                continue
            scan = newest[cast.pk]
            facts.append(
                ScanFact(
                    code=scan.code,
                    serial=cast.serial,
                    result=scan.result.result,
                    sentence=scan.result.sentence,
                    lower=scan.result.lower,
                    upper=scan.result.upper,
                    uncertainty=scan.result.uncertainty,
                    worst=scan.result.worst,
                    coverage=scan.result.coverage,
                    of_current_nominal=scan.result.nominal_id == nominal.get(revision.pk),
                    file_hash=scan.file.sha256,
                    url=scan.get_absolute_url(),
                )
            )
        found[revision.pk] = Evidence(
            tuple(facts),
            tuple(cast.serial for cast in own if cast.pk not in newest),
            sum(under_way.get(cast.pk, 0) for cast in own),
            reverse("inspection:revision_scans", args=revision.url_args()),
        )
    return found


def decide(evidence: Evidence, settings: Mapping[str, Any], at: datetime) -> Finding:
    links: tuple[Link, ...] = (Link("Scans", evidence.url),)
    if not evidence.scans:
        waiting = f" {count(evidence.under_way, 'scan')} under way." if evidence.under_way else ""
        return missing("no-scan", f"No cast of this revision has been scanned.{waiting}", links=links)
    current = [scan for scan in evidence.scans if scan.of_current_nominal]
    if not current:
        return missing(
            "old-nominal", "Every scan was measured against an earlier nominal: run them again.", links=links
        )
    worst = max(current, key=lambda scan: abs(scan.worst or 0.0))
    gauge = Gauge(
        worst.lower,
        worst.upper,
        tuple(scan.worst for scan in current if scan.worst is not None),
        guard=worst.uncertainty,
    )
    extra: dict[str, Any] = {"gauge": gauge, "figures": {"worst": worst.worst, "serial": worst.serial}}
    outside = [scan for scan in current if scan.result == Result.DOES_NOT]
    if outside:
        first = max(outside, key=lambda scan: abs(scan.worst or 0.0))
        more = f" {len(outside)} of {count(len(current), 'cast')} lie outside." if len(current) > 1 else ""
        return failed(
            "outside", f"{first.sentence} On {first.serial}.{more}",
            links=tuple(Link(f"Scan {scan.code}", scan.url) for scan in outside), **extra,
        )  # fmt: skip
    unsure = [scan for scan in current if scan.result != Result.CONFORMS or (scan.coverage or 0) < settings["coverage"]]
    if unsure:
        first = unsure[0]
        share = quantity(100 * settings["coverage"], "%", 0)
        sentence = (
            f"{first.sentence} On {first.serial}."
            if first.result != Result.CONFORMS
            else f"Only {quantity(100 * (first.coverage or 0), '%', 0)} of {first.serial} was measured; needs {share}."
        )
        return inconclusive(
            "unsure", sentence, links=tuple(Link(f"Scan {scan.code}", scan.url) for scan in unsure), **extra
        )
    inside = limits(worst.lower, worst.upper, "mm")
    said = (
        f"{len(current)} of {count(len(current), 'cast')} lie inside {inside} after a "
        f"{quantity(worst.uncertainty, 'mm', 2)} guard band; worst "
        f"{quantity(worst.worst or 0.0, 'mm', 2, signed=True)} on {worst.serial}."
    )
    if len(current) < settings["minimum"]:
        return missing(
            "too-few",
            f"{len(current)} of {count(settings['minimum'], 'cast')} scanned so far. {said}",
            links=links,
            **extra,
        )
    if evidence.unscanned:
        said += f" Not scanned: {listed(evidence.unscanned, 3)}."
    return passed("inside", said, links=links, **extra)
