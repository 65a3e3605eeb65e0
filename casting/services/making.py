"""What casts are made in and of: moulds, batches, strength tests of a batch."""

from datetime import date, datetime
from decimal import Decimal

from django.contrib.auth.models import AbstractUser
from django.db import transaction
from django.utils import timezone

from casting.errors import CastingRefusal
from casting.models import Batch, Mould, StrengthTest
from casting.moments import local_day, said
from logbook.services import record
from metrology.wording import NBSP, count, day
from parts.models import Kit, Revision
from parts.numbering import next_code


@transaction.atomic
def log_mould(
    revision: Revision,
    *,
    by: AbstractUser,
    made_on: date,
    code: str = "",
    kind: str = Mould.Kind.OPEN_FACE,
    pull: str = Mould.Pull.UP,
    scale: tuple[Decimal | float, Decimal | float, Decimal | float] = (1, 1, 1),
    corrects: Mould | None = None,
    correction: str = "",
    at: datetime | None = None,
) -> Mould:
    """A mould made to a revision. scale: what the pattern was enlarged by, forward, left, up.

    corrects: the mould before it, when this one was made to bring the next cast closer. Refuses a code in use, a scale
    of nothing, a day in the future, a correction of another component's mould.
    """
    at = at or timezone.now()
    component = revision.component
    kit = component.kit
    code = code.strip() or next_code(Mould, kit, "M")
    if Mould.objects.filter(kit=kit, code__iexact=code).exists():
        raise CastingRefusal(
            f"{code} is already a mould of this kit. Choose another code.", code="code-taken", field="code"
        )
    if min(scale) <= 0:
        raise CastingRefusal("A scale must be more than nothing; 1 is full size.", code="scale", field="scale_x")
    if made_on > local_day(kit, at):
        raise CastingRefusal("The day it was made lies in the future.", code="future", field="made_on")
    if corrects and corrects.component_id != component.pk:
        raise CastingRefusal(
            f"{corrects} is a mould of {corrects.component.part_number}, not of {component.part_number}.",
            code="other-component",
            field="corrects",
        )
    if corrects and not correction.strip():
        raise CastingRefusal(f"Say what was changed from {corrects}.", code="no-correction", field="correction")
    mould = Mould.objects.create(
        kit=kit,
        component=component,
        revision=revision,
        code=code,
        kind=kind,
        pull=pull,
        scale_x=scale[0],
        scale_y=scale[1],
        scale_z=scale[2],
        made_on=made_on,
        corrects=corrects,
        correction=correction.strip(),
    )
    after = f" It corrects {corrects}: {correction.strip()}" if corrects else ""
    record(by, "mould.logged", mould, f"Mould {code} made to {revision} on {day(made_on)}.{after}", at=at)
    return mould


@transaction.atomic
def change_mould_state(
    mould: Mould, *, to: str, by: AbstractUser, reason: str = "", at: datetime | None = None
) -> Mould:
    """In use, resting or retired. A retired mould stays retired: another is logged as its correction."""
    old = mould.state
    if to == old:
        raise CastingRefusal(f"{mould} is already {mould.get_state_display()}.", code="same-state", field="state")
    if old == Mould.State.RETIRED:
        raise CastingRefusal(
            f"{mould} is retired for good. Log the mould that replaces it instead.", code="retired", field="state"
        )
    if to == Mould.State.RETIRED and not reason.strip():
        raise CastingRefusal("Say why it is retired.", code="no-reason", field="reason")
    if Mould.objects.filter(pk=mould.pk, state=old).update(state=to) != 1:
        raise CastingRefusal(
            f"{mould} was changed by somebody else just now. Look again before you change it.", code="changed"
        )
    mould.state = to
    because = f": {reason.strip()}" if reason.strip() else "."
    record(by, "mould.state-changed", mould, f"Mould {mould} {mould.get_state_display()}{because}", at=at)
    return mould


@transaction.atomic
def log_batch(
    kit: Kit,
    *,
    by: AbstractUser,
    mix_design: str,
    mixed_at: datetime,
    code: str = "",
    water_binder: Decimal | None = None,
    slump: Decimal | None = None,
    air_temperature: Decimal | None = None,
    note: str = "",
    at: datetime | None = None,
) -> Batch:
    """One mix. Refuses a code in use, a time in the future, a water to binder ratio no mix can have."""
    at = at or timezone.now()
    code = code.strip() or next_code(Batch, kit, "B")
    if Batch.objects.filter(kit=kit, code__iexact=code).exists():
        raise CastingRefusal(
            f"{code} is already a batch of this kit. Choose another code.", code="code-taken", field="code"
        )
    if not mix_design.strip():
        raise CastingRefusal("Name the mix design.", code="no-mix", field="mix_design")
    if mixed_at > at:
        raise CastingRefusal("The time of mixing lies in the future.", code="future", field="mixed_at")
    if water_binder is not None and not 0 < water_binder <= 1:
        raise CastingRefusal(
            f"{water_binder} is not a ratio of water to binder. Give it by mass, as 0.42.",
            code="water-binder",
            field="water_binder",
        )
    batch = Batch.objects.create(
        kit=kit,
        code=code,
        mix_design=mix_design.strip(),
        mixed_at=mixed_at,
        mixed_by=by,
        water_binder=water_binder,
        slump=slump,
        air_temperature=air_temperature,
        note=note.strip(),
    )
    record(by, "batch.logged", batch, f"Batch {code} of {batch.mix_design} mixed {said(kit, mixed_at)}.", at=at)
    return batch


@transaction.atomic
def log_strength_test(
    batch: Batch,
    *,
    by: AbstractUser,
    label: str,
    strength: Decimal,
    tested_on: date,
    specimen: str = StrengthTest.Specimen.CYLINDER,
    at: datetime | None = None,
) -> StrengthTest:
    """One strength test of a batch, MPa; the age in days follows from the day of mixing.

    Refuses a label used before on this batch, a test before mixing or in the future, a strength of nothing.
    """
    at = at or timezone.now()
    mixed_on = local_day(batch.kit, batch.mixed_at)
    label = label.strip()
    if StrengthTest.objects.filter(batch=batch, label__iexact=label).exists():
        raise CastingRefusal(
            f"{label} was already tested on {batch}. Choose another label.", code="label-taken", field="label"
        )
    if strength <= 0:
        raise CastingRefusal("A strength must be more than nothing.", code="strength", field="strength")
    if tested_on < mixed_on:
        raise CastingRefusal(
            f"{batch} was mixed on {day(mixed_on)}; a test cannot come before that.",
            code="before-mixing",
            field="tested_on",
        )
    if tested_on > local_day(batch.kit, at):
        raise CastingRefusal("The day of the test lies in the future.", code="future", field="tested_on")
    test = StrengthTest.objects.create(
        batch=batch,
        specimen=specimen,
        label=label,
        age_days=(tested_on - mixed_on).days,
        strength=strength,
        tested_on=tested_on,
        logged_by=by,
        logged_at=at,
    )
    record(
        by, "strength.logged", test, f"{test.get_specimen_display().capitalize()} {label} of {batch} broke at "
        f"{strength}{NBSP}MPa after {count(test.age_days, 'day')}.", at=at,
    )  # fmt: skip
    return test
