"""Proposing the next serial: "TP-SB-0014" after "TP-SB-0013"."""

import re

from parts.models import Component

from .models import Cast

RUNNING = re.compile(r"^(?P<prefix>.*?)(?P<number>\d+)$")


def propose_serial(component: Component) -> str:
    """The next free serial after the component's last one, or a first one in the manner of the kit's other serials."""
    last = _newest_running(Cast.objects.filter(kit=component.kit, revision__component=component))
    if last:
        prefix, digits = last
    else:
        prefix, digits = _first_prefix(component), "0000"
    return next_after(component, prefix, digits)


def next_after(component: Component, prefix: str, digits: str) -> str:
    """The first serial with this prefix above every one that the kit has already used."""
    pattern = re.compile(rf"^{re.escape(prefix)}(\d+)$", re.IGNORECASE)
    serials = Cast.objects.filter(kit=component.kit, serial__istartswith=prefix).values_list("serial", flat=True)
    used = [int(match[1]) for serial in serials if (match := pattern.match(serial))]
    return f"{prefix}{max([int(digits), *used]) + 1:0{len(digits)}d}"


def _newest_running(casts) -> tuple[str, str] | None:
    """Prefix and digits of the serial that was logged last and ends in digits."""
    for serial in casts.order_by("-logged_at", "-pk").values_list("serial", flat=True)[:20]:
        if match := RUNNING.match(serial):
            return match["prefix"], match["number"]
    return None


def _first_prefix(component: Component) -> str:
    """Kit, then the letters of the part number: "TP-SB-". The kit's part is taken over from its other serials."""
    letters = re.match(r"[A-Za-z]+", component.part_number)
    other = _newest_running(Cast.objects.filter(kit=component.kit))
    kit = other[0].split("-")[0] if other and "-" in other[0] else component.kit.code
    return f"{kit}-{letters[0].upper() if letters else component.part_number}-"
