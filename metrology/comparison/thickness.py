"""Wall thickness where both sides were scanned: along the inward normal from one measured surface to the other."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from metrology.bodies import Floats, Ints
from metrology.surfaces.edges import sharp_edges
from metrology.surfaces.surface import Flags, Surface

# Opposite: the other side looks back within 60° of the ray. A more slanting one is a corner, not a wall.
_FACING_BACK = float(np.cos(np.radians(60.0)))
# Thicker than this share of the part's diagonal it is a body, not a wall. A convention of our own, no source.
_THICKEST = 0.25
# Nearer than so many spacings to an edge, what was measured round the edge counts in the deviation.
_FROM_EDGES = 0.5
# How far from a place, in spacings, the sample may lie whose deviation stands for it.
_NEAR = 1.6
# The side that a sample lies on counts as so many spacings for a turn of 90°, as for deviations.
_SIDE = 1.5
# A sample counts as measured from so many points on (see `sample_means`).
_FEWEST_POINTS = 3


@dataclass(frozen=True)
class Thickness:
    """Of each surface sample. nominal: (s,) mm, NaN where there is no wall. measured: (s,) mm, NaN where either
    side was not measured. slant: (s,) cosine of the angle at which the ray meets the other side, NaN as nominal."""

    nominal: Floats
    measured: Floats
    slant: Floats


@dataclass(frozen=True)
class WallFigures:
    """Over samples of the surface; mm, NaN where there is nothing to tell.

    walls: share of the surface that is a side of one. measured: share of that which was measured from both sides.
    least: the thinnest wall measured, with its place (3,) on the side it was measured from, the nominal thickness there
    and its uncertainty. mean: over all measured, with the mean nominal over the same places. loss: measured less
    nominal where that is least (negative: too thin), with place, nominal and uncertainty. Uncertainties are k = 2.
    """

    walls: float
    measured: float
    least: float
    least_at: Floats
    least_nominal: float
    least_uncertainty: float
    mean: float
    mean_nominal: float
    mean_uncertainty: float
    loss: float
    loss_at: Floats
    loss_nominal: float
    loss_uncertainty: float


def thickness(surface: Surface, points: Floats, normals: Floats, deviation: Floats) -> Thickness:
    """Thickness at samples of the surface.

    points, normals: (s, 3) mm and unit, samples of the nominal surface, each for the same area. deviation: (s,) signed
    mm, NaN = not measured. The ray runs from the sample against its normal, through the material, to the first surface.
    Places within half the distance between samples of an edge, on either side, are left out: points from round the
    edge count in their deviation. The measured thickness is the nominal one, plus the deviation here, plus that on the
    other side divided by the cosine of the angle at which the ray meets it: exact where both sides are flat over their
    deviation.
    """
    spacing = float(np.sqrt(surface.area / len(points)))
    distance, face, slant = _opposite(surface, points, normals)
    walls = np.isfinite(distance)
    here, there = points[walls], points[walls] - distance[walls, None] * normals[walls]
    near = _near_edges(surface, np.concatenate([here, there]), _FROM_EDGES * spacing)
    walls[walls] = ~near.reshape(2, -1).any(axis=0)
    measured = np.full(len(points), np.nan)
    rows = np.flatnonzero(walls & np.isfinite(deviation))
    if len(rows):
        opposite = points[rows] - distance[rows, None] * normals[rows]
        other = _deviation_at(opposite, surface.normals[face[rows]], points, normals, deviation, spacing)
        measured[rows] = distance[rows] + deviation[rows] + other / slant[rows]
    # Less than nothing is no wall: the two sides were credited to each other.
    measured[measured <= 0] = np.nan
    return Thickness(np.where(walls, distance, np.nan), measured, np.where(walls, slant, np.nan))


def wall_figures(
    found: Thickness, points: Floats, which: Ints, *, instrument_mm: float, noise_mm: float
) -> WallFigures:
    """Over the samples `which`, (k,) rows. points: (s, 3) mm. instrument_mm: U of the scanner, k = 2. noise_mm:
    standard deviation of single points, NaN if unknown.

    The scanner is taken to err alike on both sides, so that its errors add; a local mean to rest on the fewest points
    that count. The alignment does not matter: both sides lie in one scan.
    """
    walls = which[np.isfinite(found.nominal[which])]
    rows = walls[np.isfinite(found.measured[walls])]
    share = len(walls) / len(which) if len(which) else 0.0
    if not len(rows):
        nan, nowhere = float("nan"), np.full(3, np.nan)
        return WallFigures(share, 0.0, nan, nowhere, nan, nan, nan, nan, nan, nan, nowhere, nan, nan)
    noise = (0.0 if not np.isfinite(noise_mm) else noise_mm) / np.sqrt(_FEWEST_POINTS)
    tilted = 1 / found.slant[rows]
    scanner, scatter = instrument_mm * (1 + tilted), 2 * noise * np.hypot(1, tilted)
    sure = np.hypot(scanner, scatter)
    values, nominal = found.measured[rows], found.nominal[rows]
    thin, lost = int(np.argmin(values)), int(np.argmin(values - nominal))
    return WallFigures(
        walls=share,
        measured=len(rows) / len(walls),
        least=float(values[thin]),
        least_at=points[rows[thin]],
        least_nominal=float(nominal[thin]),
        least_uncertainty=float(sure[thin]),
        mean=float(values.mean()),
        mean_nominal=float(nominal.mean()),
        mean_uncertainty=float(np.hypot(scanner.mean(), np.sqrt((scatter**2).mean() / len(rows)))),
        loss=float(values[lost] - nominal[lost]),
        loss_at=points[rows[lost]],
        loss_nominal=float(nominal[lost]),
        loss_uncertainty=float(sure[lost]),
    )


def _opposite(surface: Surface, points: Floats, normals: Floats) -> tuple[Floats, Ints, Floats]:
    """Distance (s,) mm along the inward ray to the first surface, inf where none is near that faces back; its face (s,)
    and the cosine (s,) at which the ray meets it."""
    way = np.ascontiguousarray(-normals)
    begun = np.ascontiguousarray(points + 1e-6 * surface.diagonal * way)
    found = surface.tree.intersect_ray_first(surface.vertices, surface.faces, begun, way)
    face = np.asarray(found[0]).reshape(-1).astype(np.int64)
    met = (face >= 0) & np.isfinite(np.asarray(found[1], dtype=np.float64).reshape(-1))
    face = np.where(met, face, 0)
    slant = np.einsum("ij,ij->i", surface.normals[face], way)
    met &= slant >= _FACING_BACK
    # The search gives its distance in 32 bits: the plane of the face gives it in full.
    corner = surface.vertices[surface.faces[face, 0]]
    height = np.einsum("ij,ij->i", corner - points, surface.normals[face])
    distance = np.divide(height, slant, out=np.full(len(points), np.inf), where=met)
    return np.where(distance <= _THICKEST * surface.diagonal, distance, np.inf), face, slant


def _near_edges(surface: Surface, points: Floats, reach: float) -> Flags:
    """Which places (k, 3) mm lie within `reach` mm of an edge, (k,)."""
    sharp, open_ones = sharp_edges(surface)
    face, corner = np.nonzero(sharp | open_ones)
    if not len(face):
        return np.zeros(len(points), dtype=np.bool_)
    start = surface.vertices[surface.faces[face, (corner + 1) % 3]]
    along = surface.vertices[surface.faces[face, (corner + 2) % 3]] - start
    # Points so close on each edge that the distance to them is that to the edge, to a hundredth of the reach.
    count = np.ceil(np.linalg.norm(along, axis=1) / (0.25 * reach)).astype(np.int64) + 1
    owner = np.repeat(np.arange(len(count)), count)
    part = (np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)) / (count - 1)[owner]
    tree = cKDTree(start[owner] + part[:, None] * along[owner])
    near: Flags = np.isfinite(tree.query(points, distance_upper_bound=reach, workers=-1)[0])
    return near


def _deviation_at(
    at: Floats, way: Floats, points: Floats, normals: Floats, deviation: Floats, spacing: float
) -> Floats:
    """Deviation at places (k, 3) of the surface with normals (k, 3): of the nearest samples on that side, weighted by
    nearness; NaN where the nearest was not measured or none is near."""
    side = _SIDE * spacing
    tree = cKDTree(np.hstack([points, side * normals]))
    count = min(4, len(points))
    away, rows = tree.query(np.hstack([at, side * way]), k=count, workers=-1)
    away, rows = away.reshape(len(at), count), rows.reshape(len(at), count)
    value = deviation[rows]
    weight = np.where(np.isfinite(value) & (away <= 2 * _NEAR * spacing), 1.0 / (away + 1e-3 * spacing) ** 2, 0.0)
    known = np.isfinite(value[:, 0]) & (away[:, 0] <= _NEAR * spacing)
    total = weight.sum(axis=1)
    mixed = (weight * np.nan_to_num(value)).sum(axis=1) / np.where(total > 0, total, 1.0)
    return np.where(known & (total > 0), mixed, np.nan)
