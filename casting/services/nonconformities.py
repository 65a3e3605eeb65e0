"""A cast that is not as it should be: reported, segregated, and decided upon."""

from datetime import datetime

from django.contrib.auth.models import AbstractUser
from django.db import transaction
from django.utils import timezone

from casting.errors import CastingRefusal
from casting.models import Cast, Nonconformity
from logbook.services import record
from parts.numbering import next_code

Disposition = Nonconformity.Disposition
Standing = Cast.Standing
CAN_BE_SEGREGATED = (Standing.CURING, Standing.IN_STORE)


@transaction.atomic
def report_nonconformity(
    cast: Cast,
    *,
    by: AbstractUser,
    what: str,
    found_at: datetime | None = None,
    segregate: bool = True,
    place: str = "",
    at: datetime | None = None,
) -> Nonconformity:
    """Say what is wrong with a cast. segregate: it is set apart, as a rule at once; one that is still in the mould,
    on site or installed stays where it is."""
    at = at or timezone.now()
    found_at = found_at or at
    if not what.strip():
        raise CastingRefusal("Say what is wrong.", code="no-text", field="what")
    if cast.standing == Standing.SCRAPPED:
        raise CastingRefusal(f"{cast} was scrapped already.", code="scrapped")
    if found_at > at:
        raise CastingRefusal("The time it was found lies in the future.", code="future", field="found_at")
    if found_at < cast.poured_at:
        raise CastingRefusal(f"{cast} was not yet poured then.", code="before-pour", field="found_at")
    nonconformity = Nonconformity.objects.create(
        kit=cast.kit,
        code=next_code(Nonconformity, cast.kit, "N"),
        cast=cast,
        what=what.strip(),
        found_by=by,
        found_at=found_at,
    )
    apart = ""
    if segregate and cast.standing in CAN_BE_SEGREGATED:
        place = place.strip() or cast.place
        Cast.objects.filter(pk=cast.pk, standing=cast.standing).update(standing=Standing.SEGREGATED, place=place)
        cast.standing, cast.place = Standing.SEGREGATED, place
        apart = f" Segregated{f', {place}' if place else ''}."
    record(by, "nonconformity.reported", nonconformity, f"{nonconformity} on {cast}: {what.strip()}{apart}", at=at)
    return nonconformity


@transaction.atomic
def decide_nonconformity(
    nonconformity: Nonconformity,
    *,
    by: AbstractUser,
    disposition: str,
    correction: str = "",
    corrective_action: str = "",
    at: datetime | None = None,
) -> Nonconformity:
    """Say what becomes of it. Rework and repair need the correction in words; scrap takes the cast out for good; use
    as is stands only with a concession on the gate of its revision."""
    at = at or timezone.now()
    cast = nonconformity.cast
    if disposition not in Disposition.values:
        raise CastingRefusal("Choose what becomes of it.", code="no-disposition", field="disposition")
    if disposition in (Disposition.REWORK, Disposition.REPAIR) and not correction.strip():
        raise CastingRefusal("Say what was done to this piece.", code="no-correction", field="correction")
    if disposition == Disposition.SCRAP and cast.standing == Standing.INSTALLED:
        raise CastingRefusal(
            f"{cast} is installed. Log it taken out before you scrap it.", code="installed", field="disposition"
        )
    changes = {
        "disposition": disposition,
        "correction": correction.strip(),
        "corrective_action": corrective_action.strip(),
        "decided_by": by,
        "decided_at": at,
    }
    if Nonconformity.objects.filter(pk=nonconformity.pk, disposition="").update(**changes) != 1:
        raise CastingRefusal(f"{nonconformity} was decided already. Nothing was changed.", code="decided")
    for name, value in changes.items():
        setattr(nonconformity, name, value)
    if disposition == Disposition.SCRAP:
        Cast.objects.filter(pk=cast.pk).update(standing=Standing.SCRAPPED)
        cast.standing = Standing.SCRAPPED
    record(by, "nonconformity.decided", nonconformity, _sentence(nonconformity), at=at)
    return nonconformity


def _sentence(nonconformity: Nonconformity) -> str:
    done = f" {nonconformity.correction}" if nonconformity.correction else ""
    match nonconformity.disposition:
        case Disposition.SCRAP:
            becomes = f"scrap. {nonconformity.cast} may not be used."
        case Disposition.USE_AS_IS:
            becomes = "use as is. This needs a concession before it counts."
        case other:
            becomes = f"{other}."
    return f"{nonconformity} on {nonconformity.cast} decided: {becomes}{done}"
