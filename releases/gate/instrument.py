"""Is each instrument that was used sure enough for the tolerance that it judged."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.urls import reverse

from inspection.models import Measurement, Scan
from metrology.instrument import fitness
from metrology.wording import count, day, quantity
from parts.models import Characteristic, Revision

from .base import Finding, Gauge, Link, failed, missing, passed

CODE = "instrument"
TITLE = "Instruments"
OWNER = "lead"
NEXT = "Use an instrument that is sure enough"
DEFAULTS: Mapping[str, Any] = {"worst_ratio": 0.25}


@dataclass(frozen=True)
class Use:
    """An instrument against one characteristic that it judged."""

    instrument: str
    number: int
    name: str
    lower: float | None
    upper: float | None
    unit: str
    uncertainty: float
    due_on: date | None
    last_used_on: date


@dataclass(frozen=True)
class Evidence:
    uses: tuple[Use, ...]
    url: str


def ask(settings: Mapping[str, Any]) -> str:
    return f"U at most {settings['worst_ratio']:g} of the half tolerance"


def evidence(revisions: Sequence[Revision]) -> dict[int, Evidence]:
    uses: dict[int, dict[tuple[str, int], Use]] = {revision.pk: {} for revision in revisions}
    measured = Measurement.objects.filter(
        characteristic__revision__in=revisions, replaced=False, instrument__isnull=False
    ).select_related("characteristic", "instrument")
    for row in measured.order_by("measured_at"):
        _note(uses, row.characteristic, row.instrument, float(row.uncertainty), row.measured_at.date())
    profiles = {
        row.revision_id: row
        for row in Characteristic.objects.filter(revision__in=revisions, kind=Characteristic.Kind.PROFILE)
    }
    scans = Scan.objects.filter(
        cast__revision__in=list(profiles), withdrawn_at__isnull=True, state=Scan.State.DONE
    ).select_related("instrument", "result", "cast")
    for scan in scans.order_by("scanned_at"):
        profile = profiles[scan.cast.revision_id]
        _note(uses, profile, scan.instrument, scan.result.uncertainty, scan.scanned_at.date())
    return {
        revision.pk: Evidence(
            tuple(sorted(uses[revision.pk].values(), key=lambda use: (use.number, use.instrument))),
            reverse("inspection:instruments", args=[revision.component.kit.code]),
        )
        for revision in revisions
    }


def _note(
    uses: dict[int, dict[tuple[str, int], Use]], row: Characteristic, instrument: Any, uncertainty: float, on: date
) -> None:
    uses[row.revision_id][(instrument.code, row.number)] = Use(
        instrument=f"{instrument.code} {instrument.name}",
        number=row.number,
        name=row.name,
        lower=None if row.lower is None else float(row.lower),
        upper=None if row.upper is None else float(row.upper),
        unit=row.unit,
        uncertainty=uncertainty,
        due_on=instrument.due_on,
        last_used_on=on,
    )


def decide(evidence: Evidence, settings: Mapping[str, Any], at: datetime) -> Finding:
    links = (Link("Instruments", evidence.url),)
    if not evidence.uses:
        return missing("unused", "Nothing has been measured yet.", links=links)
    overdue = [use for use in evidence.uses if use.due_on and use.last_used_on > use.due_on]
    if overdue:
        use = overdue[0]
        return failed(
            "overdue", f"{use.instrument} was used on {day(use.last_used_on)}; its calibration was due on "
            f"{day(use.due_on)}.", links=links,
        )  # fmt: skip
    judged = [
        (ratio, use)
        for use in evidence.uses
        if (ratio := fitness(use.uncertainty, use.lower, use.upper).ratio) is not None
    ]
    if not judged:
        return passed(
            "one-sided", f"{count(len(evidence.uses), 'use')}, all against one-sided limits, where U is kept off the "
            "limit as a guard band.", links=links,
        )  # fmt: skip
    ratio, use = max(judged, key=lambda pair: pair[0])
    worst = settings["worst_ratio"]
    said = (
        f"{use.instrument} is sure to {quantity(use.uncertainty, use.unit, 2)}: {ratio:.2f} of the half tolerance of "
        f"number {use.number}, {use.name}"
    )
    gauge = Gauge(None, worst, (ratio,), unit="", decimals=2)
    if ratio > worst:
        return failed("too-coarse", f"{said}; {worst:g} is the most.", links=links, gauge=gauge)
    return passed("fit", f"Worst of {count(len(judged), 'use')}: {said}.", links=links, gauge=gauge)
