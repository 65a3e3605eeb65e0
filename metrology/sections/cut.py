"""A section through a part: the nominal's outline in a plane, and the deviation that was measured along it."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from metrology.bodies import Floats, Ints
from metrology.errors import InputError
from metrology.pictures.field import Field
from metrology.sections.planes import Plane
from metrology.surfaces.surface import Surface
from metrology.wording import quantity

# The outline is told at about so many places, and at one on each of its pieces at least.
_PLACES = 3000
# Samples within so many spacings of the plane are asked.
_NEAR = 5.0
# Opposite faces of a thin plate are close in space: turning by 90° counts as so many spacings.
_SIDE = 1.5


@dataclass(frozen=True)
class Measured:
    """What a section needs of a comparison. points, normals: (s, 3) samples of the nominal, mm and unit. deviation:
    (s,) mm, NaN = not measured. lower, upper: (s,) mm, the limits at each. limits: of the whole, mm."""

    points: Floats
    normals: Floats
    deviation: Floats
    lower: Floats
    upper: Floats
    limits: tuple[float, float]


@dataclass(frozen=True)
class Section:
    """What a plane meets.

    segments: (s, 2, 3) mm, the nominal outline. Places along it: at (p, 3) mm; normals (p, 3) of the surface, outward;
    outward (p, 3) the same in the plane; length (p,) mm of outline that each stands for; deviation (p,) mm at right
    angles to the surface, NaN = not measured; lower and upper (p,) mm, the limits there. joins: (j, 2) rows of places
    that follow each other, joints: (j, 3) mm, where they meet. spacing: mm between the samples it is read from.
    """

    plane: Plane
    segments: Floats
    at: Floats
    normals: Floats
    outward: Floats
    length: Floats
    deviation: Floats
    lower: Floats
    upper: Floats
    joins: Ints
    joints: Floats
    spacing: float


def outline(surface: Surface, plane: Plane) -> tuple[Floats, Ints]:
    """Where a plane meets the surface: segments (s, 2, 3) mm and the faces (s,) that they lie on.

    A corner in the plane counts as on the side that the normal points to: an outline never stops at one.
    """
    height = surface.vertices @ plane.normal - plane.offset
    above = height[surface.faces] >= 0
    met = np.flatnonzero(above.any(axis=1) & ~above.all(axis=1))
    if not len(met):
        return np.empty((0, 2, 3)), met
    corners, heights, side = surface.vertices[surface.faces[met]], height[surface.faces[met]], above[met]
    # One corner is alone on its side: both edges from it cross the plane.
    alone = np.where(side.sum(axis=1) == 1, np.argmax(side, axis=1), np.argmin(side, axis=1))
    rows = np.arange(len(met))
    start, from_height = corners[rows, alone], heights[rows, alone]
    ends = []
    for step in (1, 2):
        other = (alone + step) % 3
        part = from_height / (from_height - heights[rows, other])
        ends.append(start + part[:, None] * (corners[rows, other] - start))
    segments = np.stack(ends, axis=1)
    real = np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1) > 1e-9 * surface.diagonal
    return segments[real], met[real]


def cut(surface: Surface, plane: Plane, measured: Measured) -> Section:
    """Cut the nominal and look up what was measured there. Raises InputError (beside) where the plane misses it."""
    segments, faces = outline(surface, plane)
    if not len(segments):
        raise InputError("beside", _missed(surface, plane))
    segment, part, length = _places(segments)
    along = segments[:, 1] - segments[:, 0]
    at = segments[segment, 0] + part[:, None] * along[segment]
    normals = surface.normals[faces[segment]]
    spacing = float(np.sqrt(surface.area / len(measured.points)))
    deviation, lower, upper = _looked_up(at, normals, plane, measured, spacing)
    joins, joints = _joined(segments, segment, 1e-7 * surface.diagonal)
    flat = normals - np.outer(normals @ plane.normal, plane.normal)
    outward = flat / np.linalg.norm(flat, axis=1)[:, None]
    return Section(
        plane, segments, at, normals, outward, length, deviation, lower, upper, joins, joints, spacing
    )  # fmt: skip


def _missed(surface: Surface, plane: Plane) -> str:
    used = surface.vertices[np.unique(surface.faces)]
    height = used @ plane.normal - plane.offset
    if plane.axis:
        low, high = (float(edge) + plane.offset + 0.0 for edge in (height.min(), height.max()))
        return (
            f"The plane {plane.name} does not cut the part, which reaches from {plane.axis} = {quantity(low, '', 1)} "
            f"to {quantity(high, 'mm', 1)}. Choose a place between."
        )
    nearest = int(np.argmin(np.abs(height)))
    x, y, z = (quantity(float(value), "", 1) for value in used[nearest])
    return (
        f"The {plane.name} does not cut the part: it passes {quantity(float(abs(height[nearest])), 'mm', 1)} beside it."
        f" The nearest corner of the part is at x {x}, y {y}, z {z}\u00a0mm. Choose a point inside."
    )


def _places(segments: Floats) -> tuple[Ints, Floats, Floats]:
    """Places evenly along the outline: segment (p,), part of the way along it (p,), and length that each stands for."""
    size = np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1)
    count = np.maximum(np.ceil(size / size.sum() * _PLACES).astype(np.int64), 1)
    segment = np.repeat(np.arange(len(count)), count)
    part = (np.arange(len(segment)) - np.repeat(np.cumsum(count) - count, count) + 0.5) / count[segment]
    return segment, part, (size / count)[segment]


def _looked_up(
    at: Floats, normals: Floats, plane: Plane, measured: Measured, spacing: float
) -> tuple[Floats, Floats, Floats]:
    """Deviation, NaN where less than half of the neighbourhood was measured, and limits, at places of the outline."""
    height = np.abs(measured.points @ plane.normal - plane.offset)
    rows = np.flatnonzero(height <= _NEAR * spacing)
    if len(rows) < 100:
        rows = np.sort(np.argsort(height, kind="stable")[:200])
    points, sides = measured.points[rows], measured.normals[rows]
    value, share = Field(points, sides, measured.deviation[rows], measured.limits).at(at, normals)
    side = _SIDE * spacing
    owner = cKDTree(np.hstack([points, side * sides])).query(np.hstack([at, side * normals]), workers=-1)[1]
    return np.where(share >= 0.5, value, np.nan), measured.lower[rows][owner], measured.upper[rows][owner]


def _joined(segments: Floats, segment: Ints, near: float) -> tuple[Ints, Floats]:
    """Rows of places that follow each other, (j, 2), and where they meet, (j, 3) mm: on one segment, or on two whose
    ends meet."""
    follow = np.flatnonzero(segment[1:] == segment[:-1])
    first = np.searchsorted(segment, np.arange(len(segments)))
    last = np.r_[first[1:], len(segment)] - 1
    # On a segment they meet half way between their middles.
    count = (last - first + 1)[segment[follow]]
    part = (follow - first[segment[follow]] + 1) / count
    along = segments[segment[follow], 1] - segments[segment[follow], 0]
    within = segments[segment[follow], 0] + part[:, None] * along
    ends = segments.reshape(-1, 3)
    pairs = cKDTree(ends).query_pairs(near, output_type="ndarray")
    pairs = pairs[np.lexsort(pairs.T[::-1])]
    place = np.stack([first, last], axis=1).reshape(-1)
    joins = np.concatenate([np.stack([follow, follow + 1], axis=1), place[pairs]])
    return joins.astype(np.int64), np.concatenate([within, ends[pairs[:, 0]]])
