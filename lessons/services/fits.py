"""Fit checks: a gap measured between two parts in a trial, judged against its limits at the size of the mock-up."""

from datetime import datetime
from decimal import Decimal

from django.contrib.auth.models import AbstractUser
from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from inspection.models import Instrument
from lessons.errors import LessonsRefusal
from lessons.models import FitCheck, Trial, TrialPiece
from logbook.services import record
from metrology.closure.gap import Fit, judge_gap
from metrology.errors import InputError
from metrology.wording import NBSP
from parts.limits import shown
from parts.models import Characteristic, Interface
from parts.saving import save_checked

from .trials import refuse_ended

STORED = Decimal("0.000001")


def judge(
    trial: Trial,
    interface: Interface,
    gap: Decimal,
    *,
    instrument: Instrument | None = None,
    uncertainty: Decimal | None = None,
) -> tuple[Fit, Decimal]:
    """What a gap says, mm as measured, and the U that it was judged with.

    The interface's limits are full size; on a 1 : n model they are divided by n. Refuses a measurement without U, with
    both an instrument and another U, an instrument that does not measure mm, and a U of nothing.
    """
    sure = _uncertainty(instrument, uncertainty)
    lower, upper = (None if limit is None else float(limit) for limit in (interface.lower, interface.upper))
    try:
        return judge_gap(float(gap), lower, upper, float(sure), float(trial.mockup.scale)), sure
    except InputError as fault:
        raise LessonsRefusal(fault.sentence, code=fault.code, field="gap") from None


@transaction.atomic
def log_fit_check(
    trial: Trial,
    interface: Interface,
    *,
    gap: Decimal,
    where: str = "",
    instrument: Instrument | None = None,
    uncertainty: Decimal | None = None,
    by: AbstractUser,
    at: datetime | None = None,
) -> FitCheck:
    """A gap measured in a running trial, mm on the mock-up itself; below zero is an overlap.

    The limits are frozen as they are now, at the size of the mock-up. instrument: its U is the guard band; without
    one give `uncertainty`, the expanded U in mm. Refuses an interface of which no part stands in the trial.
    """
    at = at or timezone.now()
    refuse_ended(trial)
    _refuse_absent(trial, interface)
    fit, sure = judge(trial, interface, gap, instrument=instrument, uncertainty=uncertainty)
    check = FitCheck(
        trial=trial,
        interface=interface,
        where=where.strip(),
        gap=gap,
        lower=_stored(fit.lower),
        upper=_stored(fit.upper),
        instrument=instrument,
        uncertainty=sure,
        result=fit.conformity.result,
        measured_at=at,
        measured_by=by,
    )
    save_checked(check)
    place = f" at {check.where}" if check.where else ""
    details = {"gap": shown(gap), "U": shown(sure), "limits": [str(check.lower), str(check.upper)]}
    sentence = f"Trial {trial}, {interface}{place}: {fit.sentence}"
    record(by, "trial.fit-checked", trial, sentence, details=details, at=at)
    return check


@transaction.atomic
def take_out_fit_check(check: FitCheck, *, reason: str, by: AbstractUser, at: datetime | None = None) -> Trial:
    """A reading entered by mistake, taken out while the trial is under way. The logbook keeps it with the reason."""
    trial = check.trial
    refuse_ended(trial)
    if not reason.strip():
        raise LessonsRefusal("Say why it is taken out.", code="no-text", field="reason")
    place = f" at {check.where}" if check.where else ""
    sentence = (
        f"Trial {trial}, {check.interface}{place}: gap of {shown(check.gap)}{NBSP}mm ({check.result}) taken out. "
        f"{reason.strip()}"
    )
    check.delete()
    record(by, "trial.fit-check-taken-out", trial, sentence, at=at)
    return trial


def _uncertainty(instrument: Instrument | None, uncertainty: Decimal | None) -> Decimal:
    if instrument is None:
        if uncertainty is None:
            raise LessonsRefusal(
                "Say what it was measured with, or give its U: without one nobody can tell how sure the gap is.",
                code="no-uncertainty",
                field="instrument",
            )
        if uncertainty <= 0:
            raise LessonsRefusal(
                "Nothing measures without uncertainty. Give U above zero, such as half a division of the scale.",
                code="no-uncertainty",
                field="uncertainty",
            )
        return uncertainty
    if instrument.unit != Characteristic.Unit.MM:
        raise LessonsRefusal(
            f"{instrument.code} does not measure in mm. Choose another instrument.",
            code="other-unit",
            field="instrument",
        )
    if uncertainty is not None and uncertainty != instrument.uncertainty:
        raise LessonsRefusal(
            f"U of {instrument.code} is {shown(instrument.uncertainty)}{NBSP}mm. Leave U empty, or choose no "
            "instrument.",
            code="two-uncertainties",
            field="uncertainty",
        )
    if instrument.uncertainty <= 0:
        raise LessonsRefusal(
            f"{instrument.code} has no U on record. Enter its U first, or choose another instrument.",
            code="no-uncertainty",
            field="instrument",
        )
    return instrument.uncertainty


def _refuse_absent(trial: Trial, interface: Interface) -> None:
    if interface.kit_id != trial.kit_id:
        raise LessonsRefusal(f"{interface.code} belongs to another kit.", code="other-kit", field="interface")
    present = Q(revision__component=interface.component_a_id) | Q(revision__component=interface.component_b_id)
    if not TrialPiece.objects.filter(present, trial=trial).exists():
        raise LessonsRefusal(
            f"No piece of {interface.code} {interface.name} stands in this trial. Add the piece first.",
            code="not-present",
            field="interface",
        )


def _stored(limit: float | None) -> Decimal | None:
    return None if limit is None else Decimal(repr(limit)).quantize(STORED)
