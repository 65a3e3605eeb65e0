"""Reads about gauge studies, each with a fixed number of queries."""

from collections.abc import Iterable

from django.db.models import Count, Prefetch, Q, QuerySet
from django.shortcuts import get_object_or_404

from parts.models import Characteristic, Kit, Revision

from .gauge_models import GaugeStudy, GaugeStudyAppraiser, GaugeStudyReading
from .models import Instrument

LIVE = Q(readings__withdrawn_at__isnull=True)
TAKEN = LIVE & Q(readings__value__isnull=False)


def studies_of(kit: Kit) -> QuerySet[GaugeStudy]:
    """With how many readings there are to take and how many are taken."""
    return (
        GaugeStudy.objects.filter(kit=kit)
        .select_related(
            "kit", "instrument__kit", "characteristic__revision__component__kit", "planned_by"
        )
        .annotate(wanted=Count("readings", filter=LIVE), taken=Count("readings", filter=TAKEN))
        .order_by("-planned_at", "-pk")
    )  # fmt: skip


def study_or_404(kit: Kit, code: str) -> GaugeStudy:
    return get_object_or_404(studies_of(kit), code=code)


def appraisers_of(study: GaugeStudy) -> list[GaugeStudyAppraiser]:
    """In their order, with `wanted` and `taken` readings."""
    rows = study.appraisers.select_related("person")
    return list(rows.annotate(wanted=Count("readings", filter=LIVE), taken=Count("readings", filter=TAKEN)))


def next_reading(study: GaugeStudy, appraiser: GaugeStudyAppraiser) -> GaugeStudyReading | None:
    rows = study.readings.filter(appraiser=appraiser, value__isnull=True, withdrawn_at__isnull=True)
    return rows.select_related("part", "appraiser__person", "study").order_by("order").first()


def last_reading(study: GaugeStudy, appraiser: GaugeStudyAppraiser) -> GaugeStudyReading | None:
    """The one this person took last and that still counts."""
    rows = study.readings.filter(appraiser=appraiser, value__isnull=False, withdrawn_at__isnull=True)
    return rows.select_related("part").order_by("-read_at", "-order").first()


def withdrawn_readings(study: GaugeStudy) -> list[GaugeStudyReading]:
    rows = study.readings.filter(withdrawn_at__isnull=False)
    return list(rows.select_related("part", "appraiser__person", "withdrawn_by"))


def reading_or_404(study: GaugeStudy, order: int) -> GaugeStudyReading:
    rows = study.readings.select_related("part", "appraiser__person")
    return get_object_or_404(rows, order=order)


def readable(kit: Kit) -> QuerySet[Characteristic]:
    """Characteristics that are read as a value by hand, of revisions that are still in use."""
    return (
        Characteristic.objects.filter(revision__component__kit=kit)
        .exclude(revision__state__in=(Revision.State.SUPERSEDED, Revision.State.WITHDRAWN))
        .exclude(method=Characteristic.Method.GAUGE)
        .exclude(kind=Characteristic.Kind.PROFILE, method=Characteristic.Method.SCAN)
        .select_related("revision__component__kit")
        .order_by("revision__component__part_number", "revision__letter", "number")
    )


def complete_studies(instruments: Iterable[Instrument] | QuerySet[Instrument]) -> list[GaugeStudy]:
    """Complete studies of these instruments, oldest first. One query."""
    rows = GaugeStudy.objects.filter(instrument__in=instruments, state=GaugeStudy.State.COMPLETE)
    return list(rows.select_related("kit", "instrument", "characteristic__revision").order_by("completed_at", "pk"))


def with_studies(instruments: QuerySet[Instrument]) -> QuerySet[Instrument]:
    """Each with `complete`, its complete studies, newest first. One query more."""
    rows = GaugeStudy.objects.filter(state=GaugeStudy.State.COMPLETE).order_by("-completed_at", "-pk")
    return instruments.prefetch_related(
        Prefetch("gauge_studies", rows.select_related("kit", "characteristic__revision__component"), to_attr="complete")
    )
