"""Crediting points to the right side of a thin wall or a narrow slot.

The nearest face is the wrong one for a point that strays past the middle of a wall: where a 2 mm plate is bowed by
1.5 mm, most points of its underside lie nearest to its top. What tells the sides apart is the order of layers: of two
layers of points found one behind the other, the outer belongs to the side it is met from. A single layer belongs to the
side with which it is continuous: a sheet that runs on unbroken from where its side is certain keeps that side. Where
neither tells, nothing is certain, and the place is said to be undecided.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from metrology.bodies import Floats, Ints
from metrology.comparison.measuring import PointDeviations
from metrology.surfaces.columns import Columns, split_columns
from metrology.surfaces.facing import Pairs, facing
from metrology.surfaces.surface import Flags, Samples, Surface

# Points deeper than this share of the wall make it worth a look, and a layer nearer than this to a side bears it out.
_DEEP = 0.25
# Such points must be so many of a sample's points, and this share of them.
_DEEP_POINTS, _DEEP_SHARE = 3, 0.1
# Points of one sample looked at, about.
_MOST = 64
# Balance of evidence, −1 to 1, below which a sheet is left undecided: one in ten may speak against the rest.
_BALANCE = 0.8
# So much of a sheet must tell at all.
_TOLD = 0.05
# Neighbours: nearer than so many spacings. One sheet: no step from one to the next of more than this share of the wall.
_NEXT, _STEP = 1.9, 0.3
_OWN, _UNDECIDED, _OTHER = 1, 0, -1


@dataclass(frozen=True)
class Sides:
    """moved: (k,) rows of points that belong to the other side than the nearest. values: (k,) mm, their deviation from
    that side. owners: (k,) its sample. undecided: (s,) samples where points cannot be told apart."""

    moved: Ints
    values: Floats
    owners: npt.NDArray[np.int32]
    undecided: Flags


def both_facing(surface: Surface, samples: Samples) -> tuple[Pairs, Pairs]:
    """What each sample faces through walls and across slots."""
    return facing(surface, samples, -1.0), facing(surface, samples, 1.0)


def tell_sides(
    surface: Surface, samples: Samples, found: PointDeviations, used: Flags, pairs: tuple[Pairs, Pairs] | None = None
) -> Sides:
    """Which points lie nearest to one side of a thin wall or a narrow slot, but belong to the other.

    used: (n,) points that are not strays. pairs: of `both_facing`, where they are known already. Costs next to nothing
    where no point comes near the middle of anything.
    """
    pairs = both_facing(surface, samples) if pairs is None else pairs
    walls, slots = (_sides(surface, samples, found, used, pair) for pair in pairs)
    fresh = ~np.isin(slots.moved, walls.moved)
    return Sides(
        np.concatenate([walls.moved, slots.moved[fresh]]),
        np.concatenate([walls.values, slots.values[fresh]]),
        np.concatenate([walls.owners, slots.owners[fresh]]),
        walls.undecided | slots.undecided,
    )


def _sides(surface: Surface, samples: Samples, found: PointDeviations, used: Flags, pairs: Pairs) -> Sides:
    count = len(samples.points)
    active = _worth_a_look(found, used, pairs, count)
    rows = np.flatnonzero(active[found.owners] & used)
    if not len(rows):
        return Sides(rows, np.empty(0), np.empty(0, dtype=np.int32), np.zeros(count, dtype=np.bool_))
    here = found.owners[rows].astype(np.int64)
    there, apart = pairs.partner[here], pairs.apart[here]
    depth = pairs.depth_sign * found.values[rows]
    few = slice(None, None, max(len(rows) // (_MOST // 2 * int(active.sum())), 1))
    columns = split_columns(
        np.concatenate([here[few], there[few]]),
        np.concatenate([depth[few], (apart - depth)[few]]),
        _neighbours(samples, active),
        pairs.apart,
    )
    label = _labels(columns, samples, found, used, pairs, active)
    moves = (label[here, columns.layer(here, depth)] == _OTHER) & (
        label[there, columns.layer(there, apart - depth)] == _OWN
    )
    undecided = active & np.isfinite(columns.means[:, 0]) & (label[:, 0] == _UNDECIDED)
    chosen = np.flatnonzero(moves)
    values, owners = _from_other_side(
        surface, samples, found, rows[chosen], there[chosen], (apart - depth)[chosen], pairs
    )
    return Sides(rows[chosen], values, owners, undecided)


def _worth_a_look(found: PointDeviations, used: Flags, pairs: Pairs, count: int) -> Flags:
    """Samples of walls where points come near the middle, or where one side has points on the far side of the other
    that has none; and of all walls about as thin, for what is known there."""
    points = np.bincount(found.owners[used], minlength=count)
    share = pairs.depth_sign * found.values / pairs.apart[found.owners]
    enough = np.maximum(_DEEP_POINTS, _DEEP_SHARE * points)
    deep: Flags = np.bincount(found.owners[used & (share > _DEEP)], minlength=count) >= enough
    shallow = np.bincount(found.owners[used & (share < -_DEEP)], minlength=count) >= enough
    deep |= shallow & (pairs.partner >= 0) & (points[pairs.partner] < _DEEP_POINTS)
    if not deep.any():
        return deep
    active: Flags = pairs.apart <= 1.5 * pairs.apart[deep].max()
    active[pairs.partner[active]] = True
    active &= pairs.partner >= 0
    return active


def _neighbours(samples: Samples, active: Flags) -> Ints:
    """(s, 7) each active sample with its nearest on the same side; −1 for none, and for samples that are not active."""
    rows = np.flatnonzero(active)
    most = min(7, len(samples.points))
    away, near = samples.nearest(samples.points[rows], samples.normals[rows], most)
    out = np.full((len(active), most), -1)
    out[rows] = np.where(away < _NEXT * samples.spacing, near, -1)
    return out


def _labels(
    columns: Columns, samples: Samples, found: PointDeviations, used: Flags, pairs: Pairs, active: Flags
) -> npt.NDArray[np.int8]:
    """For each sample and each of its layers: own, other or undecided, (s, 2)."""
    count = len(active)
    means = columns.means.copy()
    # Elsewhere the side is certain, and a sheet that runs on from there is certain too.
    points = np.bincount(found.owners[used], minlength=count)
    sums = np.bincount(found.owners[used], found.values[used], count)
    sure = ~active & (points > 0)
    means[sure, 0] = pairs.depth_sign * sums[sure] / points[sure]
    double = ~np.isnan(means[:, 1])
    evidence = np.zeros((count, 2))
    with np.errstate(invalid="ignore"):
        near_own = np.abs(means[:, 0]) < _DEEP * pairs.apart
        near_other = np.abs(means[:, 0] - pairs.apart) < _DEEP * pairs.apart
    evidence[:, 0] = np.where(double | sure, 1.0, near_own.astype(float) - (active & near_other))
    evidence[double, 1] = -1.0
    body = _sheets(means, samples, pairs.apart, active)
    for_own = np.bincount(body, evidence.ravel())
    told = np.bincount(body, np.abs(evidence).ravel())
    size = np.bincount(body, ~np.isnan(means).ravel())
    clear = (np.abs(for_own) > _BALANCE * told) & (told > _TOLD * size)
    verdict = np.where(clear, np.sign(for_own), _UNDECIDED).astype(np.int8)
    label = verdict[body].reshape(count, 2)
    label[double] = _OWN, _OTHER
    return label


def _sheets(means: Floats, samples: Samples, apart: Floats, active: Flags) -> Ints:
    """Which unbroken sheet each layer belongs to, (2s,): layers of neighbouring samples at nearly the same depth."""
    count = len(active)
    near = _neighbours(samples, active)[:, 1:]
    here = np.repeat(np.arange(count), near.shape[1])[near.ravel() >= 0]
    there = near.ravel()[near.ravel() >= 0]
    reach = _STEP * np.minimum(apart[here], apart[there])
    gaps = np.abs(means[here][:, :, None] - means[there][:, None, :])
    gaps = np.where(np.isnan(gaps), np.inf, gaps)
    # Joined when each is the other's nearest, so that two layers never grow together through one pair.
    mutual = (gaps == gaps.min(axis=2, keepdims=True)) & (gaps == gaps.min(axis=1, keepdims=True))
    pair, one, other = np.nonzero(mutual & (gaps <= reach[:, None, None]))
    left, right = 2 * here[pair] + one, 2 * there[pair] + other
    joined = coo_array((np.ones(len(left), dtype=np.int8), (left, right)), shape=(2 * count, 2 * count))
    return np.asarray(connected_components(joined, directed=False)[1], dtype=np.int64)


def _from_other_side(
    surface: Surface, samples: Samples, found: PointDeviations, rows: Ints, there: Ints, depth: Floats, pairs: Pairs
) -> tuple[Floats, npt.NDArray[np.int32]]:
    """Deviation from the other side and the sample there, two (k,). depth: (k,) of each point from that side."""
    if not len(rows):
        return np.empty(0), np.empty(0, dtype=np.int32)
    points = found.placed(rows)
    # Moved onto the other side, where that is the nearest for certain.
    onto = points - pairs.depth_sign * depth[:, None] * samples.normals[there]
    _, faces, closest, _ = surface.closest(np.ascontiguousarray(onto))
    normals = surface.normals[faces]
    values: Floats = np.einsum("ij,ij->i", points - closest, normals)
    return values, samples.nearest(closest, normals)[1].astype(np.int32)
