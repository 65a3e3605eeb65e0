"""Instruments with their expanded uncertainty U and the factor k behind it."""

from datetime import date, datetime
from decimal import Decimal

from django.contrib.auth.models import AbstractUser
from django.db import transaction

from inspection.errors import InspectionRefusal
from inspection.models import Instrument
from logbook.services import record
from metrology.wording import NBSP, day
from parts.limits import shown
from parts.models import Kit
from parts.numbering import next_code
from parts.saving import change, in_words


@transaction.atomic
def add_instrument(
    kit: Kit,
    *,
    by: AbstractUser,
    name: str,
    kind: str,
    uncertainty: Decimal,
    code: str = "",
    unit: str = "mm",
    coverage_factor: Decimal | int = 2,
    basis: str = "",
    calibrated_on: date | None = None,
    due_on: date | None = None,
    at: datetime | None = None,
) -> Instrument:
    """An instrument to measure with. Refuses a code in use, a negative U, a k below 1, and a calibration that falls due
    before it was made."""
    code = code.strip() or next_code(Instrument, kit, "G")
    if Instrument.objects.filter(kit=kit, code__iexact=code).exists():
        raise InspectionRefusal(
            f"{code} is already an instrument of this kit. Choose another code.", code="code-taken", field="code"
        )
    _refuse_figures(uncertainty, coverage_factor, calibrated_on, due_on)
    instrument = Instrument.objects.create(
        kit=kit,
        code=code,
        name=name.strip(),
        kind=kind,
        unit=unit,
        uncertainty=uncertainty,
        coverage_factor=coverage_factor,
        basis=basis.strip(),
        calibrated_on=calibrated_on,
        due_on=due_on,
    )
    record(by, "instrument.added", instrument, f"Instrument {_said(instrument)} added.", at=at)
    return instrument


@transaction.atomic
def change_instrument(
    instrument: Instrument,
    *,
    by: AbstractUser,
    name: str,
    uncertainty: Decimal,
    coverage_factor: Decimal | int,
    basis: str = "",
    calibrated_on: date | None = None,
    due_on: date | None = None,
    at: datetime | None = None,
) -> Instrument:
    """A new calibration or a better name. Measurements keep the U that they were made with."""
    _refuse_figures(uncertainty, coverage_factor, calibrated_on, due_on)
    if uncertainty != instrument.uncertainty and not basis.strip():
        raise InspectionRefusal("Say what the new U rests on.", code="no-basis", field="basis")
    changed = change(
        instrument,
        {
            "name": name.strip(),
            "uncertainty": uncertainty,
            "coverage_factor": coverage_factor,
            "basis": basis.strip(),
            "calibrated_on": calibrated_on,
            "due_on": due_on,
        },
    )
    if not changed:
        raise InspectionRefusal("Nothing was changed.", code="unchanged")
    details = {column: [str(value or "") for value in both] for column, both in changed.items()}
    said = f"Instrument {_said(instrument)}: {in_words(instrument, changed)} changed."
    record(by, "instrument.changed", instrument, said, details=details, at=at)
    return instrument


def _refuse_figures(
    uncertainty: Decimal, coverage_factor: Decimal | int, calibrated_on: date | None, due_on: date | None
) -> None:
    if uncertainty < 0:
        raise InspectionRefusal("U cannot be negative.", code="uncertainty", field="uncertainty")
    if coverage_factor < 1:
        raise InspectionRefusal("k is 1 or more; 2 is usual.", code="coverage-factor", field="coverage_factor")
    if calibrated_on and due_on and due_on <= calibrated_on:
        raise InspectionRefusal(
            f"It was calibrated on {day(calibrated_on)}; the next one cannot be due before that.",
            code="due-before",
            field="due_on",
        )


def _said(instrument: Instrument) -> str:
    unit = "" if instrument.unit == "1" else f"{NBSP}{instrument.unit}"
    k = shown(Decimal(instrument.coverage_factor))
    return f"{instrument}, sure to {shown(instrument.uncertainty)}{unit} (k = {k})"
