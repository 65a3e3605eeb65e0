"""Is the process behind each characteristic stable and good enough for the casts to come; only where the plan asks."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Q
from django.urls import reverse

from inspection.characteristic import pours_of
from metrology.calculations.series import at_least
from metrology.over_pours import Asked as Question
from metrology.over_pours import OverPours, over_pours, usual_guard
from metrology.statistics.tolerance_interval import clopper_pearson
from metrology.wording import NBSP, count, number
from parts.models import Characteristic, Revision
from releases.models import PlannedCheck

from .base import Finding, Gauge, Link, failed, inconclusive, missing, not_applicable, passed

CODE = "process"
TITLE = "Process"
OWNER = "lead"
NEXT = "Find what moves the process, or cast more"
NOTHING, STABLE, CAPABLE, SHARE = "", "stable", "capable", "share"
# A Ppk of 1.33 and 25 casts to tell it by: common practice, no source.
DEFAULTS: Mapping[str, Any] = {"process": NOTHING, "fewest": 25, "ppk": 1.33, "share": 0.99}
CONFIDENCE = 0.95
MOST_VALUES = 200  # in the drawing beside the check


@dataclass(frozen=True)
class Series:
    """One characteristic with the newest value of each cast in the order of pouring."""

    number: int
    name: str
    lower: float | None
    upper: float | None
    unit: str
    decimals: int
    values: tuple[float, ...]
    uncertainties: tuple[float, ...]
    url: str


@dataclass(frozen=True)
class Evidence:
    """series: empty where no plan asks for the process, so that nothing is read in vain."""

    series: tuple[Series, ...]
    pieces: int
    url: str


def ask(settings: Mapping[str, Any]) -> str:
    told = f"on {count(settings['fewest'], 'cast')} or more"
    return {
        NOTHING: "Nothing is asked of the process",
        STABLE: f"Every characteristic is stable over its pours, {told}",
        CAPABLE: f"Every characteristic is stable with a Ppk of {number(settings['ppk'], 2)}, {told}",
        SHARE: f"Of the casts to come {number(100 * settings['share'], 1)}{NBSP}% conform, {told}",
    }[settings["process"]]


def evidence(revisions: Sequence[Revision]) -> dict[int, Evidence]:
    asked = PlannedCheck.objects.filter(check_code=CODE, applies=True).exclude(settings__process=NOTHING)
    plans = list(
        asked.filter(
            Q(plan__kit__in={r.component.kit_id for r in revisions}, plan__component__isnull=True)
            | Q(plan__component__in={r.component_id for r in revisions})
        ).values_list("plan__kit_id", "plan__component_id")
    )
    kits, components = {kit for kit, component in plans if component is None}, {pk for _, pk in plans}
    read = [r for r in revisions if r.component.kit_id in kits or r.component_id in components]
    drawn: list[Characteristic] = []
    if read:
        drawn = list(
            Characteristic.objects.filter(revision__in=read)
            .exclude(kind=Characteristic.Kind.PROFILE)  # the scan check judges the surface
            .order_by("number")
        )
    pours = pours_of([row.pk for row in drawn]) if drawn else {}
    by_revision: dict[int, list[Series]] = {}
    addresses = {revision.pk: revision.url_args() for revision in read}
    for row in drawn:
        found = pours[row.pk]
        by_revision.setdefault(row.revision_id, []).append(
            Series(
                row.number,
                row.name,
                None if row.lower is None else float(row.lower),
                None if row.upper is None else float(row.upper),
                row.unit,
                row.decimals,
                tuple(pour.value for pour in found),
                tuple(pour.uncertainty for pour in found),
                reverse("inspection:characteristic", args=[*addresses[row.revision_id], row.number]),
            )
        )
    return {
        revision.pk: Evidence(
            tuple(by_revision.get(revision.pk, ())),
            revision.component.quantity if revision.pk in by_revision else 0,
            reverse("inspection:characteristics", args=revision.url_args()),
        )
        for revision in revisions
    }


def decide(evidence: Evidence, settings: Mapping[str, Any], at: datetime) -> Finding:
    if settings["process"] == NOTHING:
        return not_applicable(
            "not-asked", "The gate plan asks nothing of the process.", links=(Link("Process", evidence.url),)
        )
    if not evidence.series:
        return missing(
            "none-drawn", "The drawing names no characteristic to measure.", links=(Link("Process", evidence.url),)
        )
    short = [item for item in evidence.series if len(item.values) < settings["fewest"]]
    told = [(item, _said(item, evidence, settings)) for item in evidence.series if item not in short]
    unstable = [(item, said) for item, said in told if said.stable is False]
    if unstable:
        item, said = unstable[0]
        return failed("not-stable", f"Number {_name(item)}: {said.stable_said}", **_rest(item, evidence, len(unstable)))
    for verdict, finding in ((_poor, failed), (_unsure, inconclusive)):
        found = [(item, reason) for item, said in told if (reason := verdict(said, settings))]
        if found:
            item, (code, sentence) = found[0]
            return finding(code, f"Number {_name(item)}: {sentence}", **_rest(item, evidence, len(found)))
    if short:
        item = min(short, key=lambda one: len(one.values))
        return missing(
            "too-few",
            f"Number {_name(item)}: {len(item.values)} of {count(settings['fewest'], 'cast')} measured.",
            **_rest(item, evidence, len(short)),
        )
    item, sentence = _weakest(told, settings)
    return passed("held", sentence, **_rest(item, evidence, 0))


def _said(item: Series, evidence: Evidence, settings: Mapping[str, Any]) -> OverPours:
    question = Question(
        lower=item.lower,
        upper=item.upper,
        unit=item.unit,
        guard=usual_guard(item.uncertainties),
        pieces=max(1, evidence.pieces),
        confidence=CONFIDENCE,
        wanted=settings["ppk"],
    )
    return over_pours(item.values, question)


def _poor(said: OverPours, settings: Mapping[str, Any]) -> tuple[str, str] | None:
    """What the casts show not to hold."""
    if settings["process"] == CAPABLE and said.normal and said.verdict == "does not conform":
        return "not-capable", said.capable_said
    if settings["process"] == SHARE and said.series and said.series.conforming is not None:
        most = clopper_pearson(said.series.conforming, said.n, 0.0, 1 - CONFIDENCE)[1]
        if most < settings["share"]:
            return "share", (
                f"{said.series.conforming} of {said.n} casts conform with the guard band: with 95{NBSP}% confidence "
                f"fewer than {number(100 * settings['share'], 1)}{NBSP}% of all."
            )
    return None


def _unsure(said: OverPours, settings: Mapping[str, Any]) -> tuple[str, str] | None:
    """What the casts do not show."""
    if not said.has_spread:
        return "no-spread", said.stable_said
    if settings["process"] == CAPABLE and not said.normal:
        return "not-normal", said.capable_said
    if settings["process"] == CAPABLE and said.verdict != "conforms":
        return "capability-not-shown", said.capable_said
    if settings["process"] == SHARE and (_share(said) or 0.0) < settings["share"]:
        wanted = f"{number(100 * settings['share'], 1)}{NBSP}%"
        return "share-not-shown", f"{said.series_said} Asked: {wanted}."
    return None


def _share(said: OverPours) -> float | None:
    """The share of the casts to come that is sure to conform: by counting where the values are not normal."""
    if said.series is None:
        return None
    return said.series.share_low if said.normal else said.series.free_share_low


def _weakest(told: Sequence[tuple[Series, OverPours]], settings: Mapping[str, Any]) -> tuple[Series, str]:
    fewest = min(said.n for _, said in told)
    stable = f"{count(len(told), 'characteristic')} stable over {count(fewest, 'cast')} or more"
    if settings["process"] == SHARE:
        item, said = min(told, key=lambda pair: _share(pair[1]) or 0.0)
        return item, f"{stable}; least sure is number {_name(item)}: at least {at_least(_share(said) or 0.0)} conform."
    item, said = min(told, key=lambda pair: _ppk(pair[1]))
    return item, f"{stable}; lowest is number {_name(item)}, with a Ppk of {number(_ppk(said), 2)}."


def _ppk(said: OverPours) -> float:
    found = said.capability.ppk if said.capability else None
    return float("inf") if found is None else found


def _name(item: Series) -> str:
    return f"{item.number}, {item.name}"


def _rest(item: Series, evidence: Evidence, found: int) -> dict[str, Any]:
    unit = "" if item.unit == Characteristic.Unit.NONE else item.unit
    gauge = Gauge(
        item.lower, item.upper, item.values[-MOST_VALUES:], usual_guard(item.uncertainties), unit, item.decimals
    )
    return {
        "links": (Link(f"{item.number} {item.name}", item.url), Link("Process", evidence.url)),
        "gauge": gauge if item.values else None,
        "figures": {"found": found},
    }
