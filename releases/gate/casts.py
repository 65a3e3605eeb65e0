"""Were enough pieces cast, and do enough of them stand without an open nonconformity."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Count, Q
from django.urls import reverse

from casting.models import Cast
from metrology.wording import count, listed
from parts.models import Revision

from .base import Finding, Gauge, Link, failed, missing, passed

CODE = "casts"
TITLE = "Casts"
OWNER = "technician"
NEXT = "Cast another piece"
DEFAULTS: Mapping[str, Any] = {"minimum": 3}


@dataclass(frozen=True)
class CastFact:
    serial: str
    demoulded: bool
    scrapped: bool
    open_nonconformities: int


@dataclass(frozen=True)
class Evidence:
    casts: tuple[CastFact, ...]
    url: str


def ask(settings: Mapping[str, Any]) -> str:
    return f"{count(settings['minimum'], 'cast')} or more without an open nonconformity"


def evidence(revisions: Sequence[Revision]) -> dict[int, Evidence]:
    casts: dict[int, list[CastFact]] = {revision.pk: [] for revision in revisions}
    rows = (
        Cast.objects.filter(revision__in=revisions)
        .annotate(open_nonconformities=Count("nonconformities", filter=Q(nonconformities__disposition="")))
        .order_by("poured_at", "pk")
    )
    for row in rows:
        casts[row.revision_id].append(
            CastFact(
                row.serial,
                row.demoulded_at is not None,
                row.standing == Cast.Standing.SCRAPPED,
                row.open_nonconformities,
            )
        )
    return {
        revision.pk: Evidence(tuple(casts[revision.pk]), reverse("casting:revision_casts", args=revision.url_args()))
        for revision in revisions
    }


def decide(evidence: Evidence, settings: Mapping[str, Any], at: datetime) -> Finding:
    minimum = settings["minimum"]
    usable = [cast for cast in evidence.casts if cast.demoulded and not cast.scrapped]
    good = [cast for cast in usable if not cast.open_nonconformities]
    faulty = [cast.serial for cast in usable if cast.open_nonconformities]
    scrapped = sum(cast.scrapped for cast in evidence.casts)
    aside = f" {count(scrapped, 'cast')} scrapped." if scrapped else ""
    extra: dict[str, Any] = {
        "links": (Link("Casts", evidence.url),),
        "gauge": Gauge(minimum, None, (len(good),), unit="", decimals=0),
        "figures": {"good": len(good), "cast": len(evidence.casts), "scrapped": scrapped},
    }
    if len(good) >= minimum:
        return passed("enough", f"{count(len(good), 'cast')} without an open nonconformity.{aside}", **extra)
    if len(usable) >= minimum:
        return failed(
            "open-nonconformity",
            f"Only {len(good)} of {count(len(usable), 'cast')} without an open nonconformity; "
            f"open on {listed(faulty)}.{aside}",
            **extra,
        )
    if not evidence.casts:
        return missing("none", "Nothing cast yet.", **extra)
    return missing("too-few", f"{len(good)} of {count(minimum, 'cast')} so far.{aside}", **extra)
