"""From two files to a finished comparison: read, check units, align, measure, sum up. No database anywhere."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from time import perf_counter

from metrology.alignment.size_check import check_size
from metrology.bodies import Mesh, Progress, silent
from metrology.comparison.compare import Comparison, RegionSpec, Settings, compare
from metrology.reading import MeshFile, ScanFile, TableChoice, read_mesh_file, read_scan_file, read_together

CHECKING = "checking units"
# Chords of curved surfaces may take up this share of half the tolerance width.
_CHORD_SHARE, _LEAST_CHORD, _MOST_CHORD = 0.1, 0.005, 0.5


@dataclass(frozen=True)
class FilesCompared:
    """uncertainty: expanded, k = 2, mm, rounding of the file's coordinates included. seconds: by stage."""

    nominal: MeshFile
    scan: ScanFile
    comparison: Comparison
    uncertainty: float
    seconds: dict[str, float]

    @property
    def mesh(self) -> Mesh:
        return self.nominal.mesh

    @property
    def notes(self) -> tuple[str, ...]:
        return (*self.nominal.notes, *self.scan.notes)


def compare_files(
    nominal: Path,
    scan: Path,
    *,
    unit: str,
    nominal_unit: str,
    settings: Settings,
    regions: Sequence[RegionSpec] = (),
    table: TableChoice | None = None,
    together: bool = False,
    progress: Progress = silent,
) -> FilesCompared:
    """Compare a scan with its nominal. unit, nominal_unit: of the two files. table: how a table of points is laid out.
    together: several solids of the nominal are one piece. Marked points are in the frame of the scan's file.

    progress gets "reading", "checking units" and the stages of `compare`. Raises what the readers, `check_size` and
    `compare` raise.
    """
    moments = [perf_counter()]
    model, measured = read_together(
        lambda told: read_mesh_file(
            nominal, unit=nominal_unit, progress=told, together=together, chord_mm=chord_for(settings)
        ),
        lambda told: read_scan_file(scan, unit=unit, progress=told, table=table),
        progress,
    )
    moments.append(perf_counter())
    progress(CHECKING, 0.0)
    check_size(model.mesh, measured.cloud, unit)
    moments.append(perf_counter())
    uncertainty = with_rounding(settings.uncertainty_mm, measured.step_mm)
    comparison = compare(model.mesh, measured.cloud, replace(settings, uncertainty_mm=uncertainty), regions, progress)
    seconds = {"reading": moments[1] - moments[0], CHECKING: moments[2] - moments[1]} | comparison.stage_seconds
    return FilesCompared(model, measured, comparison, uncertainty, seconds)


def with_rounding(uncertainty_mm: float, step_mm: float) -> float:
    """Expanded uncertainty, k = 2, mm, of points whose coordinates were rounded to steps.

    Rounding adds an even spread of half a step to each side, whose standard deviation is step / √12 (JCGM 100, F.2.2.1,
    from memory).
    """
    return math.hypot(uncertainty_mm, 2 * step_mm / math.sqrt(12))


def chord_for(settings: Settings) -> float:
    """How far triangles may lie off a curved nominal, mm: a tenth of half the width of the tolerance."""
    return min(max(_CHORD_SHARE * (settings.upper_mm - settings.lower_mm) / 2, _LEAST_CHORD), _MOST_CHORD)
