"""From a record to the pages that calculate with its figures."""

from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from django import template

from metrology.calculations.registry import find
from proofmark.numbers.given import filled_address

register = template.Library()


class Door(NamedTuple):
    title: str
    asks: str
    address: str


@register.inclusion_tag("numbers/_work_out.html", takes_context=True)
def work_out(context: dict[str, Any], rows: Iterable[Mapping[str, Any]], whose: str) -> dict[str, Any]:
    """{% work_out cast_what_if "cast TP-SB-0013" %}: a zone of links to pages filled with these figures.

    rows: mappings with `name` of the calculation, `given` (its inputs as the shell takes them) and perhaps `words`,
    which tell two links to one calculation apart. Nothing is shown without rows.
    """
    request = context["request"]
    doors = []
    for row in rows:
        one = find(row["name"])
        title = f"{one.title}: {row['words']}" if row.get("words") else one.title
        doors.append(Door(title, one.asks, filled_address(request.kit, one.name, row["given"], whose, request.path)))
    return {"doors": doors}
