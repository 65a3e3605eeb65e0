"""Putting what was read in order: shared corners joined, faces without area and stray rows left out."""

import numpy as np
import numpy.typing as npt

from metrology.bodies import Floats, Ints, Mesh

ROWS_AT_ONCE = 1 << 20
# Larger than the earth in millimetres: not a coordinate of a building part.
FARTHEST = 1e12


def join_equal_points(points: Floats) -> tuple[Floats, Ints]:
    """(distinct points in order of first appearance, for each point its place among them). Equal means equal bits;
    −0 counts as 0."""
    points = points + 0.0
    key = _mixed(points)
    _, first, place = np.unique(key, return_index=True, return_inverse=True)
    if not np.array_equal(points[first[place]], points):
        # Two different points share a key: sort the coordinates themselves.
        _, first, place = np.unique(points, axis=0, return_index=True, return_inverse=True)
    order = np.argsort(first)
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    return points[first[order]], rank[place.reshape(-1)]


def _mixed(points: Floats) -> npt.NDArray[np.uint64]:
    """One well-mixed 64-bit key for each point."""
    key = np.zeros(len(points), dtype=np.uint64)
    for column in np.ascontiguousarray(points).view(np.uint64).T:
        key ^= column
        for shift, factor in ((33, 0xFF51AFD7ED558CCD), (29, 0xC4CEB9FE1A85EC53)):
            key ^= key >> np.uint64(shift)
            key *= np.uint64(factor)
    return key ^ (key >> np.uint64(32))


def usable(points: Floats) -> npt.NDArray[np.bool_]:
    """True for each point with three finite coordinates of a possible size, (n,)."""
    good = np.empty(len(points), dtype=np.bool_)
    for start in range(0, len(points), ROWS_AT_ONCE):
        part = points[start : start + ROWS_AT_ONCE]
        good[start : start + len(part)] = (np.abs(part) < FARTHEST).all(axis=1)
    return good


def distinct_up_to(points: Floats, enough: int) -> int:
    """Number of distinct points, or any number from `enough` on once that many are found."""
    for rows in (points[:: max(len(points) // 10_000, 1)], points):
        found = len(np.unique(rows, axis=0))
        if found >= enough:
            break
    return found


def without_unused_vertices(mesh: Mesh) -> Mesh:
    """The mesh with only those vertices that a face uses, in their order."""
    used = np.zeros(len(mesh.vertices), dtype=np.bool_)
    used[mesh.faces] = True
    if used.all():
        return mesh
    return Mesh(mesh.vertices[used], (np.cumsum(used) - 1)[mesh.faces])
