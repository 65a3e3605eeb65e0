"""Reads that more than one page needs, each with a fixed number of queries."""

from collections.abc import Sequence
from dataclasses import dataclass

from django.contrib.auth.models import AbstractUser
from django.db.models import Count, Model, OuterRef, QuerySet, Subquery
from django.db.models.functions import Coalesce
from django.shortcuts import get_object_or_404

from casting.models import Cast
from parts.models import Characteristic, Kit, Revision

from .models import Instrument, Measurement, Result, Scan
from .services.measurements import feeds_from_scan


def scans_with_facts() -> QuerySet[Scan]:
    """Scans with everything a row shows, newest first; `scan.result` is missing until one is done."""
    return Scan.objects.select_related(
        "kit", "cast__kit", "cast__revision__component__kit", "file", "instrument", "scanned_by", "result"
    ).defer("result__figures")


def scan_or_404(kit: Kit, code: str) -> Scan:
    scans = Scan.objects.select_related(
        "kit",
        "cast__kit",
        "cast__revision__component__kit",
        "file",
        "instrument",
        "scanned_by",
        "result__nominal__file",
        "result__deviations",
        "result__view",
    )
    return get_object_or_404(scans, kit=kit, code=code)


def scans_of(revision: Revision) -> QuerySet[Scan]:
    return scans_with_facts().filter(cast__revision=revision)


def scan_trend(revision: Revision) -> list[Scan]:
    """The newest finished scan of each cast that still counts, in the order of pouring."""
    finished = (
        scans_of(revision)
        .filter(state=Scan.State.DONE, withdrawn_at__isnull=True, result__worst__isnull=False)
        .exclude(cast__standing=Cast.Standing.SCRAPPED)
        .order_by("cast__poured_at", "cast_id", "scanned_at", "pk")
    )
    return list({scan.cast_id: scan for scan in finished}.values())


def instruments_of(kit: Kit) -> QuerySet[Instrument]:
    return Instrument.objects.filter(kit=kit).select_related("kit")


def instruments_for_list(kit: Kit) -> QuerySet[Instrument]:
    """With how often each was used; counted apart, so that the joins do not multiply."""
    return instruments_of(kit).annotate(measurement_count=_used(Measurement), scan_count=_used(Scan))


def _used(model: type[Model]) -> Coalesce:
    rows = model.objects.filter(instrument=OuterRef("pk")).order_by().values("instrument")
    return Coalesce(Subquery(rows.annotate(n=Count("pk")).values("n")), 0)


def instrument_or_404(kit: Kit, code: str) -> Instrument:
    return get_object_or_404(instruments_of(kit), code=code)


def usual_scanner(kit: Kit, person: AbstractUser) -> Instrument | None:
    """The scanner this person used last, else the one anybody used last, else the only one."""
    scans = Scan.objects.filter(kit=kit).select_related("instrument").order_by("-uploaded_at", "-pk")
    last = scans.filter(scanned_by=person).first() or scans.first()
    if last:
        return last.instrument
    scanners = list(instruments_of(kit).filter(kind=Instrument.Kind.SCANNER)[:2])
    return scanners[0] if len(scanners) == 1 else None


@dataclass(frozen=True)
class SheetRow:
    """One characteristic of a cast with the reading that counts, if there is one."""

    characteristic: Characteristic
    measurement: Measurement | None
    by_scan: bool

    @property
    def result(self) -> str:
        return self.measurement.result if self.measurement else Result.NOT_MEASURED


def measurement_sheet(cast: Cast) -> list[SheetRow]:
    """Every characteristic of the cast's revision in the order of the drawing. Two queries."""
    counted: dict[int, Measurement] = {}
    rows = Measurement.objects.filter(cast=cast, replaced=False).select_related(
        "instrument", "scan__kit", "measured_by"
    )
    for row in rows.order_by("measured_at", "pk"):
        counted[row.characteristic_id] = row
    characteristics: Sequence[Characteristic] = cast.revision.characteristics.select_related("feed").order_by("number")
    return [
        SheetRow(characteristic, counted.get(characteristic.pk), feeds_from_scan(characteristic))
        for characteristic in characteristics
    ]


def counting(scan: Scan) -> dict[int, Measurement]:
    """By number of the characteristic: the value that counts for the cast where one is fed from scans. One query."""
    rows = Measurement.objects.filter(cast=scan.cast, replaced=False, characteristic__feed__isnull=False)
    rows = rows.select_related("characteristic", "scan__kit", "measured_by").order_by("measured_at", "pk")
    return {row.characteristic.number: row for row in rows}


def usual_instruments(characteristics: Sequence[Characteristic]) -> dict[int, int]:
    """Characteristic to the instrument that measured it last, on any cast."""
    rows = (
        Measurement.objects.filter(characteristic__in=characteristics, instrument__isnull=False)
        .order_by("measured_at", "pk")
        .values_list("characteristic_id", "instrument_id")
    )
    return dict(rows)
