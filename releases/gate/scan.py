"""Do the scans of enough casts lie inside the tolerance, with enough of the surface measured."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from django.urls import reverse

from casting.models import Cast
from inspection.models import Result, Scan
from metrology.alignment.model import BEST_FIT, MARKED
from metrology.wording import count, limits, listed, quantity
from parts.alignment_models import RevisionAlignment
from parts.models import Geometry, Revision

from .base import Finding, Gauge, Link, failed, inconclusive, missing, passed

CODE = "scan"
TITLE = "Scan"
OWNER = "technician"
NEXT = "Scan the next cast"
# alignment: what the verdict must rest on; empty for what the revision's definition says.
DEFAULTS: Mapping[str, Any] = {"minimum": 3, "coverage": 0.95, "alignment": ""}


@dataclass(frozen=True)
class ByBestFit:
    """What a scan says by best fit, where its verdict rests on another alignment."""

    result: str
    sentence: str
    uncertainty: float
    worst: float | None
    coverage: float | None


@dataclass(frozen=True)
class ScanFact:
    """The newest finished scan of one cast. alignment: what its figures rest on."""

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
    alignment: str = BEST_FIT
    best_fit: ByBestFit | None = None

    def under(self, alignment: str) -> "ScanFact | None":
        """The same scan judged under an alignment; None when it was not measured so."""
        if self.alignment == alignment:
            return self
        if alignment == BEST_FIT and self.best_fit:
            return replace(self, alignment=BEST_FIT, best_fit=None, **vars(self.best_fit))
        return None


@dataclass(frozen=True)
class Evidence:
    """asked: the alignment that the revision's definition names."""

    scans: tuple[ScanFact, ...]
    unscanned: tuple[str, ...]
    under_way: int
    url: str
    asked: str = BEST_FIT


def ask(settings: Mapping[str, Any]) -> str:
    share = quantity(100 * settings["coverage"], "%", 0)
    by = f", by {settings['alignment']}" if settings.get("alignment") else ""
    return f"{count(settings['minimum'], 'cast')} inside tolerance, {share} of the surface seen{by}"


def evidence(revisions: Sequence[Revision]) -> dict[int, Evidence]:
    nominal = dict(
        Geometry.objects.filter(revision__in=revisions, role=Geometry.Role.NOMINAL, current=True).values_list(
            "revision_id", "pk"
        )
    )
    asked = dict(RevisionAlignment.objects.filter(revision__in=revisions).values_list("revision_id", "kind"))
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
                    alignment=scan.result.alignment,
                    best_fit=_by_best_fit(scan.result.best_fit),
                )
            )
        found[revision.pk] = Evidence(
            tuple(facts),
            tuple(cast.serial for cast in own if cast.pk not in newest),
            sum(under_way.get(cast.pk, 0) for cast in own),
            reverse("inspection:revision_scans", args=revision.url_args()),
            asked.get(revision.pk, BEST_FIT),
        )
    return found


def _by_best_fit(kept: Mapping[str, Any] | None) -> ByBestFit | None:
    if not kept:
        return None
    return ByBestFit(kept["result"], kept["sentence"], kept["uncertainty_mm"], kept["worst"], kept["coverage"])


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
    wanted = settings.get("alignment") or evidence.asked
    elsewise = [scan for scan in current if not scan.under(wanted)]
    current = [judged for scan in current if (judged := scan.under(wanted))]
    if not current:
        return _elsewise(elsewise, wanted, settings, evidence)
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
    if elsewise:
        return _elsewise(elsewise, wanted, settings, evidence, **extra)
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
    by = f" by {wanted}" if wanted != BEST_FIT else ""
    said = (
        f"{len(current)} of {count(len(current), 'cast')} lie inside {inside}{by} after a "
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


def _elsewise(
    scans: Sequence[ScanFact], wanted: str, settings: Mapping[str, Any], evidence: Evidence, **extra: Any
) -> Finding:
    """Scans that were not measured under the alignment that the verdict must rest on."""
    first = scans[0]
    who = "the gate plan" if settings.get("alignment") else "the definition"
    more = f", and {count(len(scans) - 1, 'other')}" if len(scans) > 1 else ""
    if wanted == MARKED:
        then = "Mark three points or more on it."
    elif wanted != evidence.asked:
        then = "Say so in the definition, or change the plan."
    else:
        then = "The scan's page says why; run it again."
    return missing(
        "other-alignment",
        f"Scan {first.code} of {first.serial}{more} was measured by {first.alignment}; {who} asks for {wanted}. {then}",
        links=tuple(Link(f"Scan {scan.code}", scan.url) for scan in scans),
        **extra,
    )
