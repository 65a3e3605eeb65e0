"""Smoothing over a surface that stops at its sharp edges.

A value at one place is mixed only with values of the same smooth patch of the nominal that face nearly the same way:
neither the opposite face of a thin wall nor the face beyond a sharp edge ever weighs in.
"""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from metrology.bodies import Floats, Ints
from metrology.moulds.casts_compared import local_level
from metrology.pictures.edges import find_edges
from metrology.surfaces.surface import Flags, Surface

# Neighbours count up to this many smoothing lengths away; lengths are standard deviations of a normal curve.
_REACH = 3.0
# Places are gathered in cubes of this share of the smoothing length, so that no place has more than some hundred.
_CUBE = 0.45
_MOST_NEIGHBOURS = 180
_PIECE = 2_000
# Faces that turn away by more than 60° do not count, nearer ones less and less (cosine).
_TURNED = 0.5
# Share of the neighbourhood that must be measured for a full value and for any; half, right at the border.
_ALL, _NONE = 0.45, 0.10


@dataclass(frozen=True)
class Places:
    """points, normals: (p, 3) on the nominal. faces: (p,) rows of its prepared surface."""

    points: Floats
    normals: Floats
    faces: Ints


@dataclass(frozen=True)
class Smoother:
    """Made by `smoother`. length_mm: the smoothing length, standard deviation of the weights.

    Places without a value are not measured: the smoothed value fades to 0 within about 1.3 lengths beyond the last
    measured place.
    """

    length_mm: float
    patch_of_face: Ints
    _points: Floats = field(repr=False)
    _normals: Floats = field(repr=False)
    _patch: Ints = field(repr=False)
    _values: Floats = field(repr=False)
    _measured: Floats = field(repr=False)
    _all: Floats = field(repr=False)
    _trees: dict[int, tuple[Any, Ints]] = field(repr=False)

    def at(self, points: Floats, normals: Floats, patch: Ints, columns: int | None = None) -> tuple[Floats, Floats]:
        """Smoothed values (q, r) at points of the nominal, (q, 3), with normals (q, 3) on smooth patches (q,); and how
        far they rest on something, (q,): 0 where no place of that patch lies near, measured or not. columns: only the
        first so many of the values.
        """
        values = self._values[:, :columns]
        found = np.zeros((len(points), values.shape[1]))
        resting = np.zeros(len(points))
        for number in np.unique(patch):
            if int(number) not in self._trees:
                continue
            tree, members = self._trees[int(number)]
            rows = np.flatnonzero(patch == number)
            for start in range(0, len(rows), _PIECE):
                piece = rows[start : start + _PIECE]
                found[piece], resting[piece] = self._piece(tree, members, values, points[piece], normals[piece])
        return found, resting

    def _piece(self, tree: Any, members: Ints, given: Floats, points: Floats, normals: Floats) -> tuple[Floats, Floats]:
        count = min(_MOST_NEIGHBOURS, len(members))
        away, near = (np.reshape(part, (len(points), count)) for part in tree.query(points, k=count, workers=-1))
        rows = members[near]
        offset = (self._points[rows] - points[:, None]) / self.length_mm
        facing = np.clip((np.einsum("qj,qkj->qk", normals, self._normals[rows]) - _TURNED) / (1 - _TURNED), 0.0, 1.0)
        apart = away / self.length_mm
        weight = np.where(apart < _REACH, np.exp(-0.5 * apart**2), 0.0) * facing
        measured = weight * self._measured[rows]
        total, known = (weight * self._all[rows]).sum(axis=1), measured.sum(axis=1)
        values = given[rows]
        level = local_level(offset, measured, values)
        # A line carried on beyond the last value leads astray: not farther out than the values near by.
        inside = np.where(measured[:, :, None] > 1e-3 * measured.max(axis=1)[:, None, None], values, np.nan)
        some = known > 1e-9 * np.maximum(total, 1e-300)
        low, high = np.zeros_like(level), np.zeros_like(level)
        low[some], high[some] = np.nanmin(inside[some], axis=1), np.nanmax(inside[some], axis=1)
        spare = 0.25 * (high - low)
        share = np.divide(known, total, out=np.zeros_like(known), where=total > 0)
        ramp = np.clip((share - _NONE) / (_ALL - _NONE), 0.0, 1.0)
        blended = np.clip(level, low - spare, high + spare) * (ramp**2 * (3 - 2 * ramp))[:, None]
        return np.where(some[:, None], blended, 0.0), np.minimum(total, 1.0)


def smoother(surface: Surface, places: Places, values: Floats, used: Flags, length_mm: float) -> Smoother:
    """Ready values at places of the nominal for smoothing. values: (p, r); not read where `used`, (p,), is false."""
    edges = find_edges(surface.faces, surface.normals)
    patch = edges.patch[places.faces]
    cube = np.floor((places.points - places.points.min(axis=0)) / (_CUBE * length_mm)).astype(np.int64)
    # Places that face different ways stay apart, also within one cube: a rounded rim has both sides in one patch.
    side = np.rint(places.normals * 1.5).astype(np.int64)
    keys = np.column_stack([patch, cube, side])
    _, group = np.unique(keys, axis=0, return_inverse=True)
    group = group.reshape(-1)
    count = int(group.max()) + 1
    every = np.bincount(group, minlength=count).astype(np.float64)
    measured = np.bincount(group, used, count).astype(np.float64)
    # The middle of what was measured, so that a slope does not shift the level; of all where nothing was.
    own = np.where(measured[group] > 0, used.astype(np.float64), 1.0)
    sums = np.bincount(group, own, count)
    points = _grouped(places.points * own[:, None], group, count) / sums[:, None]
    normals = _grouped(places.normals * own[:, None], group, count)
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
    gathered = _grouped(np.where(used[:, None], values, 0.0), group, count) / np.maximum(measured, 1.0)[:, None]
    first = np.unique(group, return_index=True)[1]
    patch = patch[first]
    order = np.argsort(patch, kind="stable")
    bounds = np.flatnonzero(np.r_[True, np.diff(patch[order]) != 0, True])
    trees = {}
    for start, stop in zip(bounds[:-1], bounds[1:], strict=True):
        members = order[start:stop]
        trees[int(patch[members[0]])] = (cKDTree(points[members]), members)
    return Smoother(length_mm, edges.patch, points, normals, patch, gathered, measured, every, trees)


def _grouped(values: Floats, group: Ints, count: int) -> Floats:
    return np.stack([np.bincount(group, values[:, k], count) for k in range(values.shape[1])], axis=1)
