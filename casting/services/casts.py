"""The life of one cast: poured, demoulded, put right on paper, moved."""

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from django.contrib.auth.models import AbstractUser
from django.db import IntegrityError, transaction
from django.utils import timezone

from casting.errors import CastingRefusal
from casting.hooks import first_stop
from casting.models import Batch, Cast, Mould
from casting.moments import local_day, said
from casting.serials import propose_serial
from logbook.services import record
from metrology.wording import NBSP, day
from parts.models import Revision

from .making import log_batch

Standing = Cast.Standing
CASTABLE = (Revision.State.ON_TRIAL, Revision.State.PUT_FORWARD, Revision.State.BUILDABLE)


@dataclass(frozen=True)
class NewBatch:
    """A batch logged together with the first cast from it; mixed when that cast is poured."""

    mix_design: str
    water_binder: Decimal | None = None
    slump: Decimal | None = None
    air_temperature: Decimal | None = None


@transaction.atomic
def log_cast(
    revision: Revision,
    *,
    by: AbstractUser,
    poured_at: datetime,
    mould: Mould | None = None,
    batch: Batch | NewBatch | None = None,
    serial: str = "",
    mass: Decimal | None = None,
    defects: str = "",
    place: str = "",
    at: datetime | None = None,
) -> Cast:
    """A piece poured to a revision. No serial given: the next one is taken.

    Refuses a serial in use (large and small letters alike), a pour in the future, a mould that is not for this
    component or not in use, a batch mixed after the pour, and a revision that nobody may cast to.
    """
    at = at or timezone.now()
    component = revision.component
    kit = component.kit
    _refuse_revision(revision, poured_at)
    if poured_at > at:
        raise CastingRefusal("The time of the pour lies in the future.", code="future", field="poured_at")
    _refuse_mould(revision, mould, poured_at)
    if isinstance(batch, NewBatch):
        batch = log_batch(kit, by=by, mixed_at=poured_at, at=at, **vars(batch))
    _refuse_batch(kit, batch, poured_at)
    if stop := first_stop(revision, mould, batch):
        raise CastingRefusal(stop, code="stopped")
    if mass is not None and mass <= 0:
        raise CastingRefusal("A mass must be more than nothing. Leave it empty if not weighed.", code="mass",
                             field="mass")  # fmt: skip
    serial = serial.strip() or propose_serial(component)
    _refuse_serial(revision, serial)
    try:
        with transaction.atomic():
            cast = Cast.objects.create(
                kit=kit,
                revision=revision,
                mould=mould,
                batch=batch,
                serial=serial,
                poured_at=poured_at,
                mass=mass,
                defects=defects.strip(),
                place=place.strip(),
                logged_by=by,
                logged_at=at,
            )
    except IntegrityError:  # somebody took the serial between the look and the write
        raise _serial_taken(revision, serial, "") from None
    made = "".join([f" in mould {mould}" if mould else "", f" from batch {batch}" if batch else ""])
    record(by, "cast.logged", cast, f"{serial} poured to {revision}{made}, {said(kit, poured_at)}.", at=at)
    return cast


@transaction.atomic
def log_demould(
    cast: Cast,
    *,
    by: AbstractUser,
    demoulded_at: datetime,
    mass: Decimal | None = None,
    defects: str = "",
    place: str = "",
    at: datetime | None = None,
) -> Cast:
    """Out of the mould and curing. Refuses a second demoulding, one before the pour, one in the future."""
    at = at or timezone.now()
    kit = cast.kit
    if cast.demoulded_at:
        raise CastingRefusal(
            f"{cast} was demoulded {said(kit, cast.demoulded_at)} already.", code="demoulded", field="demoulded_at"
        )
    if cast.standing == Standing.SCRAPPED:
        raise CastingRefusal(f"{cast} was scrapped.", code="scrapped")
    if demoulded_at < cast.poured_at:
        raise CastingRefusal(
            f"{cast} was poured {said(kit, cast.poured_at)}; it cannot leave the mould before that.",
            code="before-pour",
            field="demoulded_at",
        )
    if demoulded_at > at:
        raise CastingRefusal(
            "The time of demoulding lies in the future. Log it when it is done.", code="future", field="demoulded_at"
        )
    changes = {"demoulded_at": demoulded_at, **_written(cast, mass, defects, place)}
    if cast.standing == Standing.IN_MOULD:
        changes["standing"] = Standing.CURING
    _change(cast, {"demoulded_at": None}, changes)
    hours = (demoulded_at - cast.poured_at).total_seconds() / 3600
    seen = f" Seen: {cast.defects}" if cast.defects else ""
    record(by, "cast.demoulded", cast, f"{cast} demoulded {said(kit, demoulded_at)}, after {hours:.0f}{NBSP}h.{seen}",
           at=at)  # fmt: skip
    return cast


@transaction.atomic
def correct_cast(
    cast: Cast,
    *,
    by: AbstractUser,
    mass: Decimal | None,
    defects: str,
    place: str,
    at: datetime | None = None,
) -> Cast:
    """Put right the mass, the defects seen or the place. The logbook keeps what was written before."""
    if mass is not None and mass <= 0:
        raise CastingRefusal("A mass must be more than nothing. Leave it empty if not weighed.", code="mass",
                             field="mass")  # fmt: skip
    new = {"mass": mass, "defects": defects.strip(), "place": place.strip()}
    changed = {name: value for name, value in new.items() if value != getattr(cast, name)}
    if not changed:
        raise CastingRefusal("Nothing was changed.", code="unchanged")
    before = {name: getattr(cast, name) for name in changed}
    Cast.objects.filter(pk=cast.pk).update(**changed)
    words = {"mass": "mass", "defects": "defects seen", "place": "place"}
    said_changes = "; ".join(
        f"{words[name]} {_shown(name, before[name])} → {_shown(name, value)}" for name, value in changed.items()
    )
    for name, value in changed.items():
        setattr(cast, name, value)
    details = {name: [str(before[name] or ""), str(value or "")] for name, value in changed.items()}
    record(by, "cast.corrected", cast, f"{cast} corrected: {said_changes}.", details=details, at=at)
    return cast


@transaction.atomic
def move_cast(cast: Cast, *, to: str, by: AbstractUser, place: str = "", at: datetime | None = None) -> Cast:
    """Say where a cast stands now. Refuses what is still in the mould, what was scrapped, and a cast with an open
    nonconformity on its way to a site."""
    old = cast.standing
    if old == Standing.SCRAPPED:
        raise CastingRefusal(f"{cast} was scrapped and stays so.", code="scrapped", field="standing")
    if to == Standing.SCRAPPED:
        raise CastingRefusal(
            "Scrapping is decided on a nonconformity. Report one first.", code="needs-decision", field="standing"
        )
    if to == Standing.IN_MOULD:
        raise CastingRefusal("A cast does not go back into its mould.", code="in-mould", field="standing")
    if not cast.demoulded_at:
        raise CastingRefusal(f"{cast} is still in the mould. Log its demoulding first.", code="in-mould",
                             field="standing")  # fmt: skip
    if to in (Standing.ON_SITE, Standing.INSTALLED):
        open_ones = list(cast.nonconformities.filter(disposition="").values_list("code", flat=True))
        if open_ones:
            raise CastingRefusal(
                f"{cast} has an open nonconformity, {open_ones[0]}. It stays here until that is decided.",
                code="open-nonconformity",
                field="standing",
            )
    if to == old and place.strip() == cast.place:
        raise CastingRefusal(f"{cast} already stands there.", code="unchanged", field="standing")
    _change(cast, {"standing": old}, {"standing": to, "place": place.strip()})
    where = f", {cast.place}" if cast.place else ""
    record(by, "cast.moved", cast, f"{cast}: {cast.get_standing_display()}{where}.", at=at)
    return cast


def _refuse_revision(revision: Revision, poured_at: datetime) -> None:
    if revision.state in CASTABLE:
        return
    if revision.state == Revision.State.IN_PREPARATION:
        raise CastingRefusal(
            f"{revision} is still in preparation. Put it on trial before you cast to it.",
            code="in-preparation",
            field="revision",
        )
    # A piece poured before that moment may still be logged late: what was done is never kept out of the record.
    if poured_at >= revision.state_since:
        since = day(local_day(revision.component.kit, revision.state_since))
        raise CastingRefusal(
            f"{revision} is {revision.get_state_display()} since {since}. Cast to a later revision.",
            code="not-castable",
            field="revision",
        )


def _refuse_mould(revision: Revision, mould: Mould | None, poured_at: datetime) -> None:
    if not mould:
        return
    if mould.component_id != revision.component_id:
        raise CastingRefusal(
            f"{mould} is a mould of {mould.component.part_number}. Choose one of {revision.component.part_number}.",
            code="other-component",
            field="mould",
        )
    if mould.state != Mould.State.IN_USE:
        way_out = "Choose another mould." if mould.state == Mould.State.RETIRED else "Put it back in use first."
        raise CastingRefusal(
            f"{mould} is {mould.get_state_display()}. {way_out}", code="mould-not-in-use", field="mould"
        )
    if local_day(mould.kit, poured_at) < mould.made_on:
        raise CastingRefusal(
            f"{mould} was made on {day(mould.made_on)}, after this pour.", code="before-mould", field="poured_at"
        )


def _refuse_batch(kit, batch: Batch | None, poured_at: datetime) -> None:
    if not batch:
        return
    if batch.kit_id != kit.pk:
        raise CastingRefusal(f"{batch} is a batch of another kit.", code="other-kit", field="batch")
    if batch.mixed_at > poured_at:
        raise CastingRefusal(
            f"{batch} was mixed {said(kit, batch.mixed_at)}, after this pour. Check both times.",
            code="before-mixing",
            field="poured_at",
        )


def _refuse_serial(revision: Revision, serial: str) -> None:
    other = Cast.objects.filter(kit=revision.component.kit, serial__iexact=serial).select_related("kit").first()
    if other:
        raise _serial_taken(revision, other.serial, f", poured {said(other.kit, other.poured_at)}")


def _serial_taken(revision: Revision, serial: str, when: str) -> CastingRefusal:
    free = propose_serial(revision.component)
    return CastingRefusal(
        f"{serial} is on another cast already{when}. The next free serial is {free}.",
        code="serial-taken",
        field="serial",
    )


def _written(cast: Cast, mass: Decimal | None, defects: str, place: str) -> dict:
    """Only what was written now; what the cast already carries stays when a field is left empty."""
    if mass is not None and mass <= 0:
        raise CastingRefusal("A mass must be more than nothing. Leave it empty if not weighed.", code="mass",
                             field="mass")  # fmt: skip
    given = {"mass": mass, "defects": defects.strip(), "place": place.strip()}
    return {name: value for name, value in given.items() if value not in (None, "")}


def _change(cast: Cast, expected: dict, changes: dict) -> None:
    if Cast.objects.filter(pk=cast.pk, **expected).update(**changes) != 1:
        raise CastingRefusal(
            f"{cast} was changed by somebody else just now. Look again before you change it.", code="changed"
        )
    for name, value in changes.items():
        setattr(cast, name, value)


def _shown(name: str, value) -> str:
    if value in (None, ""):
        return "not weighed" if name == "mass" else "none"
    return f"{value}{NBSP}kg" if name == "mass" else f"“{value}”"
