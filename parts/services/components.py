"""Components and the interfaces where two of them meet."""

from datetime import datetime
from decimal import Decimal
from typing import Any

from django.db import transaction

from logbook.services import record

from ..errors import NotNow, Taken, Unusable
from ..limits import check_limits
from ..models import Component, Interface, Kit, Weight
from ..numbering import next_code
from ..saving import change, in_words, save_checked


@transaction.atomic
def create_component(
    kit: Kit,
    *,
    part_number: str,
    name: str,
    material: str,
    family: str = "",
    made_how: str = Component.MadeHow.OPEN_FACE,
    quantity: int = 1,
    criticality: str = Weight.MAJOR,
    by: Any,
    at: datetime | None = None,
) -> Component:
    """Add a component to a kit. quantity: pieces in one kit, 1 or more. Raises Taken or Unusable."""
    _check_part_number(kit, part_number)
    component = Component(
        kit=kit,
        part_number=part_number,
        name=name,
        material=material,
        family=family,
        made_how=made_how,
        quantity=quantity,
        criticality=criticality,
    )
    save_checked(component)
    record(by, "component.created", component, f"Component {component} added to the kit.", at=at)
    return component


@transaction.atomic
def change_component(component: Component, *, by: Any, at: datetime | None = None, **values: Any) -> Component:
    """Change what is said about a component. Its part number only while it has no revision."""
    part_number = values.get("part_number", component.part_number)
    if part_number != component.part_number:
        if component.revisions.exists():
            raise NotNow(
                f"{component.part_number} has revisions, so its part number stays. "
                "For another item add a new component.",
                field="part_number",
            )
        _check_part_number(component.kit, part_number, besides=component)
    changed = change(component, values)
    if changed:
        sentence = f"Component {component}: {in_words(component, changed)} changed."
        record(by, "component.changed", component, sentence, details=changed, at=at)
    return component


@transaction.atomic
def add_interface(
    kit: Kit,
    *,
    code: str = "",
    name: str,
    component_a: Component,
    component_b: Component,
    lower: Decimal | None = None,
    upper: Decimal | None = None,
    note: str = "",
    by: Any,
    at: datetime | None = None,
) -> Interface:
    """Say where two components meet and what gap must be there: lower, upper in mm, full size; one may be None.

    code: the next free one when empty. The two may be the same component, as panel beside panel.
    """
    _check_interface(kit, component_a, component_b, lower, upper)
    code = code or next_code(Interface, kit, "I")
    _check_interface_code(kit, code)
    interface = Interface(
        kit=kit,
        code=code,
        name=name,
        component_a=component_a,
        component_b=component_b,
        lower=lower,
        upper=upper,
        note=note,
    )
    save_checked(interface)
    sentence = f"Interface {interface} between {_pair(interface)} added."
    record(by, "interface.added", interface, sentence, at=at)
    return interface


@transaction.atomic
def change_interface(interface: Interface, *, by: Any, at: datetime | None = None, **values: Any) -> Interface:
    """Change an interface. Fit checks already made keep the limits they were judged by."""
    now = {c: values.get(c, getattr(interface, c)) for c in ("component_a", "component_b", "lower", "upper")}
    _check_interface(interface.kit, *now.values())
    if values.get("code", interface.code) != interface.code:
        _check_interface_code(interface.kit, values["code"], besides=interface)
    changed = change(interface, values)
    if changed:
        sentence = f"Interface {interface}: {in_words(interface, changed)} changed."
        record(by, "interface.changed", interface, sentence, details=changed, at=at)
    return interface


def _check_part_number(kit: Kit, part_number: str, besides: Component | None = None) -> None:
    Kit.objects.select_for_update().get(pk=kit.pk)
    other = kit.components.filter(part_number__iexact=part_number).exclude(pk=besides and besides.pk).first()
    if other:
        raise Taken(
            f"{other.part_number} is the part number of {other.name}. Choose another, or open that component.",
            field="part_number",
        )


def _check_interface(
    kit: Kit, component_a: Component, component_b: Component, lower: Decimal | None, upper: Decimal | None
) -> None:
    for field, component in (("component_a", component_a), ("component_b", component_b)):
        if component.kit_id != kit.pk:
            raise Unusable(f"{component.part_number} belongs to another kit. Choose one of {kit.code}.", field=field)
    check_limits(lower, upper, "mm")


def _check_interface_code(kit: Kit, code: str, besides: Interface | None = None) -> None:
    other = kit.interfaces.filter(code__iexact=code).exclude(pk=besides and besides.pk).first()
    if other:
        raise Taken(f"{other.code} is the code of the interface {other.name}. Choose another code.", field="code")


def _pair(interface: Interface) -> str:
    a, b = interface.component_a.part_number, interface.component_b.part_number
    return f"two {a}" if a == b else f"{a} and {b}"
