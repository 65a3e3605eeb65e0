"""Polygons to triangles: a fan where it is right, cutting off ears where a polygon is hollow somewhere."""

import numpy as np

from metrology.bodies import Floats, Ints
from metrology.errors import ReadingError
from metrology.reading.raw import counted

# Hollow polygons are cut one ear at a time, which costs the square of their corners: seconds, not minutes.
MOST_CORNERS = 1500
MOST_EFFORT = 25_000_000


def triangulate(points: Floats, counts: Ints, corners: Ints) -> Ints:
    """Triangles of polygons, (m, 3), in the order of the polygons and with their sense of rotation.

    points: (n, 3). counts: (p,) corners of each polygon. corners: (sum of counts,) vertex numbers, polygon by polygon.
    Polygons of fewer than three corners give nothing. A concave flat polygon is covered exactly once.
    Raises ReadingError (too-many-corners) where cutting hollow polygons would take minutes.
    """
    effort = 0
    starts = np.cumsum(counts) - counts
    pieces: list[Ints] = []
    owners: list[Ints] = []
    for sides in np.unique(counts[counts >= 3]):
        polygons = np.flatnonzero(counts == sides)
        around = corners[starts[polygons, None] + np.arange(sides)]
        first = np.repeat(around[:, :1], sides - 2, axis=1)
        triangles = np.stack([first, around[:, 1:-1], around[:, 2:]], axis=2)
        if sides > 3:
            hollows = np.flatnonzero(_fan_folds(points, triangles))
            effort += len(hollows) * int(sides) ** 2
            if effort > MOST_EFFORT or (len(hollows) and sides > MOST_CORNERS):
                raise ReadingError(
                    "too-many-corners",
                    f"The file has {counted(len(hollows), 'hollow face', 'hollow faces')} of {sides:,} corners. "
                    "Export it with triangles.",
                )
            for hollow in hollows:
                triangles[hollow] = _cut_ears(points, around[hollow])
        pieces.append(triangles.reshape(-1, 3))
        owners.append(np.repeat(polygons, sides - 2))
    if not pieces:
        return np.empty((0, 3), dtype=np.int64)
    order = np.argsort(np.concatenate(owners), kind="stable")
    faces: Ints = np.concatenate(pieces)[order]
    return faces


def _fan_folds(points: Floats, triangles: Ints) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """True for each polygon whose fan, (p, t, 3), has a triangle turned against the polygon as a whole."""
    a, b, c = (points[triangles[..., corner]] for corner in range(3))
    with np.errstate(invalid="ignore", over="ignore"):  # coordinates that are no numbers are refused later
        normals = np.cross(b - a, c - a)
        whole = normals.sum(axis=1, keepdims=True)
        folds: np.ndarray[tuple[int], np.dtype[np.bool_]] = ((normals * whole).sum(axis=2) < 0).any(axis=1)
    return folds


def _cut_ears(points: Floats, around: Ints) -> Ints:
    """Triangles of one polygon, (k - 2, 3), by ear clipping in the plane it leans to most."""
    p = points[around] - points[around[0]]
    normal = np.cross(p, np.roll(p, -1, axis=0)).sum(axis=0)
    drop = int(np.abs(normal).argmax())
    flat = np.delete(p, drop, axis=1)
    # Mirrored where needed, so that the polygon runs counter-clockwise.
    flat[:, 0] *= np.sign(normal[drop]) * (-1 if drop == 1 else 1)
    left = list(range(len(around)))
    triangles = []
    while len(left) > 3:
        place = next((i for i in range(len(left)) if _is_ear(flat, left, i)), 0)
        triangles.append((left[place - 1], left[place], left[(place + 1) % len(left)]))
        del left[place]
    triangles.append((left[0], left[1], left[2]))
    cut: Ints = around[np.array(triangles)]
    return cut


def _is_ear(flat: Floats, left: list[int], place: int) -> bool:
    """True when the corner at `place` turns left and no other corner lies in the triangle it would cut off."""
    corner = (left[place - 1], left[place], left[(place + 1) % len(left)])
    a, b, c = flat[list(corner)]
    if _turn(a, b, c) <= 0:
        return False
    others = flat[[i for i in left if i not in corner]]
    inside = (_turn(a, b, others) >= 0) & (_turn(b, c, others) >= 0) & (_turn(c, a, others) >= 0)
    same = (others[:, None] == flat[list(corner)]).all(axis=2).any(axis=1)
    return not bool((inside & ~same).any())


def _turn(a: Floats, b: Floats, c: Floats) -> Floats:
    """Twice the signed area of a, b, c; c may be many points."""
    twice: Floats = (b[0] - a[0]) * (c[..., 1] - a[1]) - (b[1] - a[1]) * (c[..., 0] - a[0])
    return twice
