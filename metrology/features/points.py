"""The measured points that belong to a region, and the nominal surface of it: what features are fitted to."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree
from scipy.special import ndtri

from metrology.alignment.region_motion import PATCHES
from metrology.bodies import Floats, Ints
from metrology.surfaces.selection import Chosen, face_pairs
from metrology.surfaces.surface import Flags, Surface

# Edges are rounded on a cast and smeared in a scan: points this near to one are left out, but never more than a fifth
# of the way to the middle of a narrow region. Common practice, no source.
EDGE_MM, _EDGE_SHARE = 2.0, 0.2
# Neighbouring faces that turn by less than this at the rim of a region make no edge there (cosine of 10°).
_EDGE_TURN = float(np.cos(np.radians(10.0)))
# Cells of about so many points are averaged for the form; and so many at least make a mean.
_IN_A_CELL, _LEAST_IN_A_CELL = 16, 5
_MOST_CELLS = 4000
_CHANCE = 0.05
# So many places to each cell tell its area; and no point counts for more than so many usual ones.
_FINE, _HEAVIEST = 24, 10.0
# Powers of the coordinates in which the slow part of the form is sought, and the points that each step needs.
_POWERS = ((3, 400), (2, 100))
_TRIED = 600


@dataclass(frozen=True)
class Placed:
    """Measured points in the nominal frame, strays left out. points: (k, 3) mm. deviation: (k,) signed mm. faces: (k,)
    rows of the surface that they were credited to. closest: (k, 3) their places on it."""

    points: Floats
    deviation: Floats
    faces: Ints
    closest: Floats


@dataclass(frozen=True)
class Extracted:
    """Points (n, 3) of a region, and their places on it (n, 3). weights: (n,) the area that each stands for, relative,
    so that crowded places count no more than others. cells, patches: (n,) numbers. coverage: share of the region's
    area, edges left out, with points near. edge_mm: how far from edges points had to be. left_out: points of the region
    that were nearer to an edge."""

    points: Floats
    on_surface: Floats
    weights: Floats
    cells: Ints
    patches: Ints
    coverage: float
    edge_mm: float
    left_out: int


def extract(regions: Sequence[Chosen], placed: Placed, edge_mm: float = EDGE_MM) -> Extracted:
    """Points credited to any of the regions, away from the regions' edges. Deterministic."""
    surface = regions[0].surface
    held = holding(regions, placed.closest, placed.faces)
    rows = np.flatnonzero(held)
    margin, rim = edge_margin(regions, edge_mm)
    clear = _away(placed.closest[rows], rim, margin)
    left_out = int(len(rows) - clear.sum())
    points = placed.points[rows[clear]]
    on_surface = placed.closest[rows[clear]]
    area = sum(chosen.area for chosen in regions)
    coverage = _coverage(regions, on_surface, rim, margin, surface, area)
    if not len(points):
        none = np.empty(0, dtype=np.int64)
        return Extracted(points, on_surface, np.empty(0), none, none, coverage, margin, left_out)
    count = int(np.clip(len(points) / _IN_A_CELL, 4, _MOST_CELLS))
    cells, stand_for = _cells(regions, on_surface, count, rim, margin)
    patches, _ = _cells(regions, on_surface, PATCHES, rim, margin)
    weights = stand_for[cells] / np.bincount(cells, minlength=len(stand_for))[cells]
    weights = np.minimum(weights, _HEAVIEST * float(np.median(weights)))
    return Extracted(points, on_surface, weights, cells, patches, coverage, margin, left_out)


def _cells(regions: Sequence[Chosen], points: Floats, count: int, rim: Floats, margin: float) -> tuple[Ints, Floats]:
    """The nearest of about `count` places strewn over the regions away from edges, for points (n, 3) on the surface,
    (n,); and the area for which each of the places stands, relative, (c,). They move with the part."""
    places, _ = strewn(regions, count)
    places = places[_away(places, rim, margin)]
    if not len(places):
        return np.zeros(len(points), dtype=np.int64), np.ones(1)
    tree = cKDTree(places)
    fine, _ = strewn(regions, _FINE * count)
    owners = tree.query(fine[_away(fine, rim, margin)], workers=-1)[1]
    area = np.maximum(np.bincount(owners, minlength=len(places)), 1.0)
    cells: Ints = tree.query(points, workers=-1)[1]
    return cells, area


def holding(regions: Sequence[Chosen], points: Floats, faces: Ints) -> Flags:
    held = np.zeros(len(points), dtype=np.bool_)
    for chosen in regions:
        held |= chosen.holds(points, faces)
    return held


def edge_margin(regions: Sequence[Chosen], edge_mm: float) -> tuple[float, Floats]:
    """How far from edges to stay, mm, and points strewn along them, (e, 3): real edges of the surface at the rim of the
    regions, and its open edges. Where a plane or box alone cuts a face there is none."""
    surface = regions[0].surface
    inside = np.logical_or.reduce([chosen.faces for chosen in regions])
    pairs = face_pairs(surface.faces)
    turn = np.einsum("ij,ij->i", surface.normals[pairs[:, 0]], surface.normals[pairs[:, 1]])
    rim = (inside[pairs[:, 0]] != inside[pairs[:, 1]]) & (turn < _EDGE_TURN)
    ends = [_shared(surface.faces, pairs[rim])]
    ends.append(_open_edges(surface.faces, inside))
    vertices = np.concatenate(ends)
    start, end = surface.vertices[vertices[:, 0]], surface.vertices[vertices[:, 1]]
    length = np.linalg.norm(end - start, axis=1)
    total, area = float(length.sum()), sum(chosen.area for chosen in regions)
    if not total > 0:
        return 0.0, np.empty((0, 3))
    # Twice the area over the rim is half the width of a long strip, and the radius of a disc.
    margin = min(edge_mm, _EDGE_SHARE * 2 * area / total)
    steps = np.ceil(length / max(margin / 2, total / 200_000)).astype(np.int64) + 1
    owner = np.repeat(np.arange(len(steps)), steps)
    part = (np.arange(len(owner)) - np.repeat(np.cumsum(steps) - steps, steps)) / np.maximum(steps - 1, 1)[owner]
    return margin, start[owner] + part[:, None] * (end - start)[owner]


def strewn(regions: Sequence[Chosen], count: int) -> tuple[Floats, Ints]:
    """About `count` places spread evenly over the regions, (s, 3), and their faces (s,); no chance in it."""
    surface = regions[0].surface
    share = np.max([chosen.share for chosen in regions], axis=0)
    areas = surface.areas * (share > 0)
    total, wanted = float(areas.sum()), float(surface.areas @ share)
    if not wanted > 0:
        return np.empty((0, 3)), np.empty(0, dtype=np.int64)
    tries = int(min(count * total / wanted, 50 * count)) + 1
    steps = (np.arange(tries) + 0.3819660112501051) / tries * total
    faces = np.minimum(np.searchsorted(np.cumsum(areas), steps), len(areas) - 1)
    spread = np.modf(0.5 + np.arange(1, tries + 1)[:, None] * np.array([0.7548776662466927, 0.5698402909980532]))[0]
    along, across = spread.T
    over = along + across > 1.0
    along[over], across[over] = 1.0 - along[over], 1.0 - across[over]
    a, b, c = (surface.vertices[surface.faces[faces, corner]] for corner in range(3))
    points = a + along[:, None] * (b - a) + across[:, None] * (c - a)
    held = holding(regions, points, faces)
    return points[held], faces[held]


def local_form(residuals: Floats, taken: Extracted) -> tuple[Floats, Floats]:
    """What stands off an element at each point once noise is averaged out, and its standard uncertainty, two (n,) mm.

    A slow part, a polynomial in the places on the surface, and the mean over the cell of what is left, or else over the
    patch, where that is more than chance: of many means of noise alone some are large. Means alone would round off the
    ends of a crown or a bow, where half of a cell lies lower than its end. Unevenness shorter than a cell, or within
    the chance of its mean, is not seen; the uncertainty is that of a mean everywhere.
    """
    off, own = _slow_part(residuals, taken)
    left = residuals - off
    count = np.bincount(taken.cells)
    inside = left - (np.bincount(taken.cells, left) / np.maximum(count, 1))[taken.cells]
    freedom = float(np.maximum(count - 1, 0).sum())
    # One spread for all cells: a handful of points says little about its own.
    spread = float(np.sqrt(inside @ inside / freedom)) if freedom else 0.0
    fine, coarse = (_beyond_chance(left, group, spread) for group in (taken.cells, taken.patches))
    return off + np.where(fine != 0, fine, coarse), spread * np.sqrt(own + 1.0 / count[taken.cells])


def _beyond_chance(left: Floats, group: Ints, spread: float) -> Floats:
    """Mean of the group of each point, (n,), and 0 where points of this spread may as well have it by chance: in 1 of
    20 such sets of groups one is beyond (Bonferroni's inequality, from memory)."""
    count = np.bincount(group)
    mean = np.bincount(group, left) / np.maximum(count, 1)
    enough = count >= min(_LEAST_IN_A_CELL, int(count.max()))
    most = -float(ndtri(_CHANCE / 2 / max(int(enough.sum()), 1))) * spread / np.sqrt(np.maximum(count, 1))
    return np.where(enough & (np.abs(mean) > most), mean, 0.0)[group]


def _slow_part(residuals: Floats, taken: Extracted) -> tuple[Floats, Floats]:
    """The polynomial through residuals (n,), and the variance of its value where that of one residual is 1, (n,)."""
    power = next((power for power, least in _POWERS if len(residuals) >= least), 0)
    away = taken.on_surface - taken.on_surface.mean(axis=0)
    away = away / max(float(np.abs(away).max()), 1e-300)
    x, y, z = away.T
    terms = [
        x**i * y**j * z**k for i in range(power + 1) for j in range(power + 1 - i) for k in range(power + 1 - i - j)
    ]
    rows, share = np.stack(terms, axis=1), taken.weights / taken.weights.sum()
    squares, ways = np.linalg.eigh(np.einsum("ni,nj->ij", rows, rows * share[:, None]))
    kept = squares > 1e-11 * squares[-1]
    # Columns of weighted squares one and products nothing, so that each coefficient stands alone.
    rows = np.einsum("ni,ij->nj", rows, ways[:, kept] / np.sqrt(squares[kept]))
    slow = np.einsum("nj,j->n", rows, np.einsum("nj,n->j", rows, share * residuals))
    middle = np.einsum("ni,nj->ij", rows, rows * (share**2)[:, None])
    return slow, np.einsum("nj,nj->n", rows, np.einsum("ni,ij->nj", rows, middle))


def _coverage(
    regions: Sequence[Chosen], points: Floats, rim: Floats, margin: float, surface: Surface, area: float
) -> float:
    """Share of places strewn over the regions, away from their edges, with a measured point near: within the distance
    at which as many evenly spread points would leave none without."""
    count = int(np.clip(len(points) / 4, 30, _TRIED))
    places, _ = strewn(regions, count)
    places = places[_away(places, rim, margin)]
    if not len(places) or not len(points):
        return 0.0
    reach = 1.5 * float(np.sqrt(area / max(min(len(points), 4 * count), 1)))
    away = cKDTree(points).query(places, distance_upper_bound=reach, workers=-1)[0]
    return float(np.isfinite(away).mean())


def _away(points: Floats, rim: Floats, margin: float) -> Flags:
    if not len(rim) or margin <= 0 or not len(points):
        return np.ones(len(points), dtype=np.bool_)
    near = cKDTree(rim).query(points, distance_upper_bound=margin, workers=-1)[0]
    return np.asarray(~np.isfinite(near))


def _shared(faces: Ints, pairs: Ints) -> Ints:
    """The two corners that faces of each pair share, (p, 2)."""
    first, second = faces[pairs[:, 0]], faces[pairs[:, 1]]
    common = (first[:, :, None] == second[:, None, :]).any(axis=2)
    # Exactly two of three: the one that is not common names the edge opposite to it.
    lone = np.argmin(common, axis=1)
    rows = np.arange(len(pairs))
    return np.stack([first[rows, (lone + 1) % 3], first[rows, (lone + 2) % 3]], axis=1).reshape(-1, 2)


def _open_edges(faces: Ints, inside: Flags) -> Ints:
    """Edges of faces inside that no other face shares, (e, 2)."""
    rows = faces[inside]
    start, end = rows.reshape(-1), rows[:, [1, 2, 0]].reshape(-1)
    every = faces.reshape(-1), faces[:, [1, 2, 0]].reshape(-1)
    span = int(faces.max()) + 1
    keys, count = np.unique(np.minimum(*every) * span + np.maximum(*every), return_counts=True)
    own = np.minimum(start, end) * span + np.maximum(start, end)
    lonely = count[np.searchsorted(keys, own)] == 1
    return np.stack([start[lonely], end[lonely]], axis=1)
