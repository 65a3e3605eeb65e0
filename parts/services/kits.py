"""Kits: what is being built."""

from datetime import datetime
from typing import Any
from zoneinfo import available_timezones

from django.db import transaction

from logbook.services import record

from ..errors import Taken, Unusable
from ..models import Kit
from ..saving import change, in_words, save_checked

# First parts of addresses that belong to the tool itself.
OWN_ADDRESSES = frozenset(
    {"admin", "favicon.ico", "first-run", "kits", "me", "people", "sign-in", "sign-out", "static", "styles", "t"}
)


@transaction.atomic
def create_kit(
    *,
    code: str,
    name: str,
    about: str = "",
    time_zone: str = "UTC",
    length_unit: str = "mm",
    invented: bool = False,
    by: Any,
    at: datetime | None = None,
) -> Kit:
    """Begin a kit. code: short, stands in every address and tag. Raises Taken or Unusable."""
    if code.lower() in OWN_ADDRESSES:
        raise Unusable(f"“{code}” is an address of Proofmark itself. Choose another code.", field="code")
    other = Kit.objects.filter(code__iexact=code).first()
    if other:
        raise Taken(f"{other.code} is the code of {other.name}. Choose another code.", field="code")
    _check_time_zone(time_zone)
    kit = Kit(code=code, name=name, about=about, time_zone=time_zone, length_unit=length_unit, invented=invented)
    save_checked(kit)
    record(by, "kit.created", kit, f"Kit {kit.code}, {kit.name}, begun.", at=at)
    return kit


@transaction.atomic
def change_kit(kit: Kit, *, by: Any, at: datetime | None = None, **values: Any) -> Kit:
    """Change name, about, time_zone or length_unit. The code stays: it is printed on tags."""
    if "code" in values and values["code"] != kit.code:
        raise Unusable("The code of a kit stays as it is, because tags carry it.", field="code")
    if "time_zone" in values:
        _check_time_zone(values["time_zone"])
    changed = change(kit, values)
    if changed:
        record(by, "kit.changed", kit, f"Kit {kit.code}: {in_words(kit, changed)} changed.", details=changed, at=at)
    return kit


def _check_time_zone(name: str) -> None:
    if name not in available_timezones():
        raise Unusable(f"“{name}” is not a time zone. Choose one from the list, as Europe/London.", field="time_zone")
