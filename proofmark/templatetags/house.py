"""Pieces of pages that need more than one room: the head of a revision's sheets, who has seen a hold."""

from typing import Any

from django import template
from django.urls import reverse
from django.utils import timezone

from parts.models import Component, Revision
from releases.models import Hold, Release
from sitework.queries import acknowledgement_rows, installed_under

register = template.Library()

# The sheets of a revision: what each is called, and its address.
SHEETS = (
    ("Gate", "releases:gate"),
    ("Definition", "parts:definition"),
    ("Casts", "casting:revision_casts"),
    ("Scans", "inspection:revision_scans"),
    ("Process", "inspection:characteristics"),
    ("Trials", "lessons:revision_trials"),
    ("Lessons", "lessons:revision_lessons"),
    ("Logbook", "parts:logbook"),
)


@register.simple_tag
def revision_head(revision: Revision) -> dict[str, Any]:
    """What the title block of a revision says: {% revision_head revision as head %}. Read once per page."""
    if not hasattr(revision, "_head"):
        revision._head = _read_head(revision)
    return revision._head


def _read_head(revision: Revision) -> dict[str, Any]:
    hold = Hold.objects.filter(revision=revision, lifted_at__isnull=True).order_by("placed_at").first()
    release = Release.objects.filter(revision=revision).prefetch_related("sign_offs").first()
    args = revision.url_args()
    return {
        "letters": revisions_of(revision.component),
        "hold": hold,
        "signed": [sign.signed_name for sign in release.sign_offs.all()] if release else [],
        "released_at": release.released_at if release else None,
        "standing": _standing(revision, hold),
        "sheets": [(title, reverse(address, args=args)) for title, address in SHEETS],
    }


def revisions_of(component: Component) -> list[Revision]:
    """All revisions of a component by letter; what was prefetched is used as it is."""
    rows = list(component.revisions.all())
    for row in rows:
        row.component = component
    return sorted(rows, key=lambda row: (len(row.letter), row.letter))


def _standing(revision: Revision, hold: Hold | None) -> str:
    """The frame of the sheet: pencil for what nobody signed, ink for what people signed."""
    if hold:
        return "hold"
    if revision.state == Revision.State.BUILDABLE:
        return "inked"
    return "void" if revision.state == Revision.State.WITHDRAWN else "pencil"


@register.inclusion_tag("sitework/_hold_sites.html", takes_context=True)
def hold_sites(context: template.Context, hold: Hold) -> dict[str, Any]:
    """Which installed pieces a hold touches, and which sites have not yet acknowledged it."""
    return {
        "hold": hold,
        "installed": installed_under(hold),
        "sites": acknowledgement_rows(hold),
        "now": timezone.now(),
        "user": context.get("user"),
    }
