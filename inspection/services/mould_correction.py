"""Comparing casts, working out a mould correction, logging the mould made from it, and asking what it brought."""

from datetime import date, datetime
from decimal import Decimal
from typing import Any

from django.contrib.auth.models import AbstractUser
from django.db import transaction
from django.utils import timezone

from casting.models import Mould
from casting.services import log_mould
from inspection.compared import Group, group_for
from inspection.errors import InspectionRefusal
from inspection.mould_models import CastsCompared, CorrectionEffect, MouldCorrection, Work
from inspection.services.scans import nominal_of, profile_of
from logbook.services import record
from metrology.wording import count, listed
from parts.models import Geometry, Revision
from parts.numbering import next_code

State = Work.State
UNDER_WAY = (State.WAITING, State.RUNNING)


@transaction.atomic
def compare_casts(
    revision: Revision, mould: Mould | None, *, by: AbstractUser, at: datetime | None = None
) -> CastsCompared:
    """Ask for the newest scans of all casts from a mould to be compared. mould: None for casts of no known mould.

    Refuses without a nominal, a profile or a scan that counts, and while the same casts are being compared.
    """
    at = at or timezone.now()
    nominal = _nominal(revision)
    group = group_for(revision, mould, nominal)
    _refuse_none(group)
    last = CastsCompared.objects.filter(revision=revision, mould=mould).order_by("-asked_at", "-pk").first()
    if last and last.state in UNDER_WAY and last.evidence == group.evidence:
        raise InspectionRefusal("These casts are being compared already.", code="under-way")
    row = CastsCompared.objects.create(
        revision=revision, mould=mould, nominal=nominal, evidence=group.evidence, asked_by=by, asked_at=at
    )
    record(by, "casts.compare-asked", row, f"Asked to compare the {row}: {_names(group)}.", at=at)
    _enqueue("compared", row)
    return row


@transaction.atomic
def work_out_correction(
    mould: Mould,
    revision: Revision,
    *,
    by: AbstractUser,
    smoothing: Decimal,
    most: Decimal,
    damping: Decimal = Decimal(100),
    by_scale: bool = True,
    pull: str = "",
    kind: str = "",
    serials: list[str] | None = None,
    at: datetime | None = None,
) -> MouldCorrection:
    """Ask for a correction of a mould to be worked out from its casts. smoothing, most: mm; damping: %. pull, kind: of
    the mould, unless given. serials: the casts to rest on; all that have a scan that counts when not given.

    Refuses without a nominal, a profile or a scan that counts, casts that have none, and settings out of range.
    """
    at = at or timezone.now()
    nominal = _nominal(revision)
    group = group_for(revision, mould, nominal)
    if serials is not None:
        known = {scan.cast.serial for scan in group.scans}
        if unknown := [serial for serial in serials if serial not in known]:
            raise InspectionRefusal(
                f"{listed(unknown)} cannot be compared: choose casts of {mould} with a scan that counts.",
                code="not-comparable",
                field="serials",
            )
        group.scans = [scan for scan in group.scans if scan.cast.serial in serials]
    _refuse_none(group, "serials")
    _refuse_settings(smoothing, most, damping)
    row = MouldCorrection.objects.create(
        kit=mould.kit,
        code=next_code(MouldCorrection, mould.kit, "MC"),
        revision=revision,
        mould=mould,
        nominal=nominal,
        evidence=group.evidence,
        smoothing=smoothing,
        most=most,
        damping=damping,
        by_scale=by_scale,
        pull=pull or mould.pull,
        kind=kind or mould.kind,
        asked_by=by,
        asked_at=at,
    )
    details = {"smoothing": str(smoothing), "most": str(most), "damping": str(damping), "pull": row.pull}
    said = f"Mould correction {row} of {mould} asked for, from {_names(group)}."
    record(by, "mould-correction.asked", row, said, details=details, at=at)
    _enqueue("correction", row)
    return row


@transaction.atomic
def log_mould_made(
    correction: MouldCorrection,
    *,
    by: AbstractUser,
    made_on: date,
    code: str = "",
    revision: Revision | None = None,
    note: str = "",
    at: datetime | None = None,
) -> MouldCorrection:
    """Log the mould that was made from a correction; it corrects the mould that the correction was worked out for.

    revision: that the new mould is made to, the correction's own unless given. Refuses a correction that is not done
    and one that a mould was made from already, and whatever `casting.services.log_mould` refuses.
    """
    at = at or timezone.now()
    if correction.state != State.DONE:
        raise InspectionRefusal(f"{correction} has not been worked out.", code="not-done")
    if correction.made_id:
        raise InspectionRefusal(f"{correction.made} was made from it already.", code="made-already")
    old = correction.mould
    scale = tuple(
        (Decimal(before) * Decimal(str(factor))).quantize(Decimal("0.00001"))
        for before, factor in zip((old.scale_x, old.scale_y, old.scale_z), correction.figures["factors"], strict=True)
    )
    words = f"Made from {correction}: surface changed by up to {correction.figures['largest']:.2f} mm. {note}"
    mould = log_mould(
        revision or correction.revision,
        by=by,
        made_on=made_on,
        code=code,
        kind=correction.kind,
        pull=correction.pull,
        scale=scale,
        corrects=old,
        correction=words.strip(),
        at=at,
    )
    if MouldCorrection.objects.filter(pk=correction.pk, made__isnull=True).update(made=mould) != 1:
        raise InspectionRefusal("Another mould was made from it just now.", code="made-already")
    correction.made = mould
    details = {"surface": correction.surface.sha256}
    record(by, "mould-correction.made", correction, f"Mould {mould} made from {correction}.", details=details, at=at)
    return correction


@transaction.atomic
def find_effect(correction: MouldCorrection, *, by: AbstractUser, at: datetime | None = None) -> CorrectionEffect:
    """Ask what a correction brought. Refuses before a mould was made from it, before a cast of that mould was scanned,
    and while it is being found."""
    at = at or timezone.now()
    if not correction.made_id:
        raise InspectionRefusal(f"No mould was made from {correction} yet. Log it first.", code="not-made")
    group = group_for(correction.made.revision, correction.made, correction.nominal)
    _refuse_none(group)
    last = correction.effects.order_by("-asked_at", "-pk").first()
    if last and last.state in UNDER_WAY:
        raise InspectionRefusal("It is being found already.", code="under-way")
    row = CorrectionEffect.objects.create(correction=correction, evidence=group.evidence, asked_by=by, asked_at=at)
    said = f"Asked what mould correction {correction} brought, from {_names(group)}."
    record(by, "mould-correction.effect-asked", correction, said, at=at)
    _enqueue("effect", row)
    return row


def _nominal(revision: Revision) -> Geometry:
    nominal = nominal_of(revision)
    if nominal is None:
        raise InspectionRefusal(f"{revision} has no nominal mesh on file.", code="no-nominal")
    if profile_of(revision) is None:
        raise InspectionRefusal(
            f"{revision} has no characteristic “profile of a surface” with two limits in mm.", code="no-profile"
        )
    return nominal


def _refuse_none(group: Group, field: str | None = None) -> None:
    if group.scans:
        return
    why = f" {group.left_out[0].scan.cast} is {group.left_out[0].why}." if group.left_out else ""
    whose = f"mould {group.mould}" if group.mould else "no known mould"
    raise InspectionRefusal(
        f"No cast from {whose} has a scan that can be compared.{why} Scan one, or choose casts.",
        code="no-casts",
        field=field,
    )


def _refuse_settings(smoothing: Decimal, most: Decimal, damping: Decimal) -> None:
    for value, field, words in (
        (smoothing, "smoothing", "The smoothing length must be more than 0 mm."),
        (most, "most", "The most to move in one step must be more than 0 mm."),
        (damping, "damping", "The share to take out must be more than 0 % and at most 100 %."),
    ):
        if value <= 0 or (field == "damping" and value > 100):
            raise InspectionRefusal(words, code=field, field=field)


def _names(group: Group) -> str:
    return f"{count(len(group.scans), 'cast')}, {listed([scan.cast.serial for scan in group.scans])}"


def _enqueue(which: str, row: Any) -> None:
    """The job is handed over once the row is there to be read."""
    from inspection import compared_job, correction_job

    enqueue = {
        "compared": compared_job.enqueue,
        "correction": correction_job.enqueue,
        "effect": correction_job.enqueue_effect,
    }[which]
    transaction.on_commit(lambda: enqueue(row.pk, row.attempt))
