"""Signed deviation of measured points from the nominal surface."""

from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats, Ints, Mesh, Progress, silent
from metrology.surfaces.surface import Surface, prepare

# Points per piece: short enough to report progress many times a second and to stay in the processor's cache.
PIECE = 1 << 15

STAGE = "measuring"


@dataclass(frozen=True)
class Deviations:
    """Point-to-surface deviation.

    values: (n,) mm, positive outside (material outside nominal), negative inside. faces: (n,) int64, row of the
    closest face of the mesh. closest: (n, 3) mm, the closest point on it.
    """

    values: Floats
    faces: Ints
    closest: Floats


def signed_deviation(points: Floats, mesh: Mesh, *, progress: Progress = silent) -> Deviations:
    """Signed distance from each point to the nominal surface.

    points: (n, 3) mm, nominal frame, finite. The distance is exact for the triangles given; the sign follows the
    face normal or, where the closest point lies on an edge or a corner, the angle-weighted pseudonormal, so it is
    right on closed meshes and sensible on open ones. A point on the surface has deviation 0 (either sign of zero).
    No points give empty arrays. progress is called before the first piece and after each one; what it raises passes
    through.

    Raises InputError for a nominal without area or wound inside out.
    """
    progress(STAGE, 0.0)
    surface = prepare(mesh)
    count = len(points)
    values, faces, closest = np.empty(count), np.empty(count, dtype=np.int64), np.empty((count, 3))
    for start in range(0, count, PIECE):
        piece = slice(start, min(start + PIECE, count))
        values[piece], found, closest[piece], _ = closest_in_order(surface, points[piece])
        faces[piece] = surface.mesh_faces[found]
        progress(STAGE, piece.stop / count)
    if not count:
        progress(STAGE, 1.0)
    return Deviations(values, faces, closest)


def closest_in_order(surface: Surface, points: Floats) -> tuple[Floats, Ints, Floats, Floats]:
    """`Surface.closest`, asked for in an order that keeps neighbours together: twice as fast on large meshes."""
    order = neighbour_order(points)
    back = np.empty_like(order)
    back[order] = np.arange(len(order))
    values, faces, closest, normals = surface.closest(np.ascontiguousarray(points[order]))
    return values[back], faces[back], closest[back], normals[back]


def neighbour_order(points: Floats) -> Ints:
    """An order in which points of one small cube follow each other, (n,); cubes follow a Z-shaped curve."""
    if not len(points):
        return np.empty(0, dtype=np.int64)
    low, high = points.min(axis=0), points.max(axis=0)
    scale = 31.999 / max(float((high - low).max()), 1e-300)
    codes = np.empty(len(points), dtype=np.uint16)
    for start in range(0, len(points), PIECE):
        cell = ((points[start : start + PIECE] - low) * scale).astype(np.uint16)
        # The five bits of 0 to 31, each moved to every third place.
        for by, kept in ((8, 0x100F), (4, 0x10C3), (2, 0x1249)):
            cell |= cell << by
            cell &= kept
        codes[start : start + PIECE] = cell[:, 0] | cell[:, 1] << 1 | cell[:, 2] << 2
    order: Ints = np.argsort(codes, kind="stable")
    return order
