"""Looking again at what was released when something new is recorded about it.

A release never changes silently. When its evidence turns bad, a hold is placed by rule, once.
"""

from datetime import datetime

from django.db import transaction
from django.utils import timezone

from inspection.closure import stands_with
from logbook.models import Entry
from parts.models import Component, Revision

from .gate import evaluate
from .models import Hold, Release, Verdict
from .services import place_hold

# Acts of this room and above decide on evidence; they are not evidence.
NOT_EVIDENCE = ("hold.", "revision.", "plan.", "packet.", "installation.", "acknowledgement.", "tag.", "position.")


def review_after(entry: Entry) -> None:
    """Called for each new logbook entry: review the releases that it may touch."""
    if entry.act.startswith(NOT_EVIDENCE):
        return
    kit_code, _, rest = entry.trail.partition("/")
    part_number = rest.partition("/")[0]
    releases = Release.objects.filter(ended_at__isnull=True, component__kit__code=kit_code)
    # An entry below a component concerns that component; any other (a batch, a mock-up) may concern all.
    component = Component.objects.filter(kit__code=kit_code, part_number=part_number).first()
    if component:  # and whatever closes together with it
        releases = releases.filter(component__in=stands_with(component))
    review(list(releases.select_related("revision__component__kit", "revision__author")), timezone.now())


@transaction.atomic
def review(releases: list[Release], at: datetime) -> list[Hold]:
    """Place a hold on each released revision for each check that now fails and is not yet held for it."""
    revisions: list[Revision] = [release.revision for release in releases]
    readings = evaluate(revisions, at)
    held = set(
        Hold.objects.filter(revision__in=revisions, lifted_at__isnull=True).values_list("revision_id", "by_rule")
    )
    placed = []
    for revision in revisions:
        for row in readings[revision.pk].rows:
            if row.verdict == Verdict.FAIL and (revision.pk, row.code) not in held:
                placed.append(
                    place_hold(
                        on=revision,
                        by=None,
                        by_rule=row.code,
                        reason=f"{row.title} no longer passes: {row.finding.sentence}",
                        what_to_do="Do not install it.\nLeave it where it is and call the lead.",
                        at=at,
                    )
                )
    return placed
