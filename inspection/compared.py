"""Which casts of a revision can be compared, mould by mould, and what was found the last time."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from django.db.models import F, QuerySet

from casting.models import Cast, Mould
from logbook.files import local_path
from metrology.alignment.model import BEST_FIT
from metrology.moulds.casts_compared import CastDeviations
from parts.models import Geometry, Revision

from .models import CastsCompared, MouldCorrection, Scan
from .services.scans import nominal_of

NAMES = ("points", "normals", "deviation")


@dataclass(frozen=True)
class LeftOut:
    """A cast whose newest scan cannot be compared, and why not."""

    scan: Scan
    why: str


@dataclass
class Group:
    """Casts of one mould with a scan that counts, in the order of pouring. mould: None for casts of no known mould.

    pours: the number of each cast's pour into this mould, whether the casts between were scanned or not.
    """

    mould: Mould | None
    scans: list[Scan] = field(default_factory=list)
    left_out: list[LeftOut] = field(default_factory=list)
    pours: dict[int, int] = field(default_factory=dict)

    @property
    def evidence(self) -> list[list[str]]:
        """What a comparison of these casts rests on."""
        return [[scan.cast.serial, scan.code, scan.result.deviations.sha256] for scan in self.scans]

    @property
    def uncertainty(self) -> float:
        """Expanded uncertainty of a deviation, k = 2, mm: the largest of the scans'."""
        return max((scan.result.uncertainty for scan in self.scans), default=0.0)


def newest_scans(revision: Revision) -> list[Scan]:
    """The newest finished scan of each cast that still counts, in the order of pouring; with all a comparison needs."""
    scans = (
        Scan.objects.filter(cast__revision=revision, state=Scan.State.DONE, withdrawn_at__isnull=True)
        .exclude(cast__standing=Cast.Standing.SCRAPPED)
        .select_related("kit", "cast__kit", "cast__mould__kit", "result__deviations", "result__nominal")
        .defer("result__figures")
        .annotate(aligned_by=F("result__figures__alignment__kind"))
        .order_by("cast__poured_at", "cast_id", "scanned_at", "pk")
    )
    return list({scan.cast_id: scan for scan in scans}.values())


def groups_of(revision: Revision, nominal: Geometry | None = None) -> list[Group]:
    """Casts that can be compared, by mould, in the order of the moulds' first pours. Three queries.

    All must have been measured against the nominal on file, and aligned in the same way as the newest.
    """
    nominal = nominal or nominal_of(revision)
    scans = newest_scans(revision)
    moulds = {scan.cast.mould_id for scan in scans}
    pours = _pours(moulds)
    newest = max(scans, key=lambda scan: (scan.result.measured_at, scan.pk), default=None)
    groups: dict[int | None, Group] = {}
    for scan in scans:
        group = groups.setdefault(scan.cast.mould_id, Group(scan.cast.mould))
        if why := _unfit(scan, nominal, newest):
            group.left_out.append(LeftOut(scan, why))
            continue
        group.scans.append(scan)
        group.pours[scan.cast_id] = pours.get(scan.cast_id, len(group.scans))
    return list(groups.values())


def group_for(revision: Revision, mould: Mould | None, nominal: Geometry | None = None) -> Group:
    return next(
        (group for group in groups_of(revision, nominal) if (group.mould and group.mould.pk) == (mould and mould.pk)),
        Group(mould),
    )


def _unfit(scan: Scan, nominal: Geometry | None, newest: Scan | None) -> str:
    result = scan.result
    if nominal is None or result.nominal.file_id != nominal.file_id:
        return "measured against an earlier nominal: run its scan again"
    if result.deviations_id is None:
        return "its deviations are not on file: run its scan again"
    if newest and (scan.aligned_by or BEST_FIT) != (newest.aligned_by or BEST_FIT):
        return f"aligned in another way than {newest}: run its scan again"
    return ""


def _pours(moulds: set[int | None]) -> dict[int, int]:
    """The number of each cast's pour into its mould, from 1."""
    casts = Cast.objects.filter(mould_id__in=[pk for pk in moulds if pk]).order_by("poured_at", "pk")
    count: dict[int, int] = {}
    pours = {}
    for pk, mould_id in casts.values_list("pk", "mould_id"):
        count[mould_id] = pours[pk] = count.get(mould_id, 0) + 1
    return pours


def deviations_of(group: Group) -> list[CastDeviations]:
    """What was kept of each scan, read from its file."""
    return [_read(scan, group.pours[scan.cast_id]) for scan in group.scans]


def _read(scan: Scan, pour: int) -> CastDeviations:
    with local_path(scan.result.deviations) as path, np.load(path) as stored:
        points, normals, deviation = (np.array(stored[name], dtype=np.float64) for name in NAMES)
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
    return CastDeviations(scan.cast.serial, pour, points, normals, deviation)


def compared_of(revision: Revision) -> dict[int | None, CastsCompared]:
    """The newest comparison of each mould, whether done, under way or failed. Two queries."""
    rows = (
        CastsCompared.objects.filter(revision=revision)
        .select_related("mould__kit", "asked_by", "nominal", "data", "revision__component__kit")
        .prefetch_related("pictures__file")
        .order_by("asked_at", "pk")
    )
    return {row.mould_id: row for row in rows}


def corrections_of(revision: Revision) -> QuerySet[MouldCorrection]:
    return corrections_with_facts().filter(revision=revision)


def corrections_with_facts() -> QuerySet[MouldCorrection]:
    return MouldCorrection.objects.select_related(
        "kit",
        "revision__component__kit",
        "mould__kit",
        "made__kit",
        "asked_by",
        "surface",
        "data",
        "nominal__file",
    )


def changed_since(work: CastsCompared | MouldCorrection, group: Group | None) -> bool:
    """Whether the scans that count are others than those it was worked out from."""
    return list(work.evidence) != (group.evidence if group else [])


def serials(evidence: Sequence[Sequence[Any]]) -> list[str]:
    return [row[0] for row in evidence]
