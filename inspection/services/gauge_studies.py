"""Planning and running gauge studies. Readings are taken one by one; the last one completes the study."""

import secrets
from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal

from django.contrib.auth.models import AbstractUser
from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from casting.models import Cast
from inspection.errors import InspectionRefusal
from inspection.gauge_models import GaugeStudy, GaugeStudyAppraiser, GaugeStudyPart, GaugeStudyReading
from inspection.gauge_results import result_of
from inspection.models import Instrument
from inspection.run_order import run_order
from logbook.services import record
from metrology import VERSION
from metrology.calculations.running import plain
from metrology.wording import NBSP, count
from parts.limits import shown
from parts.models import Characteristic, Kit
from parts.numbering import next_code

from .measurements import feeds_from_scan, slip

State = GaugeStudy.State
MOST_READINGS = 600
OPEN = (State.PLANNED, State.RUNNING)


@transaction.atomic
def plan_gauge_study(
    kit: Kit,
    *,
    instrument: Instrument,
    parts: Sequence[str],
    appraisers: Sequence[AbstractUser],
    repeats: int,
    by: AbstractUser,
    characteristic: Characteristic | None = None,
    what: str = "",
    tolerance: Decimal | None = None,
    seed: int | None = None,
    at: datetime | None = None,
) -> GaugeStudy:
    """A study with its run order drawn. parts: serials of casts, or any marks. seed: drawn by lot when not given.

    Refuses what a hand instrument cannot read, another unit, no name for what is read, too few or too many parts,
    people or readings, and a part or a person named twice.
    """
    at = at or timezone.now()
    labels = [label.strip() for label in parts if label.strip()]
    _refuse_subject(instrument, characteristic, what)
    _refuse_size(labels, list(appraisers), repeats)
    study = GaugeStudy.objects.create(
        kit=kit,
        code=next_code(GaugeStudy, kit, "GS"),
        instrument=instrument,
        characteristic=characteristic,
        what=what.strip() or (characteristic.name if characteristic else ""),
        unit=instrument.unit,
        tolerance=None if characteristic else tolerance,
        repeats=repeats,
        # Below 2⁵³, so that any program reads it as it is.
        seed=secrets.randbelow(2**53) if seed is None else seed,
        planned_at=at,
        planned_by=by,
    )
    casts = {cast.serial: cast for cast in Cast.objects.filter(kit=kit, serial__in=labels)}
    placed = GaugeStudyPart.objects.bulk_create(
        GaugeStudyPart(study=study, place=i, label=label, cast=casts.get(label)) for i, label in enumerate(labels, 1)
    )
    people = GaugeStudyAppraiser.objects.bulk_create(
        GaugeStudyAppraiser(study=study, place=i, person=person) for i, person in enumerate(appraisers, 1)
    )
    GaugeStudyReading.objects.bulk_create(
        GaugeStudyReading(study=study, order=i, part=placed[part], appraiser=people[person], repeat=repeat + 1)
        for i, (part, person, repeat) in enumerate(run_order(len(placed), len(people), repeats, study.seed), 1)
    )
    said = (
        f"Gauge study {study} of {instrument} planned: {study.what}, {count(len(placed), 'part')}, "
        f"{count(len(people), 'appraiser')}, {count(repeats, 'reading')} each."
    )
    record(by, "gauge-study.planned", study, said, details={"seed": study.seed, "parts": labels}, at=at)
    return study


@transaction.atomic
def take_reading(
    reading: GaugeStudyReading, *, value: Decimal, by: AbstractUser, at: datetime | None = None
) -> GaugeStudyReading:
    """One reading of the run order. The last one completes the study and keeps its figures.

    Refuses a study that is over, a reading that was taken before or is not its appraiser's next, and a value that is
    off by a decimal point or a unit.
    """
    at = at or timezone.now()
    study = _locked(reading.study_id)
    _refuse_closed(study)
    reading = GaugeStudyReading.objects.select_related("part", "appraiser__person").get(pk=reading.pk)
    if reading.value is not None or reading.withdrawn_at:
        raise InspectionRefusal(f"Reading {reading.order} is already taken. Go on with the next.", code="taken")
    before = _to_take(study).filter(appraiser=reading.appraiser, order__lt=reading.order)
    if before.exists():
        raise InspectionRefusal("Another part comes first in the run order. Read that one.", code="not-next")
    if study.characteristic and (meant := slip(study.characteristic, value)) is not None:
        unit = "" if study.unit == "1" else f"{NBSP}{study.unit}"
        raise InspectionRefusal(
            f"{shown(value)}{unit} is off by its decimal point or its unit. Did you mean "
            f"{shown(meant.quantize(Decimal('0.0001')))}{unit}?",
            code="slip",
            field="value",
        )
    changed = GaugeStudyReading.objects.filter(pk=reading.pk, value__isnull=True).update(
        value=value, read_at=at, entered_by=by
    )
    if changed != 1:
        raise InspectionRefusal(f"Reading {reading.order} is already taken. Go on with the next.", code="taken")
    reading.value, reading.read_at, reading.entered_by = value, at, by
    record(
        by, "gauge-study.read", study,
        f"Gauge study {study}: reading {reading.order}, {reading.part} read by {reading.appraiser}.",
        details={"order": reading.order, "value": str(value)}, at=at,
    )  # fmt: skip
    if _to_take(study).exists():
        GaugeStudy.objects.filter(pk=study.pk, state=State.PLANNED).update(state=State.RUNNING)
    else:
        _complete(study, by, at)
    return reading


@transaction.atomic
def withdraw_reading(
    reading: GaugeStudyReading, *, reason: str, by: AbstractUser, at: datetime | None = None
) -> GaugeStudyReading:
    """Take a reading out of the study; the part is read again at the end of the run order. Returns the new reading.

    Refuses a reading that was not taken, and a study that is withdrawn. A complete study is open again.
    """
    at = at or timezone.now()
    study = _locked(reading.study_id)
    if study.state == State.WITHDRAWN:
        raise InspectionRefusal(f"{study} is withdrawn. Nothing of it counts.", code="withdrawn")
    changed = GaugeStudyReading.objects.filter(
        pk=reading.pk, value__isnull=False, withdrawn_at__isnull=True
    ).update(withdrawn_at=at, withdrawn_by=by, withdrawn_why=reason.strip())  # fmt: skip
    if changed != 1:
        raise InspectionRefusal("Only a reading that counts can be withdrawn.", code="not-counting")
    last = study.readings.aggregate(last=Max("order"))["last"]
    again = GaugeStudyReading.objects.create(
        study=study,
        order=last + 1,
        part_id=reading.part_id,
        appraiser_id=reading.appraiser_id,
        repeat=reading.repeat,
    )
    GaugeStudy.objects.filter(pk=study.pk).update(
        state=State.RUNNING, completed_at=None, grr=None, figures={}, code_version=""
    )
    said = f"Gauge study {study}: reading {reading.order} withdrawn, to be read again: {reason.strip()}"
    record(by, "gauge-study.reading-withdrawn", study, said, details={"order": reading.order}, at=at)
    return again


@transaction.atomic
def withdraw_gauge_study(study: GaugeStudy, *, reason: str, by: AbstractUser, at: datetime | None = None) -> GaugeStudy:
    """Nothing of it counts any more; its readings stay on record. Refuses one that is withdrawn already."""
    at = at or timezone.now()
    study = _locked(study.pk)
    changed = GaugeStudy.objects.filter(pk=study.pk).exclude(state=State.WITHDRAWN).update(
        state=State.WITHDRAWN, withdrawn_at=at, withdrawn_why=reason.strip()
    )  # fmt: skip
    if changed != 1:
        raise InspectionRefusal(f"{study} is withdrawn already.", code="withdrawn")
    record(by, "gauge-study.withdrawn", study, f"Gauge study {study} withdrawn: {reason.strip()}", at=at)
    study.refresh_from_db()
    return study


def _complete(study: GaugeStudy, by: AbstractUser, at: datetime) -> None:
    result = result_of(study)
    changed = GaugeStudy.objects.filter(pk=study.pk, state__in=OPEN).update(
        state=State.COMPLETE, completed_at=at, grr=result.grr, figures=plain(result), code_version=VERSION
    )
    if changed != 1:
        raise InspectionRefusal(f"{study} was closed meanwhile. Open it again.", code="closed")
    record(
        by, "gauge-study.completed", study, f"Gauge study {study} complete. {result.sentence}",
        details={"grr": result.grr}, at=at,
    )  # fmt: skip


def _locked(pk: int) -> GaugeStudy:
    return (
        GaugeStudy.objects.select_for_update(of=("self",))
        .select_related("kit", "instrument__kit", "characteristic__revision__component__kit")
        .get(pk=pk)
    )


def _to_take(study: GaugeStudy):
    return study.readings.filter(value__isnull=True, withdrawn_at__isnull=True)


def _refuse_closed(study: GaugeStudy) -> None:
    if study.state not in OPEN:
        raise InspectionRefusal(f"{study} is {study.get_state_display()}: no reading is wanted.", code="closed")


def _refuse_subject(instrument: Instrument, characteristic: Characteristic | None, what: str) -> None:
    if characteristic is None:
        if not what.strip():
            raise InspectionRefusal("Name what is read, or choose a characteristic.", code="no-subject", field="what")
        return
    if feeds_from_scan(characteristic) or characteristic.method == Characteristic.Method.GAUGE:
        raise InspectionRefusal(
            f"{characteristic} is not read as a value by hand. Choose another.", code="no-value", field="characteristic"
        )
    if characteristic.unit != instrument.unit:
        raise InspectionRefusal(
            f"{instrument.code} measures in {instrument.get_unit_display()}, {characteristic.name} is in "
            f"{characteristic.get_unit_display()}. Choose another instrument.",
            code="other-unit",
            field="instrument",
        )


def _refuse_size(labels: list[str], appraisers: list[AbstractUser], repeats: int) -> None:
    twice = next((label for i, label in enumerate(labels) if label in labels[:i]), None)
    if twice:
        raise InspectionRefusal(f"{twice} is named twice. Leave one out.", code="part-twice", field="parts")
    if len({person.pk for person in appraisers}) != len(appraisers):
        raise InspectionRefusal("Somebody is named twice. Leave one out.", code="person-twice", field="appraisers")
    if len(labels) < 2:
        raise InspectionRefusal("Name two parts or more; ten are usual.", code="too-few-parts", field="parts")
    if not appraisers:
        raise InspectionRefusal("Choose who reads.", code="no-appraiser", field="appraisers")
    if repeats < 2 and len(appraisers) < 2:
        raise InspectionRefusal(
            "One person must read each part twice or more.", code="too-few-readings", field="repeats"
        )
    if repeats < 1:
        raise InspectionRefusal("Each part is read once or more.", code="too-few-readings", field="repeats")
    if len(labels) * len(appraisers) * repeats > MOST_READINGS:
        raise InspectionRefusal(
            f"That is more than {MOST_READINGS} readings. Take fewer parts or people.", code="too-many", field="parts"
        )
