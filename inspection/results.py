"""From a finished comparison to what is kept of it: figures, pictures, deviations, and the measurement it feeds."""

import io
import math
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

import numpy as np

from logbook.files import keep
from logbook.models import StoredFile
from logbook.services import record
from metrology.bodies import Mesh
from metrology.comparison.compare import Comparison
from metrology.pictures.deviation_views import deviation_pictures
from metrology.pictures.png import png
from metrology.pictures.view_payload import MEDIA_TYPE
from parts.models import Characteristic, Geometry

from . import view3d
from .alignment import Asked, best_fit, kept, sentence
from .extras import Extras, plain_extras
from .features import feed_characteristics
from .models import Measurement, Scan, ScanPicture, ScanResult
from .services.measurements import feeds_from_scan

VIEWS = ("pictorial", "top", "front", "left")
NOT_FIGURES = (
    "pose",
    "sample_points",
    "sample_normals",
    "sample_deviation",
    "sample_regions",
    "stage_seconds",
    "regions",
    "callouts",
    "kept",
    "alignment",
    "best_fit",
    "difference",
)
COLUMNS = ("result", "code", "sentence", "worst", "inside_share", "coverage", "version")


@dataclass(frozen=True)
class Finding:
    """What the job found, with what it rests on. scanner_mm: expanded uncertainty of the scanner alone, k = 2, mm."""

    nominal: Geometry
    profile: Characteristic
    mesh: Mesh
    comparison: Comparison
    notes: tuple[str, ...]
    scanner_mm: float
    asked: Asked
    extras: Extras

    @property
    def uncertainty(self) -> float:
        """Of the verdict, expanded, k = 2, mm: the scanner's and the alignment's together."""
        return self.comparison.uncertainty_mm

    @property
    def sentence(self) -> str:
        return sentence(self.comparison, self.asked)


@dataclass(frozen=True)
class Kept:
    pictures: Mapping[str, StoredFile]
    deviations: StoredFile
    view: StoredFile


def keep_files(finding: Finding, report: Callable[[str, float], None]) -> Kept:
    """Draw and store, before the rows are written; files without a row are tidied away later."""
    comparison = finding.comparison
    report("drawing", 0.0)
    # All views in one go: they share the search for what lies near each pixel.
    pictures = deviation_pictures(
        finding.mesh,
        comparison.sample_points,
        comparison.sample_deviation,
        views=VIEWS,
        lower_mm=float(finding.profile.lower),
        upper_mm=float(finding.profile.upper),
        guard_mm=finding.uncertainty,
        callouts=comparison.callouts,
        sample_normals=comparison.sample_normals,
    )
    report("drawing", 0.7)
    drawn = {view: keep(png(image), "image/png") for view, image in pictures.items()}
    report("drawing", 1.0)
    deviations = io.BytesIO()
    np.savez_compressed(
        deviations,
        points=comparison.sample_points.astype(np.float32),
        normals=comparison.sample_normals.astype(np.float32),
        deviation=comparison.sample_deviation.astype(np.float32),
        regions=comparison.sample_regions,
    )
    limits = float(finding.profile.lower), float(finding.profile.upper)
    view = keep(view3d.drawn(finding.mesh, comparison, *limits, finding.uncertainty), MEDIA_TYPE)
    return Kept(drawn, keep(deviations.getvalue(), "application/x-npz"), view)


def save_result(scan: Scan, finding: Finding, files: Kept, seconds: Mapping[str, float], at: datetime) -> ScanResult:
    """Write everything that the scan says, in the caller's transaction. An earlier result of the scan gives way."""
    comparison = finding.comparison
    ScanResult.objects.filter(scan=scan).delete()
    result = ScanResult.objects.create(
        scan=scan,
        nominal=finding.nominal,
        result=comparison.result,
        code=comparison.code,
        sentence=finding.sentence,
        lower=float(finding.profile.lower),
        upper=float(finding.profile.upper),
        uncertainty=finding.uncertainty,
        worst=plain(comparison.worst),
        inside_share=plain(comparison.inside_share),
        coverage=plain(comparison.coverage),
        alignment=comparison.alignment.kind,
        best_fit=best_fit(comparison, plain),
        figures=figures(finding, seconds),
        deviations=files.deviations,
        view=files.view,
        code_version=comparison.version,
        measured_at=at,
    )
    ScanPicture.objects.bulk_create(
        ScanPicture(result=result, view=view, file=file) for view, file in files.pictures.items()
    )
    _feed(scan, finding)
    fed = feed_characteristics(scan, finding.extras.features.fed)
    details = {
        "result": result.result,
        "worst": result.worst,
        "coverage": result.coverage,
        "file": scan.file.sha256,
        "nominal": finding.nominal.file.sha256,
        "alignment": result.alignment,
        "version": result.code_version,
    } | ({"fed": fed} if fed else {})
    record(None, "scan.measured", scan, f"Scan {scan} of {scan.cast}: {result.sentence}", details=details, at=at)
    return result


def figures(finding: Finding, seconds: Mapping[str, float]) -> dict[str, Any]:
    """Everything else that the page shows, as plain JSON values; what was not measured is null."""
    comparison = finding.comparison
    pose = comparison.pose
    numbers = {
        name: plain(value)
        for name, value in vars(comparison).items()
        if name not in NOT_FIGURES and name not in COLUMNS
    }
    return numbers | {
        "pose": {name: plain(value) for name, value in vars(pose).items()},
        "regions": [{name: plain(value) for name, value in asdict(region).items()} for region in comparison.regions],
        "callouts": [{name: plain(value) for name, value in asdict(mark).items()} for mark in comparison.callouts],
        "seconds": {stage: round(value, 3) for stage, value in seconds.items()},
        "alignment": kept(comparison, finding.asked, plain),
        "scanner_mm": plain(finding.scanner_mm),
        "notes": list(finding.notes),
        "triangles": len(finding.mesh.faces),
        **plain_extras(finding.extras, plain),
    }


def plain(value: Any) -> Any:
    """A JSON value: arrays as lists, numbers as Python's own, NaN as None."""
    if isinstance(value, np.ndarray | list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, dict):
        return {name: plain(item) for name, item in value.items()}
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def _feed(scan: Scan, finding: Finding) -> None:
    """The characteristic that is measured by scan takes the worst deviation of the cast's newest scan."""
    if not feeds_from_scan(finding.profile) or plain(finding.comparison.worst) is None:
        return
    rows = Measurement.objects.filter(cast=scan.cast, characteristic=finding.profile, scan__isnull=False)
    newer = rows.filter(replaced=False, scan__scanned_at__gt=scan.scanned_at).exclude(scan=scan).exists()
    rows.filter(scan__scanned_at__lte=scan.scanned_at).update(replaced=True)
    Measurement.objects.create(
        cast=scan.cast,
        characteristic=finding.profile,
        value=Decimal(f"{finding.comparison.worst:.3f}"),
        scan=scan,
        instrument=scan.instrument,
        uncertainty=Decimal(f"{finding.uncertainty:.4f}"),
        result=finding.comparison.result,
        measured_at=scan.scanned_at,
        measured_by=scan.scanned_by,
        replaced=newer,
    )
