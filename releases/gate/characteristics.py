"""Does every characteristic on the drawing conform on enough casts, by the decision rule with its guard band."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.urls import reverse

from casting.models import Cast
from inspection.models import Measurement
from metrology.statistics.conformity import decide as conformity
from metrology.wording import count, limits, quantity
from parts.models import Characteristic, Revision

from .base import Finding, Gauge, Link, failed, inconclusive, missing, passed

CODE = "characteristics"
TITLE = "Characteristics"
OWNER = "technician"
NEXT = "Measure the characteristic"
DEFAULTS: Mapping[str, Any] = {"minimum": 3}


@dataclass(frozen=True)
class Reading:
    serial: str
    value: float
    uncertainty: float
    url: str


@dataclass(frozen=True)
class Asked:
    number: int
    name: str
    lower: float | None
    upper: float | None
    unit: str
    decimals: int
    readings: tuple[Reading, ...]
    url: str = ""


@dataclass(frozen=True)
class Evidence:
    asked: tuple[Asked, ...]
    url: str


def ask(settings: Mapping[str, Any]) -> str:
    return f"Every characteristic conforms on {count(settings['minimum'], 'cast')}"


def evidence(revisions: Sequence[Revision]) -> dict[int, Evidence]:
    rows = list(
        Characteristic.objects.filter(revision__in=revisions)
        .exclude(kind=Characteristic.Kind.PROFILE)  # the scan check judges the surface
        .order_by("number")
    )
    readings: dict[int, list[Measurement]] = {row.pk: [] for row in rows}
    measured = (
        Measurement.objects.filter(characteristic__in=rows, replaced=False)
        .exclude(cast__standing=Cast.Standing.SCRAPPED)
        .select_related("cast__kit")
        .order_by("cast__poured_at", "measured_at", "pk")
    )
    for measurement in measured:
        readings[measurement.characteristic_id].append(measurement)
    found = {}
    for revision in revisions:
        asked = tuple(
            Asked(
                row.number,
                row.name,
                None if row.lower is None else float(row.lower),
                None if row.upper is None else float(row.upper),
                "" if row.unit == Characteristic.Unit.NONE else row.unit,
                row.decimals,
                tuple(
                    Reading(m.cast.serial, float(m.value), float(m.uncertainty), m.cast.get_absolute_url())
                    for m in readings[row.pk]
                ),
                reverse("inspection:characteristic", args=[*revision.url_args(), row.number]),
            )
            for row in rows
            if row.revision_id == revision.pk
        )
        found[revision.pk] = Evidence(asked, reverse("parts:definition", args=revision.url_args()))
    return found


def decide(evidence: Evidence, settings: Mapping[str, Any], at: datetime) -> Finding:
    if not evidence.asked:
        return missing(
            "none-drawn", "The drawing names no characteristic to measure.", links=(Link("Definition", evidence.url),)
        )
    outside, unsure, short = [], [], []
    for item in evidence.asked:
        results = [(conformity(r.value, item.lower, item.upper, r.uncertainty).result, r) for r in item.readings]
        outside += [(item, r) for result, r in results if result == "does not conform"]
        unsure += [(item, r) for result, r in results if result == "inconclusive"]
        if len({r.serial for r in item.readings}) < settings["minimum"]:
            short.append(item)
    if outside:
        item, reading = outside[0]
        more = f" {len(outside)} readings do not conform in all." if len(outside) > 1 else ""
        return failed("outside", f"{_reading(item, reading)} {_asked(item)}{more}", **_rest(item, outside))
    if unsure:
        item, reading = unsure[0]
        return inconclusive(
            "unsure",
            f"{_reading(item, reading)} {_asked(item)} That is closer to the limit than the measurement is sure "
            f"({quantity(reading.uncertainty, item.unit, 2)}).",
            **_rest(item, unsure),
        )
    if short:
        item = short[0]
        done = len({r.serial for r in item.readings})
        return missing(
            "too-few",
            f"{count(len(short), 'characteristic')} measured on too few casts. Number {item.number}, {item.name}: "
            f"{done} of {count(settings['minimum'], 'cast')}.",
            links=(Link("Definition", evidence.url),),
        )
    casts = {reading.serial for item in evidence.asked for reading in item.readings}
    item, reading = min(
        ((item, reading) for item in evidence.asked for reading in item.readings), key=lambda pair: _margin(*pair)
    )
    return passed(
        "conform",
        f"All {count(len(evidence.asked), 'characteristic')} conform on {count(len(casts), 'cast')}. "
        f"Closest to a limit: {_reading(item, reading)}",
        links=(*_link(item), Link("Definition", evidence.url)),
        gauge=_gauge(item),
        figures={"closest": _margin(item, reading)},
    )


def _margin(item: Asked, reading: Reading) -> float:
    """Distance to the nearer limit as a share of the tolerance's half-width (or of the limit when one-sided)."""
    distances = [abs(reading.value - limit) for limit in (item.lower, item.upper) if limit is not None]
    if item.lower is not None and item.upper is not None:
        scale = (item.upper - item.lower) / 2
    else:
        scale = abs(item.lower if item.lower is not None else item.upper or 0.0)
    return min(distances) / scale if scale else 0.0


def _reading(item: Asked, reading: Reading) -> str:
    value = quantity(reading.value, item.unit, item.decimals + 1)
    return f"{item.name} is {value} on {reading.serial}."


def _asked(item: Asked) -> str:
    return f"Asked: {limits(item.lower, item.upper, item.unit, item.decimals)}."


def _link(item: Asked) -> tuple[Link, ...]:
    """To the page of the characteristic over all casts."""
    return (Link(f"{item.number} {item.name}", item.url),) if item.url else ()


def _gauge(item: Asked) -> Gauge:
    guard = max((reading.uncertainty for reading in item.readings), default=0.0)
    values = tuple(reading.value for reading in item.readings)
    return Gauge(item.lower, item.upper, values, guard, item.unit, item.decimals)


def _rest(item: Asked, found: Sequence[tuple[Asked, Reading]]) -> dict[str, Any]:
    addresses = {reading.serial: reading.url for _, reading in found}
    return {
        "links": (*_link(item), *(Link(serial, url) for serial, url in addresses.items())),
        "gauge": _gauge(item),
        "figures": {"readings": len(found)},
    }
