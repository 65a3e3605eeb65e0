"""Putting what was read in order: shared corners joined, faces without area and stray rows left out."""

import numpy as np
import numpy.typing as npt

from metrology.bodies import Floats, Ints, Mesh

ROWS_AT_ONCE = 1 << 20
# Larger than the earth in millimetres: not a coordinate of a building part.
FARTHEST = 1e12
# Farther from zero than this, points are counted from a zero of their own, whole metres away. mm.
FAR = 100_000.0
WHOLE = 1000.0
# Less across than this share of along, and points show a line and no surface.
LINE_SHARE = 1 / 2000


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
        # Mostly all are: one look at the extremes tells, for a number that is none makes both of them none.
        if part.min() > -FARTHEST and part.max() < FARTHEST:
            good[start : start + len(part)] = True
            continue
        good[start : start + len(part)] = (np.abs(part) < FARTHEST).all(axis=1)
    return good


def shifted_to_local_zero(points: Floats) -> tuple[Floats, tuple[float, float, float]]:
    """(points about a zero among them, where that zero lies), when they lie far off; else the points as they are.

    points: (n, 3) mm, finite; changed in place. The zero is the middle of the points, to whole metres, so that a few
    strays do not move it. A difference of doubles that lie close together is exact, so no digit is lost.
    """
    middle = np.median(points[:: max(len(points) // 10_000, 1)], axis=0)
    if np.abs(middle).max() <= FAR:
        return points, (0.0, 0.0, 0.0)
    x, y, z = (float(value) for value in np.round(middle / WHOLE) * WHOLE + 0.0)
    points -= np.array((x, y, z))
    return points, (x, y, z)


def single_step(points: Floats) -> float:
    """Steps in which numbers of single precision come where nearly all of the points lie, (n, 3), in their unit.

    The greatest of the three axes, at nine points in ten: a few strays far off do not count.
    """
    some = points[:: max(len(points) // 10_000, 1)]
    some = np.abs(some[usable(some)])
    if not len(some):
        return 0.0
    return float(np.spacing(np.quantile(some, 0.9, axis=0).max().astype(np.float32)))


def sides_of_box(points: Floats) -> Floats | None:
    """Sides of the axis-aligned box around the usable points, (3,) in their unit; None when there are none."""
    good = points[usable(points)]
    return good.max(axis=0) - good.min(axis=0) if len(good) else None


def distinct_up_to(points: Floats, enough: int) -> int:
    """Number of distinct points, or any number from `enough` on once that many are found."""
    for rows in (points[:: max(len(points) // 10_000, 1)], points):
        found = len(np.unique(rows, axis=0))
        if found >= enough:
            break
    return found


def on_one_line(points: Floats) -> bool:
    """Whether points, (n, 3) finite, spread along one line only: across it less than a 2,000th of along it. Points that
    lie on one line only because of strays, more than twenty times as far out as half of them, do not."""
    some = points[:: max(len(points) // 10_000, 1)]
    away = some - np.median(some, axis=0)
    if not _thin(away):
        return False
    distance = np.linalg.norm(away, axis=1)
    return _thin(away[distance <= (20 * np.median(distance) or np.inf)])


def _thin(away: Floats) -> bool:
    spread = np.linalg.svd(away, compute_uv=False)
    return bool(spread[1] <= LINE_SHARE * spread[0])


def without_unused_vertices(mesh: Mesh) -> Mesh:
    """The mesh with only those vertices that a face uses, in their order."""
    used = np.zeros(len(mesh.vertices), dtype=np.bool_)
    used[mesh.faces] = True
    if used.all():
        return mesh
    return Mesh(mesh.vertices[used], (np.cumsum(used) - 1)[mesh.faces])
