"""From a file to a body in millimetres: one way for nominal meshes, one for scans."""

from pathlib import Path

import numpy as np

from metrology.bodies import Cloud, Mesh, Progress, silent
from metrology.errors import ReadingError
from metrology.mesh_facts import signed_volume, winding, without_area
from metrology.reading.obj import read_obj
from metrology.reading.ply import read_ply
from metrology.reading.raw import STAGE, Raw, counted
from metrology.reading.sniff import Kind, kind_of
from metrology.reading.stl import read_ascii_stl, read_binary_stl
from metrology.reading.table import read_table
from metrology.reading.tidy import distinct_up_to, join_equal_points, usable, without_unused_vertices
from metrology.units import mm_per

FEWEST_POINTS = 100
UNUSABLE_SHARE = 0.01


def read_mesh(path: Path, *, unit: str, name: str | None = None, progress: Progress = silent) -> Mesh:
    """Read a nominal mesh from STL, PLY or OBJ and convert it from `unit` to mm.

    name: the file's original name, a hint only. Equal vertices are joined, polygons cut into triangles, faces without
    area and vertices without a face left out, and a closed mesh wound inside out is turned.
    Raises UnitError (unknown-unit) and ReadingError: empty-file, truncated, not-a-mesh, no-points, no-faces,
    not-finite, bad-row, bad-index.
    """
    return read_mesh_with_notes(path, unit=unit, name=name, progress=progress)[0]


def read_scan(path: Path, *, unit: str, name: str | None = None, progress: Progress = silent) -> Cloud:
    """Read measured points from PLY, STL, OBJ or a table of x, y, z and convert them from `unit` to mm.

    name: the file's original name, a hint only. A mesh gives its vertices. Points without three usable coordinates
    are left out when they are fewer than 1 % of all.
    Raises UnitError (unknown-unit) and ReadingError: empty-file, truncated, not-a-mesh, no-points, too-few-points,
    not-finite, bad-row.
    """
    return read_scan_with_notes(path, unit=unit, name=name, progress=progress)[0]


def read_mesh_with_notes(
    path: Path, *, unit: str, name: str | None = None, progress: Progress = silent
) -> tuple[Mesh, tuple[str, ...]]:
    """As read_mesh, with one plain sentence for each thing that was changed on the way."""
    factor = mm_per(unit)
    raw = _read(path, kind_of(path, name, "mesh"), progress, faces=True)
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
    mesh = Mesh(points * factor, place[raw.faces])
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
    if winding(mesh.faces)[1] and signed_volume(mesh) < 0:
        mesh = Mesh(mesh.vertices, np.ascontiguousarray(mesh.faces[:, ::-1]))
        notes.append("The faces were wound inside out and have been turned, so that outside is outside.")
    progress(STAGE, 1.0)
    return mesh, tuple(notes)


def read_scan_with_notes(
    path: Path, *, unit: str, name: str | None = None, progress: Progress = silent
) -> tuple[Cloud, tuple[str, ...]]:
    """As read_scan, with one plain sentence for each thing that was left out on the way."""
    factor = mm_per(unit)
    raw = _read(path, kind_of(path, name, "scan"), progress, faces=False)
    points = raw.points
    if not len(points):
        raise ReadingError("no-points", "The file holds no points. Export the scan again.")
    notes: tuple[str, ...] = ()
    good = usable(points)
    bad = len(good) - int(good.sum())
    if bad:
        if bad >= UNUSABLE_SHARE * len(good):
            first = int(np.argmin(good))
            raise ReadingError(
                "not-finite",
                f"{_unusable(raw, bad)}, {100 * bad / len(good):.1f} % of all, first {raw.row_name} {first + 1:,}. "
                "Clean the scan in the scanner's software and export it again.",
            )
        points = points[good]
        which = counted(bad, "point without usable coordinates was", "points without usable coordinates were")
        notes = (f"{which} left out.",)
    if raw.unmerged:
        points, _ = join_equal_points(points)
    distinct = distinct_up_to(points, FEWEST_POINTS)
    if distinct < FEWEST_POINTS:
        raise ReadingError(
            "too-few-points",
            f"The scan holds {counted(distinct, 'point', 'points')} only; {FEWEST_POINTS} or more are needed. "
            "Check that the right file was exported.",
        )
    if factor != 1.0:
        points *= factor
    progress(STAGE, 1.0)
    return Cloud(points), notes


def _read(path: Path, kind: Kind, progress: Progress, *, faces: bool) -> Raw:
    match kind:
        case "binary-stl":
            return read_binary_stl(path, progress)
        case "ascii-stl":
            return read_ascii_stl(path, progress)
        case "ply":
            return read_ply(path, progress, faces=faces)
        case "obj":
            return read_obj(path, progress, faces=faces)
        case "table":
            return read_table(path, progress)


def _unusable(raw: Raw, bad: int) -> str:
    """“3 of 800 points have …”."""
    many = {"vertex": "vertices", "point": "points"}[raw.row_name]
    return (
        f"{bad:,} of {counted(len(raw.points), raw.row_name, many)} "
        "have coordinates that are missing, not finite or impossibly large"
    )
