"""Points of a scan that do not belong to the part: lonely ones, and bodies that reach far beyond it."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from scipy.special import pdtrc

from metrology.bodies import Floats, Ints
from metrology.surfaces.surface import Flags

# A point that differs is believed when so many others near it differ alike: more, the more strays there are.
_FEWEST_WITNESSES, _MOST_WITNESSES = 3, 12
# So many points tell the median of a sample.
_TELL = 24
# Near: within this many point spacings, a difference in deviation counting three times close to the surface.
_NEAR = 3.0
# A connected body that reaches farther out than this share of the nominal's diagonal stands beside the part.
_BESIDE = 0.2


@dataclass(frozen=True)
class Strays:
    """Flags (n,) for points to leave out, no point in two of them."""

    lonely: Flags
    beside: Flags
    attached: Flags

    @property
    def all(self) -> Flags:
        return self.lonely | self.beside | self.attached


def find_strays(
    values: Floats,
    owners: npt.NDArray[np.integer[Any]],
    place: Callable[[Ints], Floats],
    *,
    sigma: float,
    least_sigma: float,
    point_spacing: float,
    diagonal: float,
    attached_mm: float,
    stray_mm: float | None,
    tick: Callable[[], None],
) -> Strays:
    """Which points to leave out, and why.

    values: (n,) signed deviations, mm. owners: (n,) surface sample of each. place: rows -> points (k, 3) mm in the
    nominal frame. sigma: residual of the alignment, mm. point_spacing: mean distance between points on the surface, mm.

    lonely: farther than 8 sigma from the nominal, or 6 local standard deviations from the median of its sample, with
    too few witnesses: points near it that are as far off in the same sense. Three do when strays are few, up to a
    dozen when they are many. A real error of the part, however large, is a patch of points that agree, and stays.
    beside: connected patches outside the nominal that reach farther than a fifth of its diagonal (a table); what they
    touch becomes unmeasured. attached: those that only reach farther than attached_mm (a clamp, or a lump). With
    stray_mm every point farther than that is taken out too, patch or not, and counted as lonely.
    """
    near = _NEAR * point_spacing
    lonely = np.zeros(len(values), dtype=np.bool_) if stray_mm is None else np.abs(values) > stray_mm
    beside, attached = (np.zeros(len(values), dtype=np.bool_) for _ in range(2))
    differs = _differing(values, owners, lonely, least_sigma, tick)
    suspect = differs | (np.abs(values) > 8 * max(sigma, least_sigma))
    rows = np.flatnonzero(suspect & ~lonely)
    if not len(rows):
        return Strays(lonely, beside, attached)
    # Points that agree with most of their sample bear each other out, however thinly the place was scanned.
    sure = _agreed(differs, owners)[owners[rows]] & ~differs[rows]
    alone = ~_witnessed(place(rows), values[rows], near, tick) & ~sure
    lonely[rows[alone]] = True
    # A stray above a real error had the error's points for witnesses: it must find others that differ from them.
    odd = np.flatnonzero(_differing(values, owners, lonely, least_sigma, tick) & ~lonely)
    lonely[odd[~_witnessed(place(odd), values[odd], near, tick)]] = True
    rows = rows[(values[rows] > 0) & ~lonely[rows]]
    if len(rows) and values[rows].max() > min(attached_mm, _BESIDE * diagonal):
        edge = max(3 * point_spacing, diagonal / 500)
        farthest = _reach_of_bodies(place(rows), values[rows], edge)
        beside[rows[farthest > _BESIDE * diagonal]] = True
        attached[rows[(farthest > attached_mm) & (farthest <= _BESIDE * diagonal)]] = True
        tick()
    return Strays(lonely, beside, attached)


def _differing(
    values: Floats,
    owners: npt.NDArray[np.integer[Any]],
    left_out: Flags,
    least_sigma: float,
    tick: Callable[[], None],
) -> Flags:
    """Points more than 6 local standard deviations from the median of their sample, (n,)."""
    samples = int(owners.max()) + 1
    # Some two dozen points tell a sample's median well enough: on long lists, take every so-manieth point.
    step = max(1, len(values) // (_TELL * samples))
    kept = np.arange(0, len(values), step)
    kept = kept[~left_out[kept]]
    medians, spread = sample_medians(values[kept], owners[kept], samples)
    tick()
    differing: Flags = np.abs(values - medians[owners]) > 6 * max(1.4826 * spread, least_sigma)
    tick()
    return differing


def sample_medians(values: Floats, owners: npt.NDArray[np.integer[Any]], samples: int) -> tuple[Floats, float]:
    """Median (upper of two) deviation of the points of each sample, 0 where none; and the median distance from it.

    values: (n,) mm. owners: (n,), below `samples`. Returns (samples,) mm, and mm. One sort of integers
    that carry the owner above and the value below (rounded to 2⁻⁴³ of the greatest) is faster than any other way.
    """
    counts = np.bincount(owners, minlength=samples)
    bits = 62 - int(len(counts)).bit_length()
    if not len(values):
        return np.zeros(samples), 0.0
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
    """True for points with enough of the others near them and as far off, (k,)."""
    if len(points) <= _FEWEST_WITNESSES:
        return np.zeros(len(points), dtype=np.bool_)
    stretched = np.hstack([points, 3.0 * np.clip(values, -2 * near, 2 * near)[:, None]])
    tree = cKDTree(stretched, compact_nodes=False, balanced_tree=False)
    tick()
    neighbours = np.arange(2, _MOST_WITNESSES + 2)
    found = np.empty(len(points), dtype=np.int64)
    for start in range(0, len(points), 100_000):
        piece = slice(start, start + 100_000)
        away = tree.query(stretched[piece], k=neighbours, distance_upper_bound=near, workers=-1)[0]
        found[piece] = np.isfinite(away).sum(axis=1)
        tick()
    # Far from the surface the stretching no longer thins out the strays: they meet by chance more often.
    far = np.abs(values) > 2 * near
    needed = np.where(far, _witnesses_needed(found[far]), _witnesses_needed(found[~far]))
    enough: Flags = found >= needed
    return enough


def _witnesses_needed(found: Ints) -> int:
    """So many witnesses that chance meetings of strays would be expected to bring about less than half a false patch.

    found: (k,) neighbours of each suspect. Suspects with very few are taken for strays scattered by chance (Poisson);
    the share of them that have any neighbour tells how thickly they lie.
    """
    strays = found[found < _FEWEST_WITNESSES]
    mean = -np.log1p(-min(float((strays > 0).mean()), 0.9)) if len(strays) >= 20 else 0.0
    for needed in range(_FEWEST_WITNESSES, _MOST_WITNESSES):
        if len(strays) * float(pdtrc(needed - 1, mean)) < 0.5:
            return needed
    return _MOST_WITNESSES


def _reach_of_bodies(points: Floats, values: Floats, edge: float) -> Floats:
    """For each point how far out the connected body that it belongs to reaches, (k,) mm. edge: mm, of the cubes that
    are joined when they touch."""
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
    reach: Floats = farthest[body]
    return reach
