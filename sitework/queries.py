"""Reads that more than one page needs."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Count, Exists, F, OuterRef, Prefetch, Q, QuerySet
from django.http import Http404
from django.shortcuts import get_object_or_404

from casting.models import Cast
from parts.models import Kit, Revision
from releases.models import Hold, Withdrawal
from releases.queries import casts_under

from .clearance import Answer, Clearance, clearances
from .models import Acknowledgement, HoldPoint, Installation, Position, Site, Tag


def site_or_404(kit: Kit, code: str) -> Site:
    return get_object_or_404(Site.objects.select_related("kit"), kit=kit, code=code)


def sites_for_list(kit: Kit) -> QuerySet[Site]:
    """Sites with `position_count` and `installed_count`."""
    return (
        Site.objects.filter(kit=kit)
        .select_related("kit")
        .annotate(
            position_count=Count("positions", distinct=True),
            installed_count=Count(
                "positions__installations", filter=Q(positions__installations__removed_at__isnull=True), distinct=True
            ),
        )
    )


def tag_or_none(code: str) -> Tag | None:
    return (
        Tag.objects.select_related("cast__kit", "cast__revision__component__kit", "cast__mould", "cast__batch")
        .filter(code=code.upper())
        .first()
    )


def free_positions(cast: Cast) -> QuerySet[Position]:
    """Positions that take this piece's component and are empty."""
    taken = Installation.objects.filter(position=OuterRef("pk"), removed_at__isnull=True)
    return (
        Position.objects.filter(~Exists(taken), component=cast.revision.component_id)
        .select_related("site__kit", "component")
        .order_by("site", "order", "code")
    )


def hold_points_for(cast: Cast) -> QuerySet[HoldPoint]:
    return HoldPoint.objects.filter(component=cast.revision.component_id).select_related("site")


@dataclass(frozen=True)
class Notice:
    """A hold or a withdrawal as the sites see it: what is in already, and who has not yet said that they saw it."""

    what: Hold | Withdrawal
    since: datetime
    title: str
    reason: str
    installed: tuple[Installation, ...]
    waiting: tuple[Site, ...]

    @property
    def is_hold(self) -> bool:
        return isinstance(self.what, Hold)

    @property
    def kind(self) -> str:
        return "hold" if self.is_hold else "withdrawal"

    @property
    def url(self) -> str:
        return self.what.get_absolute_url() if isinstance(self.what, Hold) else self.what.revision.get_absolute_url()


def notices(kit: Kit) -> list[Notice]:
    """Open holds, and withdrawals that a site has not acknowledged or of which a piece is still installed."""
    holds = list(
        Hold.objects.filter(kit=kit, lifted_at__isnull=True).select_related(
            "kit", "revision__component__kit", "mould", "batch", "cast__revision__component"
        )
    )
    withdrawals = list(
        Withdrawal.objects.filter(revision__component__kit=kit).select_related("revision__component__kit")
    )
    present = list(
        Installation.objects.filter(removed_at__isnull=True, position__site__kit=kit)
        .select_related("cast__kit", "position__site", "position__component")
        .order_by("position__site", "position__order")
    )
    sites = list(Site.objects.filter(kit=kit).select_related("kit"))
    seen = set(Acknowledgement.objects.filter(site__in=sites).values_list("site_id", "hold_id", "withdrawal_id"))
    found = []
    for hold in holds:
        found.append(
            Notice(
                hold, hold.placed_at, f"{hold.subject} on hold", hold.reason,
                tuple(row for row in present if _touches(hold, row.cast)),
                tuple(site for site in sites if (site.pk, hold.pk, None) not in seen),
            )
        )  # fmt: skip
    for withdrawal in withdrawals:
        installed = tuple(row for row in present if row.cast.revision_id == withdrawal.revision_id)
        waiting = tuple(site for site in sites if (site.pk, None, withdrawal.pk) not in seen)
        if installed or waiting:
            found.append(
                Notice(
                    withdrawal, withdrawal.withdrawn_at, f"{withdrawal.revision} withdrawn", withdrawal.reason,
                    installed, waiting,
                )
            )  # fmt: skip
    return sorted(found, key=lambda notice: notice.since, reverse=True)


def _touches(hold: Hold, cast: Cast) -> bool:
    return (
        hold.cast_id == cast.pk
        or hold.revision_id == cast.revision_id
        or (hold.mould_id is not None and hold.mould_id == cast.mould_id)
        or (hold.batch_id is not None and hold.batch_id == cast.batch_id)
    )


def installed_under(hold: Hold) -> list[Installation]:
    """Pieces that a hold stops and that are in already."""
    return list(
        Installation.objects.filter(removed_at__isnull=True, cast__in=casts_under(hold))
        .select_related("cast__kit", "position__site", "by")
        .order_by("position__site", "position__order")
    )


def acknowledgement_rows(hold: Hold) -> list[tuple[Site, Acknowledgement | None]]:
    """Every site of the kit, with when it said that it has seen the hold."""
    seen = {row.site_id: row for row in Acknowledgement.objects.filter(hold=hold).select_related("by")}
    return [(site, seen.get(site.pk)) for site in Site.objects.filter(kit=hold.kit).select_related("kit")]


@dataclass(frozen=True)
class Piece:
    cast: Cast
    clearance: Clearance


@dataclass(frozen=True)
class Place:
    """A position with what is in it, or with the pieces that could go in now."""

    position: Position
    installed: Installation | None
    ready: tuple[Piece, ...]


def site_board(site: Site, at: datetime) -> dict[str, Any]:
    """What is in, what is cleared to go in, what is held, what comes next; a fixed number of queries."""
    positions = list(
        site.positions.select_related("component").prefetch_related(
            Prefetch(
                "installations",
                Installation.objects.filter(removed_at__isnull=True).select_related(
                    "cast__kit", "cast__revision", "by"
                ),
                to_attr="present",
            )
        )
    )
    components = {position.component_id for position in positions}
    pieces = list(
        Cast.objects.filter(revision__component__in=components)
        .exclude(standing__in=[Cast.Standing.SCRAPPED, Cast.Standing.INSTALLED])
        .exclude(revision__state__in=[Revision.State.SUPERSEDED])
        .select_related("kit", "revision__component", "tag")
        .order_by("revision__component__part_number", "serial")
    )
    answers = clearances(pieces, at)
    stock: dict[int, list[Piece]] = {}
    for cast in pieces:
        stock.setdefault(cast.revision.component_id, []).append(Piece(cast, answers[cast.pk]))
    ready = {
        pk: tuple(piece for piece in group if piece.clearance.answer == Answer.CLEARED) for pk, group in stock.items()
    }
    places = [
        Place(position, position.present[0] if position.present else None, ready.get(position.component_id, ()))
        for position in positions
    ]
    every = [piece for group in stock.values() for piece in group]
    return {
        "site": site,
        "places": places,
        "next": next((place for place in places if not place.installed), None),
        "cleared": [piece for piece in every if piece.clearance.cleared],
        "kept_out": [piece for piece in every if not piece.clearance.cleared],
        "notices": [notice for notice in notices(site.kit)],
    }


def notice_or_404(kit: Kit, what: str, pk: int) -> Hold | Withdrawal:
    """A hold or a withdrawal of the kit by kind and number, for an acknowledgement."""
    if what == "hold":
        return get_object_or_404(Hold, kit=kit, pk=pk)
    if what == "withdrawal":
        return get_object_or_404(Withdrawal, revision__component__kit=kit, pk=pk)
    raise Http404("There is nothing of this kind to acknowledge.")


def casts_for_tags(kit: Kit) -> QuerySet[Cast]:
    """Pieces that can carry a tag: demoulded and not scrapped; those without a tag first."""
    return (
        Cast.objects.filter(kit=kit, demoulded_at__isnull=False)
        .exclude(standing=Cast.Standing.SCRAPPED)
        .select_related("kit", "revision__component", "tag")
        .order_by(F("tag__made_at").asc(nulls_first=True), "serial")
    )
