"""Loops that must close: adding one, changing it, ending it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.contrib.auth.models import AbstractUser
from django.db import transaction
from django.utils import timezone

from inspection.closure_models import ClosureLoop, LoopMember
from inspection.errors import InspectionRefusal
from logbook.services import record
from metrology.closure.loop_formula import FormulaLoop
from metrology.errors import InputError
from metrology.wording import count
from parts.models import Characteristic, Component, Interface, Kit
from parts.numbering import next_code

RING_ROLES = tuple(LoopMember.Role.values)
PLACE_ROLES = ("along", "across", "up")


@dataclass(frozen=True)
class MemberSaid:
    """A member as somebody asks for it: a characteristic of a component by its number, or a typed dimension."""

    name: str
    component: Component | None = None
    number: int | None = None
    nominal: Decimal | None = None
    lower: Decimal | None = None
    upper: Decimal | None = None
    sensitivity: Decimal = Decimal(1)
    times: int = 1
    role: str = ""


@transaction.atomic
def add_loop(
    kit: Kit,
    *,
    by: AbstractUser,
    name: str,
    members: Sequence[MemberSaid],
    how: str = "row",
    at: datetime | None = None,
    **said: Any,
) -> ClosureLoop:
    """A loop of dimensions, or a ring. said: the other columns of ClosureLoop. Refuses a loop that cannot be judged:
    no member, no limit, a formula that cannot be read, a ring without its pieces."""
    at = at or timezone.now()
    values = _checked(kit, how, {**said, "name": name.strip()}, members)
    loop = ClosureLoop.objects.create(
        kit=kit, code=next_code(ClosureLoop, kit, "LP"), how=how, created_by=by, created_at=at, **values
    )
    _put(loop, members)
    record(by, "loop.added", loop, f"Loop {loop} added: {count(len(members), 'dimension')}.", at=at)
    return loop


@transaction.atomic
def change_loop(
    loop: ClosureLoop,
    *,
    by: AbstractUser,
    name: str,
    members: Sequence[MemberSaid],
    at: datetime | None = None,
    **said: Any,
) -> ClosureLoop:
    """Other limits or members; how it closes stays. Refuses as `add_loop`, and a loop that has ended."""
    if loop.ended_at:
        raise InspectionRefusal(f"{loop.code} has ended. Add a new loop.", code="ended")
    values = _checked(loop.kit, loop.how, {**said, "name": name.strip()}, members)
    before = loop_in_words(loop)
    for column, value in values.items():
        setattr(loop, column, value)
    loop.save(update_fields=list(values))
    loop.members.all().delete()
    _put(loop, members)
    after = loop_in_words(loop)
    if after == before:
        raise InspectionRefusal("Nothing was changed.", code="unchanged")
    record(
        by, "loop.changed", loop, f"Loop {loop} changed.", details={"before": before, "after": after},
        at=at or timezone.now(),
    )  # fmt: skip
    return loop


@transaction.atomic
def end_loop(loop: ClosureLoop, *, by: AbstractUser, why: str, at: datetime | None = None) -> ClosureLoop:
    """The loop counts no longer, for the gate neither. It stays on file."""
    at = at or timezone.now()
    if not why.strip():
        raise InspectionRefusal("Say why it ends.", code="no-reason", field="why")
    ended = ClosureLoop.objects.filter(pk=loop.pk, ended_at__isnull=True).update(ended_at=at, ended_why=why.strip())
    if ended != 1:
        raise InspectionRefusal(f"{loop.code} has ended already.", code="ended")
    record(by, "loop.ended", loop, f"Loop {loop} ended: {why.strip()}", at=at)
    loop.refresh_from_db()
    return loop


def loop_in_words(loop: ClosureLoop) -> dict[str, Any]:
    """Everything that counts, as plain data for the logbook."""
    columns = ("name", "formula", "unit", "interface_id", "lower", "upper", "assemblies", "pieces", "chord", "joint",
               "depth", "built", "step", "height_step", "note", "for_gate")  # fmt: skip
    rows = ("name", "component_id", "number", "nominal", "lower", "upper", "sensitivity", "times", "role")
    said: dict[str, Any] = {column: _plain(getattr(loop, column)) for column in columns}
    said["members"] = [
        {row: _plain(getattr(member, row)) for row in rows} for member in loop.members.order_by("position")
    ]
    return said


def _plain(value: Any) -> Any:
    return format(value.normalize(), "f") if isinstance(value, Decimal) else value


def _put(loop: ClosureLoop, members: Sequence[MemberSaid]) -> None:
    LoopMember.objects.bulk_create(
        LoopMember(loop=loop, position=place, **{**vars(one), "name": one.name.strip()})
        for place, one in enumerate(members, 1)
    )


def _checked(kit: Kit, how: str, said: dict[str, Any], members: Sequence[MemberSaid]) -> dict[str, Any]:
    """The columns to save. Raises InspectionRefusal with the field it concerns."""
    if how not in ClosureLoop.How.values:
        raise InspectionRefusal("Say how it closes.", code="how", field="how")
    if not said["name"]:
        raise InspectionRefusal("Give the loop a name.", code="no-name", field="name")
    interface: Interface | None = said.get("interface")
    if interface is not None:
        if interface.kit_id != kit.pk:
            raise InspectionRefusal("Choose an interface of this kit.", code="interface", field="interface")
        said["lower"] = said["upper"] = None
    lower, upper = said.get("lower"), said.get("upper")
    if lower is not None and upper is not None and lower > upper:
        raise InspectionRefusal(
            "The greatest gap is below the least one. Exchange them.", code="limits-swapped", field="upper"
        )
    limits = [lower, upper, interface, *((said.get("step"), said.get("height_step")) if how == "ring" else ())]
    if all(one is None for one in limits):
        raise InspectionRefusal("Give at least one limit, or an interface.", code="no-limits", field="lower")
    _check_members(kit, how, members)
    if how == "formula":
        _check_formula(said.get("formula", ""), members)
    if how == "ring":
        _check_ring(said, members)
    return said


def _check_members(kit: Kit, how: str, members: Sequence[MemberSaid]) -> None:
    if not members:
        raise InspectionRefusal("Give at least one dimension.", code="no-members")
    names: set[str] = set()
    for one in members:
        name = one.name.strip()
        if not name or name in names:
            raise InspectionRefusal(f"“{name}”: give each dimension a name of its own.", code="member-name")
        names.add(name)
        if one.component is not None:
            drawn = Characteristic.objects.filter(
                revision__component=one.component, revision__component__kit=kit, number=one.number
            )
            if not drawn.exists():
                raise InspectionRefusal(
                    f"{name}: number {one.number} is on no drawing of {one.component.part_number}.",
                    code="no-such-number",
                )
        elif one.nominal is None or one.lower is None or one.upper is None or one.lower > one.upper:
            raise InspectionRefusal(f"{name}: give its nominal and its tolerance.", code="member-limits")
        if one.times < 1 or (how != "row" and one.times != 1):
            raise InspectionRefusal(f"{name}: only a row takes several pieces of one kind.", code="times")
        if how == "row" and one.sensitivity == 0:
            raise InspectionRefusal(
                f"{name}: a sensitivity of 0 does nothing. Use 1 where it opens the gap, −1 where it closes it.",
                code="sensitivity",
            )


def _check_formula(formula: str, members: Sequence[MemberSaid]) -> None:
    try:
        FormulaLoop(formula, [one.name.strip() for one in members])
    except InputError as error:
        raise InspectionRefusal(error.sentence, code=error.code, field="formula") from error


def _check_ring(said: dict[str, Any], members: Sequence[MemberSaid]) -> None:
    asked = {
        "pieces": "Say how many pieces the ring has.",
        "chord": "Say how long a piece is between its joint faces.",
        "built": "Say how the ring is built.",
    }
    for column, sentence in asked.items():
        if not said.get(column):
            raise InspectionRefusal(sentence, code=f"no-{column}", field=column)
    if said["pieces"] < 3:
        raise InspectionRefusal("A ring has at least 3 pieces.", code="too-few-pieces", field="pieces")
    roles = [one.role for one in members]
    if any(role not in RING_ROLES for role in roles):
        raise InspectionRefusal("Say what each dimension is in the ring.", code="role")
    if len(set(roles)) != len(roles):
        raise InspectionRefusal("Each kind of error stands in one row only.", code="role-twice")
    if said["built"] == "free" and all(role in PLACE_ROLES for role in roles):
        raise InspectionRefusal("Built piece against piece, set-out places do not count.", code="role")
