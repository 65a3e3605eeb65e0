"""Acts on site: sites, positions, hold points, tags, installing, acknowledging."""

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from django.db import IntegrityError, transaction
from django.utils import timezone

from casting.models import Cast
from logbook.services import record
from metrology.wording import day, listed
from parts.models import Component, Kit
from releases.models import Hold, Withdrawal

from .clearance import clearance
from .errors import NotCleared, NotNow
from .models import Acknowledgement, HoldPoint, HoldPointSignature, Installation, Position, Site, Tag


@transaction.atomic
def add_site(
    *, kit: Kit, code: str, name: str, contact_name: str, contact_phone: str, by: Any,
    team: Iterable[Any] = (), at: datetime | None = None,
) -> Site:  # fmt: skip
    """A place where the kit is built, and who is called from there."""
    if Site.objects.filter(kit=kit, code__iexact=code).exists():
        raise NotNow(f"{kit.code} already has a site {code}. Choose another code.", code="taken", field="code")
    site = Site.objects.create(kit=kit, code=code, name=name, contact_name=contact_name, contact_phone=contact_phone)
    site.team.set(team)
    record(by, "site.added", site, f"Site {site} added; call {contact_name}, {contact_phone}.", at=at)
    return site


@transaction.atomic
def change_site(
    *, site: Site, name: str, contact_name: str, contact_phone: str, team: Iterable[Any], by: Any,
    at: datetime | None = None,
) -> Site:  # fmt: skip
    """Change a site's name, whom to call, and its team."""
    site.name, site.contact_name, site.contact_phone = name, contact_name, contact_phone
    site.save(update_fields=["name", "contact_name", "contact_phone"])
    site.team.set(team)
    record(by, "site.changed", site, f"Site {site} changed; call {contact_name}, {contact_phone}.", at=at)
    return site


@transaction.atomic
def add_position(
    *, site: Site, code: str, name: str, component: Component, by: Any, order: int = 0, at: datetime | None = None
) -> Position:
    """A place on the site that takes one piece of one component."""
    if Position.objects.filter(site=site, code__iexact=code).exists():
        raise NotNow(f"{site} already has a position {code}. Choose another code.", code="taken", field="code")
    position = Position.objects.create(site=site, code=code, name=name, component=component, order=order)
    record(by, "position.added", position, f"Position {code}, {name}, takes {component}.", at=at)
    return position


@transaction.atomic
def add_hold_point(*, site: Site, component: Component, text: str, by: Any, at: datetime | None = None) -> HoldPoint:
    """Something to be signed before any piece of the component goes in on the site."""
    number = HoldPoint.objects.filter(site=site, component=component).count() + 1
    point = HoldPoint.objects.create(site=site, component=component, number=number, text=text)
    record(by, "hold-point.added", point, f"Hold point {number} for {component}: {text}", trail=site.trail, at=at)
    return point


@transaction.atomic
def make_tags(*, casts: Iterable[Cast], by: Any, at: datetime | None = None) -> list[Tag]:
    """One tag a piece, made once; asking again gives the same tags."""
    tags = []
    for cast in casts:
        tag, new = Tag.objects.get_or_create(cast=cast, defaults={"made_by": by})
        if new:
            record(by, "tag.made", tag, f"Tag {tag.code} made for {cast}.", at=at)
        tags.append(tag)
    return tags


@transaction.atomic
def install(
    *,
    cast: Cast,
    position: Position,
    by: Any,
    signed: Mapping[int, str],
    note: str = "",
    at: datetime | None = None,
) -> Installation:
    """Log a piece as installed at a position.

    signed: {hold point pk: note}. Refused unless the piece is cleared at this moment, the position takes its
    component and is free, and every hold point is signed.
    """
    at = at or timezone.now()
    cast = Cast.objects.select_for_update().select_related("revision__component", "kit").get(pk=cast.pk)
    present = Installation.objects.filter(cast=cast, removed_at__isnull=True).select_related("position").first()
    if present:
        raise NotNow(f"{cast} is already installed at {present.position}.", code="installed")
    if position.component_id != cast.revision.component_id:
        raise NotNow(f"{position} takes {position.component}, not {cast}.", code="wrong-position", field="position")
    taken = Installation.objects.filter(position=position, removed_at__isnull=True).select_related("cast").first()
    if taken:
        raise NotNow(f"{position} is taken by {taken.cast}. Choose a free one.", code="taken", field="position")
    answer = clearance(cast, at)
    if not answer.cleared:
        raise NotCleared(f"{cast} is {answer.answer}: {answer.reason}", code=answer.code)
    points = list(HoldPoint.objects.filter(site=position.site, component=position.component))
    unsigned = [point.text for point in points if point.pk not in signed]
    if unsigned:
        raise NotNow(f"Hold point not signed: {listed(unsigned)}.", code="hold-point", field="points")
    try:
        with transaction.atomic():
            row = Installation.objects.create(cast=cast, position=position, by=by, at=at, note=note)
    except IntegrityError as error:
        raise NotNow("Somebody logged this piece or this position a moment ago.", code="taken") from error
    HoldPointSignature.objects.bulk_create(
        HoldPointSignature(hold_point=point, installation=row, by=by, at=at, note=signed[point.pk][:120])
        for point in points
    )
    Cast.objects.filter(pk=cast.pk).update(standing=Cast.Standing.INSTALLED, place=f"{position.site}, {position}"[:80])
    record(
        by, "installation.logged", row, f"{cast} installed at {position.site}, {position}.",
        details={"hold_points": [point.text for point in points]}, at=at,
    )  # fmt: skip
    return row


@transaction.atomic
def take_out(*, installation: Installation, by: Any, why: str, at: datetime | None = None) -> Installation:
    """Log that an installed piece was taken out again."""
    at = at or timezone.now()
    if not why.strip():
        raise NotNow("Say why it was taken out.", code="no-reason", field="why")
    changed = Installation.objects.filter(pk=installation.pk, removed_at__isnull=True).update(
        removed_at=at, removed_by=by, removed_why=why.strip()
    )
    if changed != 1:
        raise NotNow("It was taken out already.", code="state")
    Cast.objects.filter(pk=installation.cast_id).update(
        standing=Cast.Standing.ON_SITE, place=str(installation.position.site)[:80]
    )
    record(by, "installation.ended", installation, f"{installation.cast} taken out: {why}", at=at)
    installation.refresh_from_db()
    return installation


@transaction.atomic
def acknowledge(
    *, site: Site, by: Any, hold: Hold | None = None, withdrawal: Withdrawal | None = None, at: datetime | None = None
) -> Acknowledgement:
    """A site confirms that it has seen a hold or a withdrawal. Saying it twice keeps the first."""
    at = at or timezone.now()
    row, new = Acknowledgement.objects.get_or_create(
        site=site, hold=hold, withdrawal=withdrawal, defaults={"by": by, "at": at}
    )
    if new:
        what = f"{hold.code}" if hold else f"the withdrawal of {withdrawal.revision}" if withdrawal else ""
        record(by, "acknowledgement.given", row, f"{site} has seen {what} on {day(at)}.", at=at)
    return row
