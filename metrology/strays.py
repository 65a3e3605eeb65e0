"""Points of a scan that do not belong to the part: lonely ones, and bodies that reach far beyond it."""

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from metrology.bodies import Floats, Ints
from metrology.surface import Flags

# A point that differs is believed when this many others near it differ alike.
_WITNESSES = 7
# Near: within this many point spacings, a difference in deviation counting three times close to the surface.
_NEAR = 3.0
# A connected body that reaches farther out than this share of the nominal's diagonal stands beside the part.
_BESIDE = 0.2


def find_strays(
    values: Floats,
    owners: npt.NDArray[np.integer[Any]],
    place: Callable[[Ints], Floats],
    *,
    sigma: float,
    least_sigma: float,
    point_spacing: float,
    diagonal: float,
    stray_mm: float | None,
    tick: Callable[[], None],
) -> tuple[Flags, Flags]:
    """(lonely, beside): flags (n,) for points to leave out, no point in both.

    values: (n,) signed deviations, mm. owners: (n,) surface sample of each. place: rows -> points (k, 3) mm in the
    nominal frame. sigma: residual of the alignment, mm. point_spacing: mean distance between points on the surface, mm.

    lonely: farther than 8 sigma from the nominal, or 6 local standard deviations from the median of its sample, with
    fewer than seven points near it that are as far off in the same sense. A real error of the part, however large, is a
    patch of points that agree, and stays. beside: connected patches outside the nominal that reach farther than a fifth
    of its diagonal (a table, a clamp); what they touch becomes unmeasured. With stray_mm every point farther than that
    is taken out too, patch or not, and counted as lonely.
    """
    tick()
    # Some 64 points tell a sample's median well enough: on long lists, take every so-manieth point.
    step = max(1, len(values) // (64 * (int(owners.max()) + 1)))
    medians, spread = sample_medians(values[::step], owners[::step], int(owners.max()) + 1)
    tick()
    local = max(1.4826 * spread, least_sigma)
    differs = np.abs(values - medians[owners]) > 6 * local
    suspect = differs | (np.abs(values) > 8 * max(sigma, least_sigma))
    lonely, beside = np.zeros(len(values), dtype=np.bool_), np.zeros(len(values), dtype=np.bool_)
    tick()
    rows = np.flatnonzero(suspect)
    if stray_mm is not None:
        cut = np.abs(values[rows]) > stray_mm
        lonely[np.abs(values) > stray_mm] = True
        rows = rows[~cut]
    if len(rows):
        points = place(rows)
        alone = ~_witnessed(points, values[rows], _NEAR * point_spacing, tick)
        # Where most points of a sample agree they bear each other out, however thinly the place was scanned.
        alone &= ~_agreed(differs, owners)[owners[rows]]
        # A stray above a real error has the error's points for neighbours: it must find others that differ from them.
        odd = np.flatnonzero(differs[rows])
        alone[odd] |= ~_witnessed(points[odd], values[rows[odd]], _NEAR * point_spacing, tick)
        lonely[rows[alone]] = True
        rows, points = rows[~alone], points[~alone]
        outside = values[rows] > 0
        rows, points = rows[outside], points[outside]
        if len(rows) and values[rows].max() > _BESIDE * diagonal:
            edge = max(3 * point_spacing, diagonal / 500)
            beside[rows[_reaching(points, values[rows], edge, _BESIDE * diagonal)]] = True
            tick()
    return lonely, beside


def sample_medians(values: Floats, owners: npt.NDArray[np.integer[Any]], samples: int) -> tuple[Floats, float]:
    """Median (upper of two) deviation of the points of each sample, 0 where none; and the median distance from it.

    values: (n,) mm. owners: (n,), below `samples`. Returns (samples,) mm, and mm. One sort of integers
    that carry the owner above and the value below (rounded to 2⁻⁴³ of the greatest) is faster than any other way.
    """
    counts = np.bincount(owners, minlength=samples)
    bits = 62 - int(len(counts)).bit_length()
    reach = max(float(np.abs(values).max()), 1e-300)
    scale = (2.0**bits - 1024) / (2 * reach)
    keys: Ints = ((values + reach) * scale).astype(np.int64)
    keys |= owners.astype(np.int64) << bits
    keys.sort()
    ends = np.cumsum(counts)
    held = counts > 0
    medians = np.zeros(len(counts))
    middle = keys[(ends - counts + counts // 2)[held]] & ((1 << bits) - 1)
    medians[held] = middle / scale - reach
    away = np.abs(values - medians[owners])
    return medians, float(np.median(away))


def _agreed(differs: Flags, owners: npt.NDArray[np.integer[Any]]) -> Flags:
    """True for samples with five points or more that agree, and these the most of it; up to the greatest owner."""
    held = np.bincount(owners)
    agreeing = held - np.bincount(owners, differs, len(held))
    agreed: Flags = (agreeing >= 5) & (agreeing >= 0.6 * held)
    return agreed


def _witnessed(points: Floats, values: Floats, near: float, tick: Callable[[], None]) -> Flags:
    """True for points with at least seven of the others near them and as far off, (k,)."""
    if len(points) <= _WITNESSES:
        return np.zeros(len(points), dtype=np.bool_)
    stretched = np.hstack([points, 3.0 * np.clip(values, -2 * near, 2 * near)[:, None]])
    tree = cKDTree(stretched, compact_nodes=False, balanced_tree=False)
    tick()
    found = np.empty(len(points), dtype=np.bool_)
    for start in range(0, len(points), 100_000):
        piece = slice(start, start + 100_000)
        last = tree.query(stretched[piece], k=[_WITNESSES + 1], distance_upper_bound=near, workers=-1)[0]
        found[piece] = np.isfinite(last[:, 0])
        tick()
    return found


def _reaching(points: Floats, values: Floats, edge: float, reach: float) -> Flags:
    """True for points of connected bodies that somewhere lie farther out than `reach`, (k,). edge: mm, of the cubes
    that are joined when they touch."""
    cell = np.floor((points - points.min(axis=0)) / edge).astype(np.int64)
    across = cell.max(axis=0) + 1
    _, first, cube = np.unique(
        (cell[:, 0] * across[1] + cell[:, 1]) * across[2] + cell[:, 2], return_index=True, return_inverse=True
    )
    pairs = cKDTree(cell[first]).query_pairs(1.75, output_type="ndarray")
    joined = coo_array((np.ones(len(pairs), dtype=np.int8), pairs.T), shape=(len(first), len(first)))
    bodies, body_of_cube = connected_components(joined, directed=False)
    body = body_of_cube[cube]
    farthest = np.full(bodies, -np.inf)
    np.maximum.at(farthest, body, values)
    far: Flags = farthest[body] > reach
    return far
