"""The job that measures a scan: read, check units, align, measure, draw, save. Stoppable, and safe to kill."""

import logging
import math
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta

from django.db import OperationalError, transaction
from django.utils import timezone
from django_tasks import task

from logbook.files import local_path
from logbook.services import record
from metrology.alignment.size_check import check_size
from metrology.bodies import Mesh
from metrology.comparison.compare import RegionSpec, Settings, compare
from metrology.errors import InputError, MetrologyError, Stopped
from metrology.reading import ScanFile, read_scan_file
from metrology.wording import count
from parts.models import Geometry, Region
from parts.services.geometry import nominal_mesh

from . import view3d
from .alignment import compared
from .extras import extras_of
from .models import Scan
from .results import Finding, keep_files, save_result
from .services.scans import how_to_read, nominal_of, profile_of

logger = logging.getLogger(__name__)
State = Scan.State

# The stages with their usual share of the whole; measured on scans of 200,000 to 3 million points.
STAGES = {
    "reading": 0.10,
    "checking units": 0.04,
    "aligning": 0.28,
    "measuring": 0.16,
    "summing up": 0.02,
    "measuring by best fit": 0.08,
    "features": 0.01,
    "wall thickness": 0.01,
    "drawing": 0.28,
    "saving": 0.02,
}
SECONDS_BETWEEN_WRITES = 0.5
STALE = timedelta(seconds=60)
TOO_LITTLE_MEMORY = (
    "There is too little memory for this many points. Thin the scan in the scanner's software and upload it again."
)
UNEXPECTED = (
    "Something went wrong in the program, not in your scan; the file is safe. Run it again. If that ends the same way, "
    "tell whoever runs Proofmark: the log has the details."
)
DIED_TWICE = (
    "The worker died twice while it measured this scan, most likely for want of memory. Thin the scan in the scanner's "
    "software, or run it again."
)


@task()
def measure_scan(scan_id: int, attempt: int) -> None:
    """Measure a scan, if it still waits for this very attempt; otherwise do nothing."""
    run(scan_id, attempt)


def run(scan_id: int, attempt: int, *, at: datetime | None = None) -> bool:
    """The job itself. False when the attempt was not there to be claimed: taken, stopped or run again since.

    at: the moment to write into the records; now, unless a story is told.
    """
    claimed = Scan.objects.filter(pk=scan_id, state=State.WAITING, attempt=attempt).update(
        state=State.RUNNING, stage="reading", share=0.0, heartbeat=timezone.now(), stop_asked=False
    )
    if claimed != 1:
        return False
    scan = Scan.objects.select_related("cast__revision__component__kit", "file", "instrument", "kit").get(pk=scan_id)
    try:
        _measure(scan, Reporter(scan), at)
    except Stopped:
        _end(scan, State.STOPPED, "scan.stopped", f"Scan {scan} stopped.", at)
    except MetrologyError as error:
        likely = getattr(error, "likely_unit", None) or ""
        _fail(scan, error.code, error.sentence, at, likely_unit=likely)
    except MemoryError:
        logger.exception("Scan %s: out of memory", scan)
        _fail(scan, "memory", TOO_LITTLE_MEMORY, at)
    except Exception:
        logger.exception("Scan %s failed", scan)
        _fail(scan, "unexpected", UNEXPECTED, at)
    return True


class Reporter:
    """Writes stage and share to the scan's row, at most about twice a second, and stops the job when it is asked to or
    when the attempt is no longer ours."""

    def __init__(self, scan: Scan, clock: Callable[[], float] = time.monotonic) -> None:
        self.own = Scan.objects.filter(pk=scan.pk, state=State.RUNNING, attempt=scan.attempt, stop_asked=False)
        self.clock = clock
        self.stage, self.written = "", -1e9

    def __call__(self, stage: str, share: float) -> None:
        if stage == self.stage and self.clock() - self.written < SECONDS_BETWEEN_WRITES:
            return
        self.stage, self.written = stage, self.clock()
        try:
            rows = self.own.update(stage=stage, share=overall(stage, share), heartbeat=timezone.now())
        except OperationalError:  # a busy database must not cost the work that was done
            logger.warning("Progress could not be written", exc_info=True)
            return
        if rows != 1:
            raise Stopped


def overall(stage: str, share: float) -> float:
    """Finished share of the whole job, 0 to 1, from the finished share of one stage."""
    before = 0.0
    for name, weight in STAGES.items():
        if name == stage:
            return before + weight * min(max(share, 0.0), 1.0)
        before += weight
    return before


def _measure(scan: Scan, report: Callable[[str, float], None], at: datetime | None) -> None:
    started = time.perf_counter()
    revision = scan.cast.revision
    geometry, profile = nominal_of(revision), profile_of(revision)
    if geometry is None or profile is None:
        raise InputError(
            "nothing-to-compare",
            f"{revision} no longer has a nominal mesh and a profile with two limits. Add them and run the scan again.",
        )
    mesh, file = _read(scan, geometry, report)
    cloud, uncertainty = file.cloud, _uncertainty(scan, file.step_mm)
    view3d.thinned(scan, cloud)
    read = time.perf_counter()
    report("checking units", 0.0)
    check_size(mesh, cloud, scan.unit)
    checked = time.perf_counter()
    settings = Settings(float(profile.lower), float(profile.upper), uncertainty)
    regions = [_spec(region) for region in revision.regions.all()]
    comparison, asked = compared(
        scan, lambda spec: compare(mesh, cloud, replace(settings, alignment=spec), regions, report)
    )
    compared_at = time.perf_counter()
    extras = extras_of(revision, mesh, comparison, uncertainty, report)
    finding = Finding(geometry, profile, mesh, comparison, file.notes, uncertainty, asked, extras)
    drawing = time.perf_counter()
    kept = keep_files(finding, report)
    drawn = time.perf_counter()
    seconds = {"reading": read - started, "checking units": checked - read} | comparison.stage_seconds
    seconds["features and walls" if extras.features.features else "walls"] = drawing - compared_at
    seconds["drawing"] = drawn - drawing
    report("saving", 0.0)
    with transaction.atomic():
        _claim_the_end(scan)
        save_result(scan, finding, kept, seconds, at or timezone.now())


def _read(scan: Scan, geometry: Geometry, report: Callable[[str, float], None]) -> tuple[Mesh, ScanFile]:
    mesh = nominal_mesh(geometry)
    with local_path(scan.file) as path:
        file = read_scan_file(path, unit=scan.unit, name=scan.original_name, progress=report, **how_to_read(scan))
    return mesh, file


def _uncertainty(scan: Scan, step_mm: float) -> float:
    """Expanded uncertainty at k = 2, mm, whatever k the instrument's U was stated with.

    step_mm: coordinates rounded to such steps add an even spread of half a step to each side, whose standard deviation
    is step / √12 (JCGM 100, F.2.2.1, from memory).
    """
    instrument = scan.instrument
    return math.hypot(float(instrument.uncertainty * 2 / instrument.coverage_factor), 2 * step_mm / math.sqrt(12))


def _spec(region: Region) -> RegionSpec:
    moved, turned = (None if limit is None else float(limit) for limit in (region.moved_limit, region.turned_limit))
    return RegionSpec(
        region.name, float(region.lower), float(region.upper),
        selection=region.chosen, moved_mm=moved, turned_deg=turned,
    )  # fmt: skip


def _claim_the_end(scan: Scan) -> None:
    """Inside the transaction that writes the result: only the attempt that is still ours, and not stopped, may end."""
    rows = Scan.objects.filter(pk=scan.pk, state=State.RUNNING, attempt=scan.attempt, stop_asked=False).update(
        state=State.DONE, stage="", share=1.0, heartbeat=None
    )
    if rows != 1:
        raise Stopped


@transaction.atomic
def _end(scan: Scan, state: str, act: str, sentence: str, at: datetime | None, **fields: str) -> None:
    rows = Scan.objects.filter(pk=scan.pk, state=State.RUNNING, attempt=scan.attempt).update(
        state=state, stage="", heartbeat=None, stop_asked=False, **fields
    )
    if rows == 1:
        record(None, act, scan, sentence, at=at)


def _fail(scan: Scan, code: str, sentence: str, at: datetime | None, likely_unit: str = "") -> None:
    said = f"Scan {scan} of {scan.cast} could not be measured: {sentence}"
    _end(scan, State.FAILED, "scan.failed", said, at, error_code=code, error=sentence, likely_unit=likely_unit)


def recover(*, stale_after: timedelta = STALE, waiting_too: bool = False) -> str:
    """Take up scans whose worker died; says in words what was done, empty when nothing was.

    Once each: a scan whose worker dies twice has failed. stale_after: how long ago the last sign of life must be; a
    single worker gives none at its start, for then nobody else can be at work. waiting_too: hand over again what waits
    (an attempt is measured once however often it is handed over).
    """
    limit = timezone.now() - stale_after
    taken_up = ended = 0
    for scan in Scan.objects.filter(state=State.RUNNING, heartbeat__lte=limit).select_related("cast", "kit"):
        if scan.stop_asked:
            _end(scan, State.STOPPED, "scan.stopped", f"Scan {scan} stopped.", None)
            ended += 1
        elif scan.revived:
            _fail(scan, "worker-died", DIED_TWICE, None)
            ended += 1
        else:
            taken_up += _take_up(scan)
    handed = 0
    if waiting_too:
        for scan_id, attempt in Scan.objects.filter(state=State.WAITING).values_list("pk", "attempt"):
            measure_scan.enqueue(scan_id, attempt)
            handed += 1
    said = [
        f"{count(taken_up, 'scan')} taken up again" if taken_up else "",
        f"{count(ended, 'scan')} ended" if ended else "",
        f"{count(handed, 'waiting scan')} handed over" if handed else "",
    ]
    return ", ".join(filter(None, said))


@transaction.atomic
def _take_up(scan: Scan) -> int:
    attempt = scan.attempt + 1
    rows = Scan.objects.filter(pk=scan.pk, state=State.RUNNING, attempt=scan.attempt).update(
        state=State.WAITING, attempt=attempt, revived=True, stage="", share=0.0, heartbeat=None
    )
    if rows:
        record(None, "scan.taken-up", scan, f"The worker died while it measured scan {scan}; taken up again.")
        transaction.on_commit(lambda: measure_scan.enqueue(scan.pk, attempt))
    return rows
