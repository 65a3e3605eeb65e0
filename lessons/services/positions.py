"""The nominal assembly of a mock-up, and scans of the whole that are measured against it."""

from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from pathlib import PurePath
from typing import Any

from django.contrib.auth.models import AbstractUser
from django.db import transaction
from django.utils import timezone

from inspection.models import Instrument
from inspection.services.scans import keep_scan_file, reading_of
from lessons.errors import LessonsRefusal
from lessons.models import Mockup, MockupScan, NominalAssembly, PlacedPart, Trial
from lessons.position_table import Preview
from logbook.models import StoredFile
from logbook.services import record
from metrology.reading import TableChoice
from metrology.wording import count
from parts.models import Characteristic, LengthUnit
from parts.numbering import next_code

Placing = MockupScan.Placing


@transaction.atomic
def import_assembly(
    mockup: Mockup,
    shown: Preview,
    *,
    unit: str,
    convention: str,
    source: str = "pasted",
    by: AbstractUser,
    at: datetime | None = None,
) -> NominalAssembly:
    """Save what a preview showed, in place of the assembly before; that one stays in the record with its reports.

    Refuses a preview with a faulty row: all rows come in together, or none.
    """
    at = at or timezone.now()
    if shown.bad_rows or not shown.rows:
        raise LessonsRefusal("Some rows cannot be used. Correct them and show the table again.", code="rows-refused")
    before = NominalAssembly.objects.select_for_update().filter(mockup=mockup).order_by("-number").first()
    NominalAssembly.objects.filter(mockup=mockup, current=True).update(current=False)
    assembly = NominalAssembly.objects.create(
        mockup=mockup,
        number=before.number + 1 if before else 1,
        convention=NominalAssembly.Convention.MATRIX if shown.table.by_matrix else convention,
        unit=unit,
        source=PurePath(source).name[:255],
        imported_by=by,
        imported_at=at,
    )
    PlacedPart.objects.bulk_create(
        PlacedPart(
            assembly=assembly,
            number=number,
            label=one.row.label,
            revision=one.revision,
            nominal=one.nominal,
            matrix=[float(value) for value in one.row.matrix.reshape(-1)],
            position_mm=_decimal(one.row.position_mm),
            turn_deg=_decimal(one.row.turn_deg),
            control=one.row.control,
        )
        for number, one in enumerate(shown.rows, 1)
    )
    sentence = f"Nominal assembly {assembly.number} of mock-up {mockup}: {count(len(shown.rows), 'part')} placed."
    details = {"nominals": {one.row.label: one.nominal.file.sha256 for one in shown.rows}}
    record(by, "assembly.imported", assembly, sentence, details=details, at=at)
    return assembly


def _decimal(value: float | None) -> Decimal | None:
    return None if value is None else Decimal(str(round(value, 3)))


def refuse_without_assembly(mockup: Mockup) -> NominalAssembly:
    """The current assembly; refuses before anything is uploaded when there is none."""
    assembly = NominalAssembly.objects.filter(mockup=mockup, current=True).first()
    if assembly is None:
        raise LessonsRefusal(
            f"{mockup} has no nominal assembly yet. Import the table of its parts first.",
            code="no-assembly",
        )
    return assembly


@transaction.atomic
def scan_mockup(
    mockup: Mockup,
    *,
    file: Any,
    original_name: str,
    unit: str,
    instrument: Instrument,
    trial: Trial | None = None,
    placing: str = Placing.BEST_FIT,
    pairs: Sequence[Sequence[float]] = (),
    by_control: bool = False,
    axes: str = MockupScan.Axes.ASSEMBLY,
    search_mm: Decimal = Decimal(40),
    table: TableChoice | None = None,
    overrule: bool = False,
    by: AbstractUser,
    scanned_at: datetime | None = None,
    at: datetime | None = None,
) -> MockupScan:
    """A scan of the whole mock-up, waiting for its job. file: a StoredFile from `keep_scan_file`, or what that takes.

    pairs: six numbers each, scan x y z and assembly x y z, mm; for marked points. by_control: fit the whole to the
    control parts of the table. table, overrule: how the file is read, as for the scan of a cast. Refuses what cannot be
    measured, with its reason.
    """
    at = at or timezone.now()
    scanned_at = scanned_at or at
    assembly = refuse_without_assembly(mockup)
    if unit not in LengthUnit.values:
        raise LessonsRefusal("State the unit of the file.", code="no-unit", field="unit")
    if instrument.unit != Characteristic.Unit.MM or instrument.kit_id != mockup.kit_id:
        raise LessonsRefusal(
            f"{instrument} cannot be used: choose a scanner of this kit whose U is in mm.", code="instrument",
            field="instrument",
        )  # fmt: skip
    if scanned_at > at:
        raise LessonsRefusal("The time of the scan lies in the future.", code="future", field="scanned_at")
    if trial and trial.mockup_id != mockup.pk:
        raise LessonsRefusal(f"Trial {trial} was on another mock-up.", code="other-mockup", field="trial")
    if placing == Placing.MARKED and len(pairs) < 3:
        raise LessonsRefusal("Mark at least three points.", code="too-few-pairs", field="pairs")
    if by_control and not assembly.parts.filter(control=True).exists():
        raise LessonsRefusal(
            "The table names no control part. Mark them in its column “control”, or fit to all parts.",
            code="no-control", field="by_control",
        )  # fmt: skip
    stored = file if isinstance(file, StoredFile) else keep_scan_file(file, original_name)
    scan = MockupScan.objects.create(
        kit=mockup.kit,
        code=next_code(MockupScan, mockup.kit, "PR"),
        assembly=assembly,
        trial=trial,
        file=stored,
        original_name=PurePath(original_name).name[:255],
        unit=unit,
        reading=reading_of(unit, table, overrule=overrule),
        instrument=instrument,
        scanned_at=scanned_at,
        placing=placing,
        pairs=[[float(value) for value in pair] for pair in pairs] if placing == Placing.MARKED else [],
        by_control=by_control,
        axes=axes,
        search_mm=search_mm,
        asked_by=by,
        asked_at=at,
    )
    details = {"file": stored.sha256, "instrument": instrument.code, "assembly": assembly.number}
    details["reading"] = scan.reading
    sentence = f"Scan of mock-up {mockup} uploaded for position report {scan}: {scan.original_name}, in {unit}."
    record(by, "mockup-scan.uploaded", scan, sentence, details=details, at=at)
    from lessons.position_job import enqueue

    transaction.on_commit(lambda: enqueue(scan.pk, scan.attempt))
    return scan


@transaction.atomic
def withdraw_report(scan: MockupScan, *, reason: str, by: AbstractUser, at: datetime | None = None) -> MockupScan:
    """Take a scan of a mock-up out of the evidence; it stays in the record with its reason."""
    at = at or timezone.now()
    if not reason.strip():
        raise LessonsRefusal("Say why it is withdrawn.", code="no-reason", field="reason")
    rows = MockupScan.objects.filter(pk=scan.pk, withdrawn_at__isnull=True).exclude(
        state__in=(MockupScan.State.WAITING, MockupScan.State.RUNNING)
    )
    if not rows.update(withdrawn_at=at, withdrawn_why=reason.strip()):
        raise LessonsRefusal(f"{scan} is under way or withdrawn already.", code="not-now")
    scan.refresh_from_db()
    record(by, "mockup-scan.withdrawn", scan, f"Position report {scan} withdrawn: {scan.withdrawn_why}", at=at)
    return scan
