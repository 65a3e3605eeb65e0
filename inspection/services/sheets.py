"""Taking in a whole sheet of measured values: what it would do, and doing it, all or none."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import ROUND_UP, Decimal
from typing import Any

import numpy as np
from django.contrib.auth.models import AbstractUser
from django.db import transaction
from django.utils import timezone

from casting.models import Cast
from inspection.errors import InspectionRefusal
from inspection.models import Instrument, Measurement, MeasurementImport, Result
from inspection.sheet_reading import STEPS
from inspection.sheet_values import Fault, Known, Piece, Value
from logbook.bulk import insert_rows
from logbook.models import StoredFile
from logbook.services import Line, record, record_many
from metrology.bodies import Ints
from metrology.statistics.conformity import NO_LOWER, NO_UPPER, decide_steps
from metrology.statistics.repeated import repeated
from metrology.wording import NBSP, count
from parts.limits import shown
from parts.models import Characteristic, Kit
from parts.numbering import next_code

from .measurements import CLOSE, LARGEST_U, SLIPS, feeds_from_scan

RESULTS = (Result.CONFORMS, Result.INCONCLUSIVE, Result.DOES_NOT)
AT_ONCE = 5000  # serials asked for in one query
DEEP = Decimal("0.0001")
COLUMNS = (
    "cast_id", "characteristic_id", "instrument_id", "imported_id", "value", "readings", "uncertainty", "result",
    "measured_at", "measured_by_id", "replaced",
)  # fmt: skip


@dataclass(frozen=True)
class Judged:
    """Values with their verdicts: value, uncertainty (n,) in steps, results (n,) as places in RESULTS."""

    values: Sequence[Value]
    steps: Ints
    guards: Ints
    results: Ints

    def counted(self, result: str) -> int:
        return int(np.count_nonzero(self.results == RESULTS.index(result)))


def known_to(kit: Kit, serials: Iterable[str]) -> Known:
    """What the rows of a sheet may name. A fixed number of queries for up to AT_ONCE serials."""
    wanted = list({text for serial in serials for text in (serial, serial.upper()) if text})
    casts: dict[str, Piece] = {}
    for first in range(0, len(wanted), AT_ONCE):
        rows = Cast.objects.filter(kit=kit, serial__in=wanted[first : first + AT_ONCE])
        for row in rows.values_list("pk", "serial", "revision_id", "poured_at"):
            casts[row[1]] = Piece(*row)
    drawn: dict[int, dict[str, Characteristic]] = {piece.revision_id: {} for piece in casts.values()}
    parts: dict[int, str] = {}
    closed = set()
    characteristics = list(
        Characteristic.objects.filter(revision__in=drawn)
        .select_related("revision__component__kit", "feed")
        .order_by("-number")
    )
    for row in characteristics:
        drawn[row.revision_id][row.name.casefold()] = row
        if feeds_from_scan(row):
            closed.add(row.pk)
    for row in characteristics:  # a number goes before a name that looks like one
        drawn[row.revision_id][str(row.number)] = row
        parts[row.revision_id] = str(row.revision)
    for pk in drawn:
        parts.setdefault(pk, "its revision")
    instruments = {row.code.casefold(): row for row in Instrument.objects.filter(kit=kit)}
    return Known(casts, drawn, frozenset(closed), parts, instruments)


def judge(values: Sequence[Value]) -> tuple[Judged, list[Fault]]:
    """The verdict on each value by the rule of a single one; what looks like a slip of the point or the inch is a fault
    and left out."""
    drawn = {c.pk: c for c in {value.characteristic.pk: value.characteristic for value in values}.values()}
    used = {i.pk: i for i in {value.instrument.pk: value.instrument for value in values}.values()}
    limits = {pk: _limits(c) for pk, c in drawn.items()}
    own = {pk: int(Decimal(one.uncertainty) * STEPS) for pk, one in used.items()}
    table = np.array([limits[value.characteristic.pk] for value in values], np.int64).reshape(-1, 3)
    lower, upper, nominal = table.T
    steps = np.array([value.steps[0] for value in values], np.int64)
    guards = np.array([own[value.instrument.pk] for value in values], np.int64)
    faults: list[Fault] = []
    usable = np.ones(len(values), bool)
    for place, value in enumerate(values):
        if len(value.steps) > 1:
            steps[place], guards[place] = _mean(value.steps, value.instrument)
            if guards[place] >= LARGEST_U * STEPS:
                usable[place] = False
                faults.append(Fault(value.row, value.column, "Its readings lie too far apart to be of one value."))
    for place in np.flatnonzero(_slipped(values, steps, nominal.astype(float))).tolist():
        usable[place] = False
        faults.append(Fault(values[place].row, values[place].column, _meant(values[place])))
    results = decide_steps(steps, lower, upper, guards)
    kept = np.flatnonzero(usable)
    good = Judged([values[place] for place in kept.tolist()], steps[kept], guards[kept], results[kept])
    return good, faults


def _limits(c: Characteristic) -> tuple[int, int, int]:
    """Lower and upper limit and nominal in steps; nominal 0 where nothing can be told by it."""
    low = NO_LOWER if c.lower is None else int(c.lower * STEPS)
    high = NO_UPPER if c.upper is None else int(c.upper * STEPS)
    return low, high, int(c.nominal * STEPS) if c.nominal is not None and c.nominal > 0 else 0


def _mean(steps: Sequence[int], instrument: Instrument) -> tuple[int, int]:
    u, k = float(instrument.uncertainty), float(instrument.coverage_factor)
    said = repeated([one / STEPS for one in steps], u, k)
    u_kept = Decimal(repr(said.uncertainty)).quantize(DEEP, ROUND_UP)
    mean = (Decimal(sum(steps)) / len(steps) / STEPS).quantize(DEEP)
    return int(mean * STEPS), int(min(u_kept, LARGEST_U) * STEPS)


def _slipped(values: Sequence[Value], steps: Ints, nominal: np.ndarray) -> np.ndarray:
    """Which values are off by a decimal point or by the inch, as `measurements.slip` says of one."""
    several = [place for place, value in enumerate(values) if len(value.steps) > 1]
    read = steps.astype(float)
    slipped = np.zeros(len(values), bool)
    asked = (nominal > 0) & (read > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = read / np.where(asked, nominal, 1.0)
        for factor in SLIPS:
            slipped |= asked & (np.abs(ratio * float(factor) - 1) < float(CLOSE))
        for place in several:
            ratios = np.asarray(values[place].steps, float) / (nominal[place] or np.inf)
            for factor in SLIPS:
                slipped[place] |= bool(np.any(np.abs(ratios * float(factor) - 1) < float(CLOSE)))
    return slipped


def _meant(value: Value) -> str:
    c = value.characteristic
    unit = "" if c.unit == "1" else f"{NBSP}{c.unit}"
    nominal = Decimal(c.nominal)
    for steps in value.steps:
        read = Decimal(steps) / STEPS
        for factor in SLIPS:
            if read > 0 and abs(read * factor / nominal - 1) < CLOSE:
                meant = (read * factor).quantize(DEEP)
                side = "small" if meant > read else "large"
                return (
                    f"{shown(read)}{unit} is far too {side}: {shown(nominal)}{unit} is the nominal. Did you mean "
                    f"{shown(meant)}{unit}? Check the point and the unit."
                )
    return "It is off by a decimal point or by the inch. Check the unit."


@transaction.atomic
def import_measurements(
    kit: Kit,
    judged: Judged,
    *,
    by: AbstractUser,
    file: StoredFile,
    original_name: str,
    instrument: Instrument,
    layout: dict[str, Any],
    headings: Sequence[str] = (),
    left_out: int = 0,
    at: datetime | None = None,
) -> MeasurementImport:
    """Record all values of a sheet, or none: each replaces the earlier reading of its characteristic on its cast.

    One logbook entry for the sheet and one for each cast. Refuses an empty sheet.
    """
    at = at or timezone.now()
    values = judged.values
    if not values:
        raise InspectionRefusal("There is no value to import. Choose the columns that hold some.", code="empty")
    by_cast: dict[int, list[int]] = {}
    for place, value in enumerate(values):
        by_cast.setdefault(value.piece.pk, []).append(place)
    sheet = MeasurementImport.objects.create(
        kit=kit,
        code=next_code(MeasurementImport, kit, "I"),
        file=file,
        original_name=original_name,
        instrument=instrument,
        layout=layout,
        headings=list(headings),
        casts=len(by_cast),
        values=len(values),
        left_out=left_out,
        imported_at=at,
        imported_by=by,
    )
    before = _replace(values)
    decimals = [Decimal(steps).scaleb(-4) for steps in judged.steps.tolist()]
    guards = [Decimal(steps).scaleb(-4) for steps in judged.guards.tolist()]
    results = [RESULTS[code].value for code in judged.results.tolist()]
    insert_rows(
        Measurement,
        COLUMNS,
        (
            (
                value.piece.pk,
                value.characteristic.pk,
                value.instrument.pk,
                sheet.pk,
                decimals[place],
                [str(Decimal(one).scaleb(-4)) for one in value.steps] if len(value.steps) > 1 else [],
                guards[place],
                results[place],
                value.measured_at,
                by.pk,
                False,
            )
            for place, value in enumerate(values)
        ),
    )
    trails = {pk: c.revision.trail for c in {v.characteristic.pk: v.characteristic for v in values}.values()
              for pk in [c.revision_id]}  # fmt: skip
    lines = []
    for pk, places in by_cast.items():
        piece = values[places[0]].piece
        good = sum(results[place] == Result.CONFORMS for place in places)
        outcome = "all conform" if good == len(places) else f"{good} conform"
        details = {
            str(values[place].characteristic.number): [
                before.get((pk, values[place].characteristic.pk), ""), str(decimals[place]), results[place],
            ]
            for place in places
        }  # fmt: skip
        said = f"{piece.serial} measured: {count(len(places), 'value')} from sheet {sheet}, {outcome}."
        lines.append(Line(Cast(pk=pk), said, details, f"{trails[piece.revision_id]}/{piece.serial}"))
    left = f" {count(left_out, 'cell')} could not be used and were left out." if left_out else ""
    record(
        by, "sheet.imported", sheet,
        f"Sheet {sheet} imported from {original_name}: {count(len(values), 'value')} of "
        f"{count(len(by_cast), 'cast')}.{left}",
        details={"sha256": file.sha256, "layout": layout}, at=at,
    )  # fmt: skip
    record_many(by, "cast.measured", lines, at=at)
    return sheet


def _replace(values: Sequence[Value]) -> dict[tuple[int, int], str]:
    """Mark the readings that counted before as replaced; gives what they said."""
    wanted = {(value.piece.pk, value.characteristic.pk) for value in values}
    found = [row for row in standing(values) if row[1:3] in wanted]
    keys = [pk for pk, *_ in found]
    for first in range(0, len(keys), AT_ONCE):
        Measurement.objects.filter(pk__in=keys[first : first + AT_ONCE]).update(replaced=True)
    return {(cast, characteristic): str(value) for _, cast, characteristic, value in found}


def standing(values: Sequence[Value]) -> Iterable[tuple[int, int, int, Decimal]]:
    """(row, cast, characteristic, value) of readings by hand that count now, of the characteristics of these values."""
    characteristics = {value.characteristic.pk for value in values}
    return Measurement.objects.filter(
        characteristic__in=characteristics, scan__isnull=True, replaced=False
    ).order_by("measured_at", "pk").values_list("pk", "cast_id", "characteristic_id", "value")  # fmt: skip
