"""Readings of characteristics by hand. A correction is a new reading; the old one stays, marked as replaced."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import ROUND_UP, Decimal
from functools import cached_property

from django.contrib.auth.models import AbstractUser
from django.db import transaction
from django.utils import timezone

from casting.models import Cast
from casting.moments import said
from inspection.errors import InspectionRefusal
from inspection.models import Instrument, Measurement, Result
from logbook.services import record
from metrology.statistics.conformity import Conformity, decide
from metrology.statistics.repeated import Repeated, repeated
from metrology.wording import NBSP, count
from parts.limits import shown
from parts.models import Characteristic

# Factors by which a value is off when its unit or its decimal point was mistaken.
SLIPS = [Decimal(10) ** power for power in (-3, -2, -1, 1, 2, 3)] + [Decimal("25.4"), 1 / Decimal("25.4")]
CLOSE = Decimal("0.05")
KEPT = Decimal("0.0001")
LARGEST_U = Decimal(10_000)


@dataclass(frozen=True)
class Reading:
    """One value of one characteristic, in its unit, as read on an instrument. repeats: the single readings that it is
    the mean of, two or more; empty for a value read once."""

    characteristic: Characteristic
    value: Decimal
    instrument: Instrument
    repeats: tuple[Decimal, ...] = ()

    @cached_property
    def summed_up(self) -> Repeated:
        """Mean, spread and expanded uncertainty of the readings."""
        single = self.repeats or (self.value,)
        u, k = float(self.instrument.uncertainty), float(self.instrument.coverage_factor)
        return repeated([float(one) for one in single], u, k)

    @property
    def uncertainty(self) -> Decimal:
        """Expanded U of the value: the instrument's own, and that of the spread when it was read more than once."""
        if not self.repeats:
            return Decimal(self.instrument.uncertainty)
        return Decimal(repr(self.summed_up.uncertainty)).quantize(KEPT, ROUND_UP)


def reading_of(characteristic: Characteristic, values: Sequence[Decimal], instrument: Instrument) -> Reading:
    """From one reading or more: their mean counts."""
    if len(values) == 1:
        return Reading(characteristic, values[0], instrument)
    return Reading(characteristic, (sum(values, Decimal(0)) / len(values)).quantize(KEPT), instrument, tuple(values))


def verdict(reading: Reading) -> Conformity:
    """What the value says, with the guard band of the instrument's U. Raises InspectionRefusal for what cannot be."""
    characteristic = reading.characteristic
    _refuse_unit(reading)
    _refuse_slip(characteristic, reading.repeats or (reading.value,))
    if reading.uncertainty >= LARGEST_U:
        raise InspectionRefusal(
            "The readings lie too far apart to be of one value. Check them.", code="far-apart",
            field=_value(characteristic),
        )  # fmt: skip
    lower, upper = (None if v is None else float(v) for v in (characteristic.lower, characteristic.upper))
    return decide(float(reading.value), lower, upper, float(reading.uncertainty))


@transaction.atomic
def record_measurement(
    cast: Cast,
    characteristic: Characteristic,
    *,
    value: Decimal,
    instrument: Instrument,
    by: AbstractUser,
    measured_at: datetime | None = None,
    at: datetime | None = None,
) -> Measurement:
    """One reading; see `record_measurements`."""
    reading = Reading(characteristic, value, instrument)
    return record_measurements(cast, [reading], by=by, measured_at=measured_at, at=at)[0]


@transaction.atomic
def record_measurements(
    cast: Cast,
    readings: Sequence[Reading],
    *,
    by: AbstractUser,
    measured_at: datetime | None = None,
    at: datetime | None = None,
) -> list[Measurement]:
    """Readings of one cast, all or none. A reading of a characteristic that has one already replaces it.

    Refuses another revision's characteristic, one that the scan feeds, an instrument of another unit, a value that is
    off by a decimal point or a unit, a time before the pour or in the future, and an empty sheet. The refusal's field
    is "value-<characteristic number>" or "instrument-<characteristic number>".
    """
    at = at or timezone.now()
    measured_at = measured_at or at
    if not readings:
        raise InspectionRefusal("No value was given. Fill in at least one.", code="empty")
    if measured_at > at:
        raise InspectionRefusal("The time of measuring lies in the future.", code="future", field="measured_at")
    if measured_at < cast.poured_at:
        raise InspectionRefusal(
            f"{cast} was poured {said(cast.kit, cast.poured_at)}; it cannot be measured before that.",
            code="before-pour",
            field="measured_at",
        )
    rows = []
    for reading in readings:
        characteristic = reading.characteristic
        if characteristic.revision_id != cast.revision_id:
            raise InspectionRefusal(f"{characteristic} belongs to another revision than {cast}.", code="other-revision")
        if feeds_from_scan(characteristic):
            raise InspectionRefusal(
                f"{characteristic} comes from the scan. Upload one.", code="from-scan", field=_value(characteristic)
            )
        rows.append(
            Measurement(
                cast=cast,
                characteristic=characteristic,
                value=reading.value,
                instrument=reading.instrument,
                readings=[str(one) for one in reading.repeats],
                uncertainty=reading.uncertainty,
                result=verdict(reading).result,
                measured_at=measured_at,
                measured_by=by,
            )
        )
    replaced = Measurement.objects.filter(
        cast=cast, characteristic__in=[row.characteristic for row in rows], scan__isnull=True, replaced=False
    )
    before = {row.characteristic_id: str(row.value) for row in replaced}
    replaced.update(replaced=True)
    Measurement.objects.bulk_create(rows)
    not_conforming = [row for row in rows if row.result != Result.CONFORMS]
    corrected = f", {len(before)} of them corrected" if before else ""
    outcome = f" {count(len(rows) - len(not_conforming), 'value')} conform." if not_conforming else " All conform."
    details = {
        str(row.characteristic.number): [before.get(row.characteristic_id, ""), str(row.value), row.result]
        for row in rows
    }
    record(
        by, "cast.measured", cast, f"{cast} measured: {count(len(rows), 'value')}{corrected}.{outcome}",
        details=details, at=at,
    )  # fmt: skip
    return rows


def feeds_from_scan(characteristic: Characteristic) -> bool:
    """Whether the value comes from each scan, and is not typed by anybody: the worst deviation of the profile, or a
    figure of a feature. Load `feed` with many characteristics."""
    if characteristic.method != Characteristic.Method.SCAN:
        return False
    return characteristic.kind == Characteristic.Kind.PROFILE or hasattr(characteristic, "feed")


def _refuse_unit(reading: Reading) -> None:
    wanted, has = reading.characteristic.unit, reading.instrument.unit
    if wanted != has:
        words = {"1": "without a unit"}
        raise InspectionRefusal(
            f"{reading.instrument.code} measures {words.get(has, f'in {has}')}, but {reading.characteristic.name} is "
            f"{words.get(wanted, f'in {wanted}')}. Choose another instrument.",
            code="other-unit",
            field=f"instrument-{reading.characteristic.number}",
        )


def _refuse_slip(characteristic: Characteristic, values: Iterable[Decimal]) -> None:
    for value in values:
        if (meant := slip(characteristic, value)) is not None:
            nominal = characteristic.nominal
            unit = "" if characteristic.unit == "1" else f"{NBSP}{characteristic.unit}"
            side = "small" if meant > value else "large"
            raise InspectionRefusal(
                f"{shown(value)}{unit} is far too {side}: {shown(nominal)}{unit} is the nominal. "
                f"Did you mean {shown(meant.quantize(Decimal('0.0001')))}{unit}?",
                code="slip",
                field=_value(characteristic),
            )


def slip(characteristic: Characteristic, value: Decimal) -> Decimal | None:
    """What was probably meant, when a value is off by a decimal point or by the inch; None for one that is not."""
    nominal = characteristic.nominal
    if not nominal or nominal <= 0 or value <= 0:
        return None
    return next((value * factor for factor in SLIPS if abs(value * factor / nominal - 1) < CLOSE), None)


def _value(characteristic: Characteristic) -> str:
    return f"value-{characteristic.number}"
