"""The job that works out a position report: read the nominals and the scan, find the parts, draw, save."""

import math
from collections.abc import Mapping
from dataclasses import asdict
from datetime import datetime
from typing import Any

import numpy as np
from django.db import transaction
from django_tasks import task

from inspection.services.scans import how_to_read
from lessons.models import MockupScan
from logbook.files import keep, local_path
from logbook.services import record
from metrology.alignment.model import MarkedPair
from metrology.alignment.size_check import check_size
from metrology.bodies import Cloud, Mesh
from metrology.pictures.png import png
from metrology.positions.assembly import PlacedPart, placed_mesh
from metrology.positions.picture import ELEVATION, PLAN, position_pictures
from metrology.positions.report import (
    STAGE_FINDING,
    STAGE_PLACING,
    STAGE_SUMMING,
    PositionReport,
    PositionSettings,
    position_report,
)
from metrology.reading import read_scan_file
from parts import work
from parts.services.geometry import nominal_mesh

STAGES = {"reading": 0.15, STAGE_PLACING: 0.2, STAGE_FINDING: 0.5, STAGE_SUMMING: 0.02, "drawing": 0.1, "saving": 0.03}


@task()
def work_out_positions(scan_id: int, attempt: int) -> None:
    run(scan_id, attempt)


def enqueue(scan_id: int, attempt: int) -> None:
    work_out_positions.enqueue(scan_id, attempt)


def run(scan_id: int, attempt: int, *, at: datetime | None = None) -> bool:
    return work.run(MockupScan, scan_id, attempt, STAGES, _work_out, at)


def placed_parts(scan: MockupScan) -> list[PlacedPart]:
    """The parts of the scan's assembly with their meshes; equal nominals share one mesh."""
    rows = scan.assembly.parts.select_related("nominal__file", "nominal__mesh", "revision__component").order_by(
        "number"
    )
    meshes: dict[int, Mesh] = {}
    parts = []
    for row in rows:
        if row.nominal_id not in meshes:
            meshes[row.nominal_id] = nominal_mesh(row.nominal)
        parts.append(
            PlacedPart(
                label=row.label,
                part=str(row.revision),
                mesh=meshes[row.nominal_id],
                matrix=np.array(row.matrix, dtype=np.float64).reshape(4, 4),
                position_mm=None if row.position_mm is None else float(row.position_mm),
                turn_deg=None if row.turn_deg is None else float(row.turn_deg),
            )
        )
    return parts


def settings_of(scan: MockupScan, step_mm: float) -> PositionSettings:
    """step_mm: in which the file keeps its coordinates; rounding to them adds its even spread (JCGM 100, F.2.2.1, from
    memory). On a scale model everything is read at full size, the uncertainty with it."""
    instrument, scale = scan.instrument, float(scan.mockup.scale)
    own = float(instrument.uncertainty * 2 / instrument.coverage_factor)
    control = scan.assembly.parts.filter(control=True).values_list("label", flat=True) if scan.by_control else ()
    return PositionSettings(
        uncertainty_mm=scale * math.hypot(own, 2 * step_mm / math.sqrt(12)),
        placing=MockupScan.Placing(scan.placing).value,
        pairs=tuple(MarkedPair(tuple(scale * v for v in pair[:3]), tuple(pair[3:])) for pair in scan.pairs),
        control=tuple(control),
        axes=MockupScan.Axes(scan.axes).value,
        search_mm=float(scan.search_mm),
    )


def _work_out(scan: MockupScan, report: work.Reporter, at: datetime) -> None:
    report("reading", 0.0)
    parts = placed_parts(scan)
    with local_path(scan.file) as path:
        file = read_scan_file(path, unit=scan.unit, name=scan.original_name, progress=report, **how_to_read(scan))
    scale = float(scan.mockup.scale)
    cloud = file.cloud
    if scale != 1:
        x, y, z = cloud.origin
        cloud = Cloud(cloud.points * scale, (x * scale, y * scale, z * scale))
    check_size(placed_mesh(parts), cloud, scan.unit)
    settings = settings_of(scan, file.step_mm)
    found = position_report(parts, cloud, settings, report)
    report("drawing", 0.0)
    drawn = position_pictures(parts, found.parts)
    plan, elevation = (keep(png(drawn[name]), "image/png") for name in (PLAN, ELEVATION))
    report("saving", 0.0)
    with transaction.atomic():
        work.claim_the_end(
            scan,
            at,
            sentence=found.sentence,
            figures=figures(found) | {"file_notes": list(file.notes), "scale": scale},
            result=found.result,
            plan=plan,
            elevation=elevation,
            code_version=found.version,
        )
        details = {"file": scan.file.sha256, "assembly": scan.assembly.number, "result": found.result}
        record(None, "mockup-scan.reported", scan, f"{scan.named}: {found.sentence}", details=details, at=at)


def figures(found: PositionReport) -> dict[str, Any]:
    """The report as plain numbers; what is not determined has no number."""
    return _plain(
        {
            "parts": [asdict(part) | {"limit_mm": part.limit_mm} for part in found.parts],
            "placement": found.placement,
            "placed_by": found.placed_by,
            "ambiguous": found.ambiguous,
            "drift": None if found.drift is None else asdict(found.drift),
            "notes": found.notes,
            "points_read": found.points_read,
            "uncertainty": found.settings.uncertainty_mm,
            "seconds": found.stage_seconds,
        }
    )


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {name: _plain(inner) for name, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, np.generic):
        return _plain(value.item())
    return None if isinstance(value, float) and not math.isfinite(value) else value
