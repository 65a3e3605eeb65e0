"""Reading loops with what their parts are drawn and measured as, for many loops with the same number of queries."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from django.db.models import Prefetch, QuerySet
from django.shortcuts import get_object_or_404

from casting.models import Cast
from metrology.closure.closing import Member, PartLoop, RingShape
from parts.models import Characteristic, Component, Kit, Revision

from .closure_models import ClosureLoop, LoopMember
from .models import Measurement

State = Revision.State
# Which revision of a component counts where none is asked for: what is built, else what comes next.
COUNTS = (State.BUILDABLE, State.PUT_FORWARD, State.ON_TRIAL, State.IN_PREPARATION)
ANGLES = (LoopMember.Role.ANGLE, LoopMember.Role.PITCH)


@dataclass(frozen=True)
class MemberRow:
    """A member with the revision and characteristic it stands for now; both None for a typed one."""

    member: LoopMember
    revision: Revision | None
    characteristic: Characteristic | None
    part: Member | None
    fault: str = ""


@dataclass(frozen=True)
class LoopRead:
    """part: the loop to judge, None while `fault` says why it cannot be."""

    loop: ClosureLoop
    rows: tuple[MemberRow, ...]
    part: PartLoop | None
    fault: str

    @property
    def limits(self) -> tuple[float | None, float | None]:
        source = self.loop.interface or self.loop
        return _float(source.lower), _float(source.upper)


def loops_of(kit: Kit) -> QuerySet[ClosureLoop]:
    members = LoopMember.objects.select_related("component").order_by("position")
    return (
        ClosureLoop.objects.filter(kit=kit)
        .select_related("kit", "interface", "created_by")
        .prefetch_related(Prefetch("members", queryset=members))
    )


def loop_or_404(kit: Kit, code: str) -> ClosureLoop:
    return get_object_or_404(loops_of(kit), code=code)


def loops_with(revisions: Sequence[Revision]) -> list[ClosureLoop]:
    """Loops that count for the gate and that have a characteristic of one of these components as a member."""
    components = {revision.component_id for revision in revisions}
    members = LoopMember.objects.select_related("component").order_by("position")
    loops = ClosureLoop.objects.filter(
        ended_at__isnull=True, for_gate=True, members__component__in=components
    ).distinct()
    return list(loops.select_related("kit", "interface").prefetch_related(Prefetch("members", queryset=members)))


def stands_with(component: Component) -> set[int]:
    """The component and all that close together with it in a loop that counts for the gate. One query."""
    inside = LoopMember.objects.filter(
        loop__for_gate=True, loop__ended_at__isnull=True, loop__members__component=component, component__isnull=False
    )
    return {component.pk, *inside.values_list("component_id", flat=True)}


def read_loops(loops: Sequence[ClosureLoop], asked: Sequence[Revision] = ()) -> dict[tuple[int, int | None], LoopRead]:
    """Loops as they stand: (loop, None); and with each asked revision in its component's place: (loop, revision).

    Three queries, whatever the number of loops. Loops need their members prefetched.
    """
    if not loops:
        return {}
    components = {m.component_id for loop in loops for m in loop.members.all() if m.component_id}
    usual = _revisions_that_count(components)
    counted = {revision.pk: revision for revision in (*usual.values(), *asked)}
    drawn = {
        (row.revision_id, row.number): row
        for row in Characteristic.objects.filter(revision__in=list(counted)).exclude(kind=Characteristic.Kind.PROFILE)
    }
    casts = _casts([row.pk for row in drawn.values()])
    found: dict[tuple[int, int | None], LoopRead] = {}
    for loop in loops:
        found[loop.pk, None] = _read(loop, usual, drawn, casts)
        inside = {m.component_id for m in loop.members.all()}
        for revision in asked:
            if revision.component_id in inside:
                found[loop.pk, revision.pk] = _read(loop, {**usual, revision.component_id: revision}, drawn, casts)
    return found


def _revisions_that_count(components: set[int]) -> dict[int, Revision]:
    rows = Revision.objects.filter(component__in=components, state__in=COUNTS).select_related("component__kit")
    best: dict[int, Revision] = {}
    for row in sorted(rows, key=lambda row: (-COUNTS.index(row.state), row.created_at)):
        best[row.component_id] = row  # the last one in this order counts
    return best


def _casts(characteristics: Sequence[int]) -> dict[int, dict[str, float]]:
    """Per characteristic the reading that counts of each cast, in the order of pouring."""
    rows = (
        Measurement.objects.filter(characteristic__in=characteristics, replaced=False)
        .exclude(cast__standing=Cast.Standing.SCRAPPED)
        .order_by("cast__poured_at", "cast_id", "measured_at", "pk")
        .values_list("characteristic_id", "cast__serial", "value")
    )
    found: dict[int, dict[str, float]] = {}
    for characteristic, serial, value in rows:
        found.setdefault(characteristic, {})[serial] = float(value)
    return found


def _read(
    loop: ClosureLoop,
    revisions: Mapping[int, Revision],
    drawn: Mapping[tuple[int, int], Characteristic],
    casts: Mapping[int, Mapping[str, float]],
) -> LoopRead:
    rows = tuple(_row(member, revisions, drawn, casts) for member in loop.members.all())
    fault = next((row.fault for row in rows if row.fault), "")
    source = loop.interface or loop
    parts = tuple(row.part for row in rows if row.part is not None)
    ring = None
    if loop.how == ClosureLoop.How.RING:
        ring = RingShape(
            pieces=loop.pieces or 0,
            chord=float(loop.chord or 0),
            joint=float(loop.joint or 0),
            depth=float(loop.depth or 0),
            fixed=loop.built == ClosureLoop.Built.FIXED,
            step=_float(loop.step),
            height=_float(loop.height_step),
        )
    part = PartLoop(parts, _float(source.lower), _float(source.upper), loop.formula, ring)
    return LoopRead(loop, rows, None if fault else part, fault)


def _row(
    member: LoopMember,
    revisions: Mapping[int, Revision],
    drawn: Mapping[tuple[int, int], Characteristic],
    casts: Mapping[int, Mapping[str, float]],
) -> MemberRow:
    said = {"sensitivity": float(member.sensitivity), "times": member.times, "role": member.role}
    if member.component_id is None:
        limits = (float(member.nominal), float(member.lower), float(member.upper))
        return MemberRow(member, None, None, Member(member.name, *limits, **said))
    revision = revisions.get(member.component_id)
    if revision is None:
        return MemberRow(member, None, None, None, f"{member.component.part_number} has no revision that counts.")
    row = drawn.get((revision.pk, member.number))
    if row is None:
        return MemberRow(member, revision, None, None, f"{revision} has no number {member.number} on its drawing.")
    if row.lower is None or row.upper is None:
        fault = f"Number {row.number} of {revision} has one limit only. Type this dimension with its tolerance."
        return MemberRow(member, revision, row, None, fault)
    lower, upper = float(row.lower), float(row.upper)
    nominal = (lower + upper) / 2 if row.nominal is None else float(row.nominal)
    measured = tuple(casts.get(row.pk, {}).items())
    part = Member(member.name, nominal, lower, upper, part=str(revision), casts=measured, **said)
    return MemberRow(member, revision, row, part)


def _float(value: object) -> float | None:
    return None if value is None else float(value)  # type: ignore[arg-type]


def unit_of(loop: ClosureLoop, row: MemberRow) -> str:
    """The unit of a member's figures."""
    if row.characteristic is not None:
        return row.characteristic.unit if row.characteristic.unit != Characteristic.Unit.NONE else ""
    if loop.how == ClosureLoop.How.FORMULA:
        return ""
    return "°" if row.member.role in ANGLES else "mm"
