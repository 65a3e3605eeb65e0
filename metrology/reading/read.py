"""From a file to a body in millimetres: one way for nominal meshes, one for scans."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from metrology.amounts.units import mm_per
from metrology.bodies import Cloud, Floats, Mesh, Progress, silent
from metrology.errors import ReadingError
from metrology.reading.expected import check_size_in_memory
from metrology.reading.obj import read_obj
from metrology.reading.own_unit import check_own_unit
from metrology.reading.ply import read_ply
from metrology.reading.points_apart import read_points_apart
from metrology.reading.raw import STAGE, Raw, counted
from metrology.reading.sniff import Kind, kind_of
from metrology.reading.step import read_step
from metrology.reading.stl import read_ascii_stl, read_binary_stl
from metrology.reading.table import read_table
from metrology.reading.table_layout import TableChoice
from metrology.reading.threemf import read_3mf
from metrology.reading.tidy import (
    distinct_up_to,
    join_equal_points,
    on_one_line,
    shifted_to_local_zero,
    sides_of_box,
    usable,
    without_unused_vertices,
)
from metrology.surfaces.mesh_facts import signed_volume, winding, without_area
from metrology.wording import quantity

FEWEST_POINTS = 100
UNUSABLE_SHARE = 0.01
# Steps between coordinates that a comparison could feel; finer ones are not worth a word. mm.
TELLING_STEP = 0.02
USUAL_CHORD = 0.1
ROUNDED_KINDS = ("binary-stl", "ply", "step")


@dataclass(frozen=True)
class MeshFile:
    """A nominal as it was read.

    notes: one plain sentence for each thing that was changed on the way. own_unit: stated by the file, or "".
    step_mm: steps in which the file keeps its coordinates. bodies: separate solids or objects, 0 when not known.
    chord_mm: farthest that a triangle may lie off the surface it stands for; None where the file itself has triangles.
    """

    mesh: Mesh
    notes: tuple[str, ...]
    kind: Kind
    own_unit: str
    step_mm: float
    bodies: int
    chord_mm: float | None


@dataclass(frozen=True)
class ScanFile:
    """Measured points as they were read; the fields are those of MeshFile. The cloud knows its local zero."""

    cloud: Cloud
    notes: tuple[str, ...]
    kind: Kind
    own_unit: str
    step_mm: float


def read_mesh(path: Path, *, unit: str, name: str | None = None, progress: Progress = silent) -> Mesh:
    """The mesh of `read_mesh_file`."""
    return read_mesh_file(path, unit=unit, name=name, progress=progress).mesh


def read_scan(path: Path, *, unit: str, name: str | None = None, progress: Progress = silent) -> Cloud:
    """The points of `read_scan_file`."""
    return read_scan_file(path, unit=unit, name=name, progress=progress).cloud


def read_mesh_with_notes(
    path: Path, *, unit: str, name: str | None = None, progress: Progress = silent
) -> tuple[Mesh, tuple[str, ...]]:
    found = read_mesh_file(path, unit=unit, name=name, progress=progress)
    return found.mesh, found.notes


def read_scan_with_notes(
    path: Path, *, unit: str, name: str | None = None, progress: Progress = silent
) -> tuple[Cloud, tuple[str, ...]]:
    found = read_scan_file(path, unit=unit, name=name, progress=progress)
    return found.cloud, found.notes


def read_mesh_file(
    path: Path,
    *,
    unit: str,
    name: str | None = None,
    progress: Progress = silent,
    overrule: bool = False,
    together: bool = False,
    chord_mm: float = USUAL_CHORD,
) -> MeshFile:
    """Read a nominal mesh from STEP, 3MF, STL, PLY or OBJ and convert it from `unit` to mm.

    name: the file's original name, a hint only. overrule: `unit` holds even where the file states another. together:
    several solids or objects are one nominal; else they are refused. chord_mm: farthest that a triangle may lie off
    the surface it stands for, where the file holds surfaces.
    Equal vertices are joined, polygons cut into triangles, faces without area and vertices without a face left out, and
    a closed mesh wound inside out is turned.
    Raises UnitError (unknown-unit, unit-contradiction) and ReadingError: empty-file, truncated, not-a-mesh, no-points,
    no-faces, not-finite, bad-row, bad-index, several-bodies, unsafe-archive, outside-file, reader-ended,
    too-large-for-memory.
    """
    factor = mm_per(unit)
    kind = kind_of(path, name, "mesh")
    check_size_in_memory(path, kind, "mesh")
    raw = _read(path, kind, progress, faces=True, chord_mm=chord_mm)
    _check_unit(raw, unit, overrule)
    if raw.bodies > 1 and not together:
        what = "solids" if kind == "step" else "objects"
        raise ReadingError(
            "several-bodies",
            f"The file holds {raw.bodies} {what}, and a nominal is one cast piece. "
            "Export that piece alone; or, if they are all cast as one, say that they are one nominal.",
        )
    if not len(raw.points):
        raise ReadingError("no-points", "The file holds no vertices. Export the nominal again.")
    if raw.faces is None or not len(raw.faces):
        raise ReadingError("no-faces", "The file holds no faces, only points. Export the nominal as a surface.")
    good = usable(raw.points)
    if not good.all():
        first = int(np.argmin(good))
        raise ReadingError(
            "not-finite",
            f"{_unusable(raw, int((~good).sum()))}, first {raw.row_name} {first + 1:,}. Export the nominal again.",
        )
    points, place = join_equal_points(raw.points)
    mesh, notes = _in_order(Mesh(points * factor, place[raw.faces]))
    progress(STAGE, 1.0)
    # A design is often written in round numbers; only what was rounded to single precision is known to be rounded.
    step_mm = raw.step * factor if kind in ROUNDED_KINDS else 0.0
    return MeshFile(
        mesh,
        (*raw.notes, *notes, *_about_steps(step_mm)),
        kind,
        raw.own_unit,
        step_mm,
        raw.bodies,
        chord_mm if kind == "step" else None,
    )


def _in_order(mesh: Mesh) -> tuple[Mesh, list[str]]:
    """The mesh without faces and vertices that mean nothing, wound outside out, and a note for each change."""
    notes = []
    flat = without_area(mesh)
    if flat.all():
        raise ReadingError("no-faces", f"None of the {len(flat):,} faces has an area. Export the nominal again.")
    if flat.any():
        mesh = Mesh(mesh.vertices, mesh.faces[~flat])
        were = "face without area was" if flat.sum() == 1 else "faces without area were"
        notes.append(f"{flat.sum():,} {were} left out.")
    loose = len(mesh.vertices)
    mesh = without_unused_vertices(mesh)
    loose -= len(mesh.vertices)
    if loose:
        notes.append(f"{counted(loose, 'vertex that no face uses was', 'vertices that no face uses were')} left out.")
    if signed_volume(mesh) < 0 and winding(mesh.faces)[1]:
        mesh = Mesh(mesh.vertices, np.ascontiguousarray(mesh.faces[:, ::-1]))
        notes.append("The faces were wound inside out and have been turned, so that outside is outside.")
    return mesh, notes


def read_scan_file(
    path: Path,
    *,
    unit: str,
    name: str | None = None,
    progress: Progress = silent,
    table: TableChoice | None = None,
    overrule: bool = False,
) -> ScanFile:
    """Read measured points from E57, LAS, LAZ, PLY, STL, OBJ, 3MF or a table of x, y, z and convert them from `unit`.

    name: the file's original name, a hint only. table: how a person said that a table is to be read, else that is
    worked out. overrule: `unit` holds even where the file states another. A mesh gives its vertices. Points without
    three usable coordinates are left out when they are fewer than 1 % of all. Points far from zero are counted from a
    local zero.
    Raises UnitError (unknown-unit, unit-contradiction) and ReadingError: empty-file, truncated, not-a-mesh, no-points,
    too-few-points, on-one-line, not-finite, bad-row, bad-index, damaged, unsafe-archive, outside-file, reader-ended,
    too-large-for-memory.
    """
    factor = mm_per(unit)
    kind = kind_of(path, name, "scan")
    check_size_in_memory(path, kind, "scan")
    raw = _read(path, kind, progress, faces=False, table=table)
    _check_unit(raw, unit, overrule)
    points, notes = _usable_points(raw)
    if raw.unmerged:
        points, _ = join_equal_points(points)
    distinct = distinct_up_to(points, FEWEST_POINTS)
    if distinct < FEWEST_POINTS:
        raise ReadingError(
            "too-few-points",
            f"The scan holds {counted(distinct, 'point', 'points')} only; {FEWEST_POINTS} or more are needed. "
            "Check that the right file was exported.",
        )
    if on_one_line(points):
        raise ReadingError(
            "on-one-line",
            "All points of the scan lie on one line, so they show no surface. Check that the right file was exported, "
            "and for a table that x, y and z are its right columns.",
        )
    if factor != 1.0:
        points *= factor
    points, origin = shifted_to_local_zero(points)
    if any(origin):
        zero = ", ".join(f"{axis}\u00a0{value:,.0f}" for axis, value in zip("xyz", origin, strict=True))
        notes.append(
            f"The coordinates lie far from zero; they are counted from {zero}\u00a0mm of the file's own frame."
        )
    progress(STAGE, 1.0)
    notes += _about_steps(raw.step * factor)
    return ScanFile(Cloud(points, origin), (*raw.notes, *notes), kind, raw.own_unit, raw.step * factor)


def _usable_points(raw: Raw) -> tuple[Floats, list[str]]:
    points = raw.points
    if not len(points):
        raise ReadingError("no-points", "The file holds no points. Export the scan again.")
    good = usable(points)
    bad = len(good) - int(good.sum())
    if not bad:
        return points, []
    if bad >= UNUSABLE_SHARE * len(good):
        first = int(np.argmin(good))
        raise ReadingError(
            "not-finite",
            f"{_unusable(raw, bad)}, {100 * bad / len(good):.1f} % of all, first {raw.row_name} {first + 1:,}. "
            "Clean the scan in the scanner's software and export it again.",
        )
    which = counted(bad, "point without usable coordinates was", "points without usable coordinates were")
    return points[good], [f"{which} left out."]


def _check_unit(raw: Raw, unit: str, overrule: bool) -> None:
    if raw.own_unit and raw.own_unit != unit:
        check_own_unit(raw.own_unit, unit, overrule, sides_of_box(raw.points))


def _read(
    path: Path,
    kind: Kind,
    progress: Progress,
    *,
    faces: bool,
    table: TableChoice | None = None,
    chord_mm: float = USUAL_CHORD,
) -> Raw:
    match kind:
        case "binary-stl":
            return read_binary_stl(path, progress)
        case "ascii-stl":
            return read_ascii_stl(path, progress)
        case "ply":
            return read_ply(path, progress, faces=faces)
        case "obj":
            return read_obj(path, progress, faces=faces)
        case "3mf":
            return read_3mf(path, progress)
        case "step":
            return read_step(path, progress, chord_mm)
        case "e57" | "las":
            return read_points_apart(path, kind, progress)
        case "table":
            return read_table(path, progress, table)


def _about_steps(step_mm: float) -> list[str]:
    """A sentence for coordinates that come in steps coarse enough to matter."""
    if step_mm < TELLING_STEP:
        return []
    return [
        f"The file keeps its coordinates in steps of {quantity(step_mm, 'mm', 2)}, so digits were lost before it came "
        "here. Export it in double precision, with more decimals, or with a zero near the part."
    ]


def _unusable(raw: Raw, bad: int) -> str:
    """“3 of 800 points have …”."""
    many = {"vertex": "vertices", "point": "points"}[raw.row_name]
    return (
        f"{bad:,} of {counted(len(raw.points), raw.row_name, many)} "
        "have coordinates that are missing, not finite or impossibly large"
    )
