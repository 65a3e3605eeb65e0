"""A scan's life outside the job: uploaded, stopped, run again, withdrawn."""

from datetime import datetime
from pathlib import PurePath
from typing import Any, Protocol

from django.contrib.auth.models import AbstractUser
from django.db import transaction
from django.utils import timezone

from casting.models import Cast
from casting.moments import said
from inspection.errors import InspectionRefusal
from inspection.models import Instrument, Measurement, Scan
from logbook import files
from logbook.models import StoredFile
from logbook.services import record
from metrology.errors import ReadingError
from metrology.reading import Kind, TableChoice, kind_of, own_unit_of
from metrology.reading.accepted import refusal_by_name
from metrology.reading.own_unit import UnitContradictionError, check_own_unit
from parts.errors import OtherUnit
from parts.models import Characteristic, Geometry, LengthUnit, Revision
from parts.numbering import next_code

State = Scan.State
UNDER_WAY = (State.WAITING, State.RUNNING)
ENDED = (State.DONE, State.FAILED, State.STOPPED)
MEDIA_TYPES = {
    ".ply": "model/ply",
    ".stl": "model/stl",
    ".obj": "model/obj",
    ".3mf": "model/3mf",
    ".e57": "model/e57",
    ".las": "application/vnd.las",
    ".laz": "application/vnd.laszip",
    ".csv": "text/csv",
} | dict.fromkeys((".xyz", ".txt", ".asc", ".pts"), "text/plain")


def profile_of(revision: Revision) -> Characteristic | None:
    """The characteristic whose limits the scan is judged by: the profile of the surface, lowest number first."""
    profiles = revision.characteristics.filter(kind=Characteristic.Kind.PROFILE, unit=Characteristic.Unit.MM)
    return profiles.filter(lower__isnull=False, upper__isnull=False).order_by("number").first()


def nominal_of(revision: Revision) -> Geometry | None:
    return revision.geometry.filter(role=Geometry.Role.NOMINAL, current=True).select_related("file").first()


class ReadFile(Protocol):
    """A record with a scan file: its unit, and what a person said about reading it (`reading_of`)."""

    unit: str
    reading: dict[str, Any]


def how_to_read(scan: ReadFile) -> dict[str, Any]:
    """What a person said about reading the file, as arguments of `metrology.reading.read_scan_file`."""
    table = scan.reading.get("table")
    return {
        "table": TableChoice.from_stored(table) if table else None,
        "overrule": scan.reading.get("overruled_unit") == scan.unit,
    }


def refuse_unready(cast: Cast) -> None:
    """Refuse before anything is uploaded when there is nothing to measure against or nothing to measure."""
    revision = cast.revision
    if not nominal_of(revision):
        raise InspectionRefusal(
            f"{revision} has no nominal mesh on file. The lead adds it to the definition first.", code="no-nominal"
        )
    if not profile_of(revision):
        raise InspectionRefusal(
            f"{revision} has no characteristic “profile of a surface” with two limits in mm. The lead adds it to the "
            "definition first: its limits are what the scan is judged by.",
            code="no-profile",
        )
    if not cast.demoulded_at:
        raise InspectionRefusal(f"{cast} is still in the mould. Log its demoulding first.", code="in-mould")


def keep_scan_file(file: Any, original_name: str) -> StoredFile:
    """Take a scan file in, outside any transaction: it may be large. Refuses at once what cannot be a scan."""
    suffix = PurePath(original_name).suffix.lower()
    if suffix not in MEDIA_TYPES:
        raise InspectionRefusal(refusal_by_name(original_name, "scan"), code="not-a-scan", field="file")
    stored = files.keep(file, MEDIA_TYPES[suffix])
    kind_of_scan(stored, original_name)
    return stored


def kind_of_scan(stored: StoredFile, original_name: str) -> Kind:
    """What a kept file is by its content. Refuses one that cannot be a scan, beside the file."""
    try:
        with files.local_path(stored) as path:
            return kind_of(path, original_name, "scan")
    except ReadingError as error:
        raise InspectionRefusal(error.sentence, code=error.code, field="file") from None


def check_stated_unit(stored: StoredFile, original_name: str, unit: str) -> None:
    """Refuse, beside the unit, a file that itself states another one. Reads as little of it as can be."""
    try:
        with files.local_path(stored) as path:
            check_own_unit(own_unit_of(path, kind_of(path, original_name, "scan")), unit, overrule=False)
    except UnitContradictionError as error:
        raise OtherUnit(error.sentence, likely_unit=error.likely_unit) from None
    except ReadingError as error:
        raise InspectionRefusal(error.sentence, code=error.code, field="file") from None


def reading_of(unit: str, table: TableChoice | None, *, overrule: bool) -> dict[str, Any]:
    """What is stored with a scan about reading its file; see `how_to_read`."""
    return ({"table": table.as_stored()} if table else {}) | ({"overruled_unit": unit} if overrule else {})


@transaction.atomic
def upload_scan(
    cast: Cast,
    *,
    file: Any,
    original_name: str,
    unit: str,
    instrument: Instrument,
    by: AbstractUser,
    scanned_at: datetime | None = None,
    table: TableChoice | None = None,
    overrule: bool = False,
    at: datetime | None = None,
) -> Scan:
    """A scan of a cast, waiting for its job. file: a StoredFile from `keep_scan_file` (better: then the transaction is
    short), or anything that `logbook.files.keep` takes. unit: of the file, "mm", "in" … table: how a person confirmed
    that a table is read. overrule: the unit holds even where the file states another.

    Refuses what `refuse_unready` and `keep_scan_file` refuse, a file that is a scan of this kit already, an instrument
    that does not measure in mm, and a time at which the piece was not yet out of its mould.
    """
    at = at or timezone.now()
    scanned_at = scanned_at or at
    refuse_unready(cast)
    if unit not in LengthUnit.values:
        raise InspectionRefusal("State the unit of the file.", code="no-unit", field="unit")
    if instrument.unit != Characteristic.Unit.MM or instrument.kit_id != cast.kit_id:
        raise InspectionRefusal(
            f"{instrument} cannot be used: choose a scanner of this kit whose U is in mm.",
            code="instrument",
            field="instrument",
        )
    if scanned_at > at:
        raise InspectionRefusal("The time of the scan lies in the future.", code="future", field="scanned_at")
    if scanned_at < cast.demoulded_at:
        raise InspectionRefusal(
            f"{cast} was demoulded {said(cast.kit, cast.demoulded_at)}; it cannot be scanned before that.",
            code="before-demould",
            field="scanned_at",
        )
    stored = file if isinstance(file, StoredFile) else keep_scan_file(file, original_name)
    _refuse_known(cast, stored)
    scan = Scan.objects.create(
        kit=cast.kit,
        code=next_code(Scan, cast.kit, "S"),
        cast=cast,
        file=stored,
        original_name=PurePath(original_name).name[:255],
        unit=unit,
        reading=reading_of(unit, table, overrule=overrule),
        instrument=instrument,
        scanned_at=scanned_at,
        scanned_by=by,
        uploaded_at=at,
        attempt=1,
    )
    record(
        by, "scan.uploaded", scan,
        f"Scan {scan} of {cast} uploaded: {scan.original_name}, in {unit}"
        f"{' although the file states another unit' if overrule else ''}.",
        details={"file": stored.sha256, "instrument": instrument.code, "reading": scan.reading}, at=at,
    )  # fmt: skip
    _enqueue(scan)
    return scan


@transaction.atomic
def ask_stop(scan: Scan, *, by: AbstractUser, at: datetime | None = None) -> Scan:
    """Stop a scan's job: at once while it waits, at its next step while it is under way."""
    if Scan.objects.filter(pk=scan.pk, state=State.WAITING).update(state=State.STOPPED, stage="", heartbeat=None):
        scan.state = State.STOPPED
    elif Scan.objects.filter(pk=scan.pk, state=State.RUNNING).update(stop_asked=True):
        scan.stop_asked = True
    else:
        raise InspectionRefusal(f"{scan} is not under way any more.", code="not-under-way")
    record(by, "scan.stop-asked", scan, f"Stop asked for scan {scan}.", at=at)
    return scan


@transaction.atomic
def run_again(
    scan: Scan,
    *,
    by: AbstractUser,
    unit: str | None = None,
    insist: bool = False,
    table: TableChoice | None = None,
    at: datetime | None = None,
) -> Scan:
    """Measure the same file once more, in another unit or by other columns if the first were mistaken. A finished
    result stays until the new one replaces it.

    insist: the unit holds even where the file states another. It does too when it is the unit in which the sizes fit.
    """
    unit = unit or scan.unit
    if scan.withdrawn_at:
        raise InspectionRefusal(f"{scan} was withdrawn.", code="withdrawn")
    if unit not in LengthUnit.values:
        raise InspectionRefusal("State the unit of the file.", code="no-unit", field="unit")
    refuse_unready(scan.cast)
    insist = insist or (scan.error_code == "size-mismatch" and unit == scan.likely_unit)
    reading = scan.reading | reading_of(unit, table, overrule=insist)
    fresh = {
        "state": State.WAITING,
        "attempt": scan.attempt + 1,
        "unit": unit,
        "reading": reading,
        "stage": "",
        "share": 0.0,
        "heartbeat": None,
        "stop_asked": False,
        "revived": False,
        "error_code": "",
        "error": "",
        "likely_unit": "",
    }
    rows = Scan.objects.filter(pk=scan.pk, state__in=ENDED, attempt=scan.attempt, withdrawn_at__isnull=True)
    if rows.update(**fresh) != 1:
        raise InspectionRefusal(f"{scan} is under way already.", code="under-way")
    changed = f", now in {unit} instead of {scan.unit}" if unit != scan.unit else ""
    changed += f"; {table.in_words()}" if table else ""
    for name, value in fresh.items():
        setattr(scan, name, value)
    record(
        by,
        "scan.run-again",
        scan,
        f"Scan {scan} of {scan.cast} run again{changed}.",
        details={"reading": reading},
        at=at,
    )
    _enqueue(scan)
    return scan


@transaction.atomic
def withdraw_scan(scan: Scan, *, by: AbstractUser, reason: str, at: datetime | None = None) -> Scan:
    """Take a scan out of the evidence, with a reason. The file, the result and the reason stay to be read."""
    at = at or timezone.now()
    if not reason.strip():
        raise InspectionRefusal("Say why it is withdrawn.", code="no-reason", field="reason")
    rows = Scan.objects.filter(pk=scan.pk, state__in=ENDED, withdrawn_at__isnull=True)
    if rows.update(withdrawn_at=at, withdrawn_why=reason.strip()) != 1:
        if scan.state in UNDER_WAY:
            raise InspectionRefusal(f"{scan} is under way. Stop it first.", code="under-way")
        raise InspectionRefusal(f"{scan} was withdrawn already.", code="withdrawn")
    scan.withdrawn_at, scan.withdrawn_why = at, reason.strip()
    Measurement.objects.filter(scan=scan, replaced=False).update(replaced=True)
    record(by, "scan.withdrawn", scan, f"Scan {scan} of {scan.cast} withdrawn: {reason.strip()}", at=at)
    return scan


def _refuse_known(cast: Cast, stored: StoredFile) -> None:
    same = (
        Scan.objects.filter(kit=cast.kit, file=stored, withdrawn_at__isnull=True)
        .select_related("cast")
        .order_by("pk")
        .first()
    )
    if same is None:
        return
    if same.cast_id == cast.pk:
        raise InspectionRefusal(
            f"This file is scan {same} already. Run that one again instead.", code="same-file", field="file"
        )
    raise InspectionRefusal(
        f"This file is scan {same} of {same.cast} already. One file shows one piece: check which one was exported.",
        code="same-file",
        field="file",
    )


def _enqueue(scan: Scan) -> None:
    """The job is handed over once the row is there to be read."""
    from inspection.jobs import measure_scan

    attempt = scan.attempt
    transaction.on_commit(lambda: measure_scan.enqueue(scan.pk, attempt))
