"""Is each instrument that was used sure enough for the tolerance that it judged: by its U, and where the plan asks for
it by a gauge study of the instrument with those who read it."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.urls import reverse

from inspection.gauge_fitness import Studies, tolerance_of
from inspection.models import Measurement, Scan
from metrology.calculations.gauge_study_words import percent
from metrology.statistics.gauge import STUDY_WIDTH, of_tolerance
from metrology.statistics.instrument import fitness
from metrology.wording import count, day, quantity
from parts.models import Characteristic, Revision

from .base import Finding, Gauge, Link, failed, missing, passed

CODE = "instrument"
TITLE = "Instruments"
OWNER = "lead"
NEXT = "Use an instrument that is sure enough"
# largest_grr: of the tolerance; 0 asks for no gauge study. A plan says when a kit is far enough to have them.
DEFAULTS: Mapping[str, Any] = {"worst_ratio": 0.25, "largest_grr": 0.0}


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
class GaugeStudied:
    """What a gauge study says of one use by hand: its code, and the standard deviation of repeatability and
    reproducibility; both None without a study. tolerance: None with one limit and no nominal.
    """

    instrument: str
    number: int
    name: str
    tolerance: float | None
    unit: str
    study: str | None
    grr: float | None


@dataclass(frozen=True)
class Evidence:
    """by_hand: how many of the uses are; a scanner's readings are not typed by anybody. studies: of those by hand,
    empty where no study speaks for any of them.
    """

    uses: tuple[Use, ...]
    url: str
    by_hand: int = 0
    studies: tuple[GaugeStudied, ...] = ()


def ask(settings: Mapping[str, Any]) -> str:
    said = f"U at most {settings['worst_ratio']:g} of the half tolerance"
    largest = settings["largest_grr"]
    return f"{said}, %GRR at most {percent(largest)} of it all" if largest else said


def evidence(revisions: Sequence[Revision]) -> dict[int, Evidence]:
    uses: dict[int, dict[tuple[str, int], Use]] = {revision.pk: {} for revision in revisions}
    measured = Measurement.objects.filter(
        characteristic__revision__in=revisions, replaced=False, instrument__isnull=False
    ).select_related("characteristic", "instrument")
    by_hand: dict[int, dict[tuple[str, int], Measurement]] = {revision.pk: {} for revision in revisions}
    for row in measured.order_by("measured_at"):
        if row.scan_id is None:
            by_hand[row.characteristic.revision_id][row.instrument.code, row.characteristic.number] = row
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
    studies = Studies.of({row.instrument_id for rows in by_hand.values() for row in rows.values()})
    return {
        revision.pk: Evidence(
            tuple(sorted(uses[revision.pk].values(), key=lambda use: (use.number, use.instrument))),
            reverse("inspection:instruments", args=[revision.component.kit.code]),
            len(by_hand[revision.pk]),
            _studied(revision, by_hand[revision.pk].values(), studies),
        )
        for revision in revisions
    }


def _studied(revision: Revision, rows: Iterable[Measurement], studies: Studies) -> tuple[GaugeStudied, ...]:
    """Empty when no study speaks for any of them."""
    found = []
    for row in rows:
        c = row.characteristic
        study = studies.speaking_for(row.instrument_id, c, revision)
        limits = (None if value is None else float(value) for value in (c.lower, c.upper, c.nominal))
        found.append(
            GaugeStudied(
                instrument=f"{row.instrument.code} {row.instrument.name}",
                number=c.number,
                name=c.name,
                tolerance=tolerance_of(*limits),
                unit=c.unit,
                study=study.code if study else None,
                grr=study.grr if study else None,
            )
        )
    if all(one.study is None for one in found):
        return ()
    return tuple(sorted(found, key=lambda one: (one.number, one.instrument)))


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
    studied = _study_finding(evidence, settings["largest_grr"], links)
    if not judged:
        return studied or passed(
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
    if studied:
        return studied
    by_study = _study_passed(evidence, settings["largest_grr"])
    return passed("fit", f"Worst of {count(len(judged), 'use')}: {said}.{by_study}", links=links, gauge=gauge)


def _study_finding(evidence: Evidence, largest: float, links: tuple[Link, ...]) -> Finding | None:
    """Why the gauge studies stop it; None where they do not, or none are asked for."""
    if not largest or not evidence.by_hand:
        return None
    if not evidence.studies:
        return missing(
            "no-gauge-study", "No gauge study is complete of what it was measured with by hand.", links=links
        )
    without = [one for one in evidence.studies if one.study is None]
    if without:
        one = without[0]
        more = f" and {count(len(without) - 1, 'more use')}" if len(without) > 1 else ""
        return missing(
            "no-gauge-study", f"No gauge study speaks for {one.instrument} at number {one.number}, {one.name}{more}.",
            links=links,
        )  # fmt: skip
    share, one = max(_shares(evidence), key=lambda pair: pair[0], default=(0.0, None))
    if one is None or round(share, 12) <= largest:
        return None
    said = f"%GRR of {one.instrument} is {percent(share)} of the tolerance of number {one.number}, {one.name}"
    gauge = Gauge(None, largest, (share,), unit="", decimals=2)
    return failed("gauge-unfit", f"{said}, by {one.study}; {percent(largest)} is the most.", links=links, gauge=gauge)


def _study_passed(evidence: Evidence, largest: float) -> str:
    if not largest or not evidence.studies:
        return ""
    share, one = max(_shares(evidence), key=lambda pair: pair[0], default=(0.0, None))
    return "" if one is None else f" %GRR is at most {percent(share)} of a tolerance, by {one.study}."


def _shares(evidence: Evidence) -> list[tuple[float, GaugeStudied]]:
    """Where there is a tolerance to take a share of."""
    return [
        (of_tolerance(one.grr, one.tolerance, STUDY_WIDTH), one)
        for one in evidence.studies
        if one.grr is not None and one.tolerance is not None
    ]
