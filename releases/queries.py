"""Reads that more than one page needs."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import F, Q, QuerySet
from django.shortcuts import get_object_or_404

from casting.models import Batch, Cast, Mould
from inspection.models import Scan
from metrology.wording import listed
from parts.models import Component, Kit, Revision

from .gate import GateReading, Row, evaluate
from .headline import headline
from .models import Hold, PutForward, Release, Verdict, Withdrawal

OPEN = Q(lifted_at__isnull=True)


def open_holds_on(casts: Iterable[Cast]) -> dict[int, list[Hold]]:
    """Per cast: every open hold that names it, its revision, its mould or its batch. One query."""
    casts = list(casts)
    holds = Hold.objects.filter(OPEN).filter(
        Q(cast__in=[cast.pk for cast in casts])
        | Q(revision__in={cast.revision_id for cast in casts})
        | Q(mould__in={cast.mould_id for cast in casts} - {None})
        | Q(batch__in={cast.batch_id for cast in casts} - {None})
    )
    found: dict[int, list[Hold]] = {cast.pk: [] for cast in casts}
    for hold in holds.select_related("placed_by", "kit", "cast", "revision__component", "mould", "batch"):
        for cast in casts:
            if (
                hold.cast_id == cast.pk
                or hold.revision_id == cast.revision_id
                or (hold.mould_id and hold.mould_id == cast.mould_id)
                or (hold.batch_id and hold.batch_id == cast.batch_id)
            ):
                found[cast.pk].append(hold)
    return found


def casts_under(hold: Hold) -> QuerySet[Cast]:
    """Every cast that a hold stops."""
    field = next(name for name in ("cast", "revision", "mould", "batch") if getattr(hold, f"{name}_id"))
    value = getattr(hold, f"{field}_id")
    return Cast.objects.filter(**{"pk" if field == "cast" else field: value})


@dataclass(frozen=True)
class Changed:
    """A check whose evidence is not what was signed."""

    row: Row
    signed: str

    @property
    def worse(self) -> bool:
        return self.row.finding.stops


def changed_since_signed(release: Release, reading: GateReading) -> list[Changed]:
    """Rows of today's gate whose evidence differs from what was frozen at sign-off."""
    frozen = {result.check_code: result for result in release.check_results.all()}
    return [
        Changed(row, frozen[row.code].verdict)
        for row in reading.rows
        if row.code in frozen
        and (row.evidence_hash != frozen[row.code].evidence_hash or row.verdict != frozen[row.code].verdict)
    ]


@dataclass(frozen=True)
class BoardRow:
    """A component on the board: its buildable revision, the one on trial, and today's gate of the latter."""

    component: Component
    buildable: Revision | None
    trial: Revision | None
    reading: GateReading | None
    holds: tuple[Hold, ...]

    @property
    def shown(self) -> Revision | None:
        return self.trial or self.buildable

    @property
    def group(self) -> str:
        """stopped, waiting, buildable."""
        if self.holds or (self.trial and self.reading and self.reading.verdict == Verdict.FAIL):
            return "stopped"
        return "waiting" if self.trial or not self.buildable else "buildable"


def board(kit: Kit, at: datetime) -> list[BoardRow]:
    """All components of a kit with their gates, in a fixed number of queries."""
    components = list(kit.components.select_related("kit"))
    by_component: dict[int, list[Revision]] = {component.pk: [] for component in components}
    revisions = Revision.objects.filter(component__kit=kit).select_related("component__kit", "author")
    for revision in revisions.order_by("letter"):
        by_component[revision.component_id].append(revision)
    holds: dict[int, list[Hold]] = {}
    open_holds = Hold.objects.filter(OPEN, kit=kit).select_related(
        "kit", "placed_by", "revision__component", "cast__revision__component", "mould__component", "batch"
    )
    for hold in open_holds:
        if hold.revision_id:
            holds.setdefault(hold.revision.component_id, []).append(hold)
        elif hold.cast_id:
            holds.setdefault(hold.cast.revision.component_id, []).append(hold)
        elif hold.mould_id:
            holds.setdefault(hold.mould.component_id, []).append(hold)
    for component_id, hold in _batch_holds([hold for hold in open_holds if hold.batch_id]):
        holds.setdefault(component_id, []).append(hold)
    chosen = {pk: _choose(group) for pk, group in by_component.items()}
    readings = evaluate([r for pair in chosen.values() for r in pair if r], at)
    rows = []
    for component in components:
        buildable, trial = chosen[component.pk]
        shown = trial or buildable
        rows.append(
            BoardRow(
                component,
                buildable,
                trial,
                readings.get(shown.pk) if shown else None,
                tuple(holds.get(component.pk, ())),
            )
        )
    return rows


def _batch_holds(holds: Sequence[Hold]) -> list[tuple[int, Hold]]:
    """A batch may have gone into casts of several components."""
    by_batch = {hold.batch_id: hold for hold in holds}
    pairs = (
        Cast.objects.filter(batch__in=by_batch).values_list("revision__component_id", "batch_id").distinct().order_by()
    )
    return [(component_id, by_batch[batch_id]) for component_id, batch_id in pairs]


def _choose(revisions: Sequence[Revision]) -> tuple[Revision | None, Revision | None]:
    """The buildable revision, and the newest one that is still on its way."""
    state = Revision.State
    buildable = next((r for r in revisions if r.state == state.BUILDABLE), None)
    underway = [r for r in revisions if r.state in (state.IN_PREPARATION, state.ON_TRIAL, state.PUT_FORWARD)]
    return buildable, underway[-1] if underway else None


def holds_for_list(kit: Kit) -> QuerySet[Hold]:
    """Open holds first, newest first."""
    return _with_subjects(Hold.objects.filter(kit=kit)).order_by(F("lifted_at").asc(nulls_first=True), "-placed_at")


def hold_or_404(kit: Kit, code: str) -> Hold:
    return get_object_or_404(_with_subjects(Hold.objects.filter(kit=kit)), code=code)


def _with_subjects(holds: QuerySet[Hold]) -> QuerySet[Hold]:
    return holds.select_related(
        "kit", "placed_by", "lifted_by", "revision__component__kit", "mould__kit", "mould__component__kit",
        "batch__kit", "cast__kit", "cast__revision__component__kit",
    )  # fmt: skip


def gate_sheet(revision: Revision, person: Any, at: datetime) -> dict[str, Any]:
    """Everything on the gate sheet of a revision."""
    reading = evaluate([revision], at)[revision.pk]
    release = (
        Release.objects.filter(revision=revision)
        .select_related("put_forward_by", "packet__file")
        .prefetch_related("check_results", "sign_offs")
        .first()
    )
    forward = PutForward.objects.filter(revision=revision).select_related("by", "sent_back_by").first()
    withdrawal = Withdrawal.objects.filter(revision=revision).select_related("withdrawn_by").first()
    holds = list(_with_subjects(Hold.objects.filter(OPEN, revision=revision)))
    buildable = Revision.objects.filter(component=revision.component, state=Revision.State.BUILDABLE).first()
    points = trend(revision.component)
    changed = changed_since_signed(release, reading) if release and not release.ended_at else []
    return {
        "revision": revision,
        "reading": reading,
        "headline": headline(
            revision,
            reading,
            release=release,
            holds=holds,
            withdrawal=withdrawal,
            buildable=buildable,
            changed_for_worse=[one.row.title.lower() for one in changed if one.worse],
        ),
        "release": release,
        "packet_failed": release.packet.what_failed(at) if release and hasattr(release, "packet") else "",
        "changed": changed,
        "forward": forward,
        "holds": holds,
        "concessions": revision.concessions.select_related("asked_by", "granted_by", "kit").prefetch_related("serials"),
        "trend": points,
        "trend_points": [(point.letter, abs(point.worst)) for point in points],
        "trend_limit": points[-1].limit if points else None,
        "signing": _may_sign(revision, reading, person),
    }


def _may_sign(revision: Revision, reading: GateReading, person: Any) -> str:
    """Why this person cannot sign now; empty when they can."""
    if revision.state != Revision.State.PUT_FORWARD:
        return "It must be put forward first."
    if not person.has_perm("releases.sign_off_revision"):
        return "Only a lead signs."
    if revision.author_id == person.pk:
        return "You drew it. The author may not sign."
    if not reading.is_clear:
        return f"You can sign when these have moved: {listed([row.title for row in reading.stopping], 6)}."
    return ""


@dataclass(frozen=True)
class TrendPoint:
    """A cast on the trend: its revision's letter, serial, and what its newest scan said."""

    letter: str
    serial: str
    worst: float
    inside_share: float
    limit: float
    url: str


def trend(component: Component) -> list[TrendPoint]:
    """Worst deviation of each scanned cast of a component in pour order, over all revisions."""
    scans = (
        Scan.objects.filter(cast__revision__component=component, state=Scan.State.DONE, withdrawn_at__isnull=True)
        .select_related("kit", "cast__revision", "result")
        .order_by("cast__revision__letter", "cast__poured_at", "scanned_at")
    )
    newest = {scan.cast_id: scan for scan in scans}
    return [
        TrendPoint(
            scan.cast.revision.letter,
            scan.cast.serial,
            scan.result.worst,
            scan.result.inside_share or 0.0,
            scan.result.upper,
            scan.get_absolute_url(),
        )
        for scan in newest.values()
        if scan.result.worst is not None
    ]


def stop_on_hold(revision: Revision, mould: Mould | None, batch: Batch | None) -> str | None:
    """Why nobody may cast: an open hold on the revision, the mould or the batch. For `casting.hooks.stops`."""
    named = Q(revision=revision)
    if mould:
        named |= Q(mould=mould)
    if batch:
        named |= Q(batch=batch)
    hold = Hold.objects.filter(OPEN, named).select_related("revision__component", "mould", "batch").first()
    return f"{hold.subject} is on hold ({hold.code}): {hold.reason} Ask the lead before you pour." if hold else None
