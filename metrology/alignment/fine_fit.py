"""Refining one pose on the mesh itself: weighted point-to-plane steps with a smooth cut-off for strays."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats, Ints
from metrology.rotation import turned_by
from metrology.surfaces.deviation import closest_in_order
from metrology.surfaces.surface import Surface

# Biweight cut-off in robust standard deviations: 0.05 mm of noise leaves out what is 0.3 mm off.
CUT = 6.0
# Points farther off than this share of the diagonal say nothing about how well the others fit.
REACH = 0.02
# An error of whole faces that is expected without being the error of most of the scan, as a share of the diagonal.
_SHARED = 0.002
# Motions less than this as stiff as the stiffest are left free: a round part turns about its axis.
LOOSE = 1e-5
# A fit stands still when its last step moved nothing by more than this share of the diagonal: the next would move it by
# a thousandth of that, or less.
STILL = 1e-5
# Steps shorter than this share of the diagonal leave the planes of the closest points as they are, for some steps.
_CLOSE, _ON_PLANES, _STILL_ON_PLANES = 5e-4, 6, 1e-9
# Two steps that leave more than this share of the residual gain hardly anything.
_GAIN = 0.7


@dataclass(frozen=True)
class Fit:
    """One refined pose about the two middles: nominal = middle of the surface + turn @ point + shift.

    residuals: (n,) signed mm. weights: (n,) 0 where a point was given none. facing: (n, 3) way in which the distance
    grows. placed: (n, 3) points about the middle of the surface. faces, closest: (n,) row and (n, 3) mm of the closest
    face and point, nominal frame. loose: (6, k) motions that change no distance, as
    columns: sliding along x, y, z in mm, turning about x, y, z times half the diagonal.
    """

    turn: Floats
    shift: Floats
    residuals: Floats
    weights: Floats
    facing: Floats
    placed: Floats
    faces: Ints
    closest: Floats
    iterations: int
    converged: bool
    loose: Floats


def motions(placed: Floats, facing: Floats, arm: float) -> Floats:
    """How each distance grows with a small motion of the scan about the origin of `placed`, (n, 6): sliding along x,
    y, z, turning about x, y, z times `arm` mm."""
    return np.hstack([facing, np.cross(placed / arm, facing)])


def fit(
    surface: Surface,
    points: Floats,
    turn: Floats,
    shift: Floats,
    most: int,
    tick: Callable[[], None],
    stands_for: Floats | None = None,
    allowed: Floats | None = None,
    hopeless: float = np.inf,
) -> Fit:
    """Weighted point-to-plane steps to the mesh until they stand still, `most` at the most.

    points: (n, 3) mm about the middle of the scan. stands_for: (n,) relative area each point stands for. allowed:
    (6, k) orthonormal motions that may be used, about the middle of the surface; None allows all. hopeless: mm, see
    `capped_rms`: a pose that leaves more and hardly gains by two steps is given up.
    """
    share = np.ones(len(points)) if stands_for is None else stands_for / stands_for.mean()
    arm = surface.diagonal / 2
    ways_open = np.eye(6) if allowed is None else allowed
    loose = np.empty((6, 0))
    done, gone = 0, [np.inf, np.inf]
    while True:
        placed = points @ turn.T + shift
        values, faces, closest, facing = closest_in_order(surface, placed + surface.centroid)
        scale = scale_of(values, facing, surface.axes, share, surface.diagonal)
        near = Planes(motions(placed, facing, arm) @ ways_open, values, scale, share, surface.diagonal)
        gone.append(capped_rms(values, surface.diagonal))
        stuck = gone[-1] > hopeless and gone[-1] > _GAIN * gone[-3]
        if done == most or stuck:
            weights = near.weights(values)
            return Fit(turn, shift, values, weights, facing, placed, faces, closest, done, False, loose)
        change, left, loose, at_rest = near.settled()
        change, loose = ways_open @ change, ways_open @ loose
        step = change[3:] / arm
        shorter = min(1.0, 0.3 / max(float(np.linalg.norm(step)), 1e-300))
        rotation = turned_by(shorter * step[None])[0]
        turn = rotation @ turn
        shift = rotation @ shift + shorter * change[:3]
        done += 1
        tick()
        if at_rest and np.abs(change).max() < STILL * surface.diagonal:
            # So small a motion changes no plane: the distances after it are known without asking the mesh again.
            placed = points @ turn.T + shift
            weights = near.weights(left)
            return Fit(turn, shift, left, weights, facing, placed, faces, closest, done, True, loose)


def capped_rms(values: Floats, diagonal: float) -> float:
    """Root mean square of distances (n,) mm, each counting `REACH` of the diagonal at the most, mm."""
    return float(np.sqrt((np.minimum(np.abs(values), REACH * diagonal) ** 2).mean()))


@dataclass(frozen=True)
class Planes:
    """Points against the planes through the closest points of the surface. rows: (n, k) how each distance grows with
    the motions that may be used. values: (n,) mm. scale: (n,) mm, see `scale_of`. share: (n,) relative area each point
    stands for."""

    rows: Floats
    values: Floats
    scale: Floats
    share: Floats
    diagonal: float

    def weights(self, values: Floats) -> Floats:
        weights: Floats = self.share * biweight(values, self.scale)[0]
        return weights

    def settled(self) -> tuple[Floats, Floats, Floats, bool]:
        """The motion (k,) that brings the weighted distances to rest, the distances after it, the motions that change
        none, as columns, and whether they did come to rest.

        One step from far off, where the planes will be others. Close by they stay, and the weights settle on them: that
        saves asking the mesh, which takes most of the time.
        """
        total, left = np.zeros(self.rows.shape[1]), self.values
        for _ in range(_ON_PLANES):
            weights = self.weights(left)
            weighted = self.rows * weights[:, None]
            stiffness, ways = np.linalg.eigh(np.einsum("ni,nj->ij", weighted, self.rows))
            firm = stiffness > LOOSE * max(float(stiffness[-1]), 1e-300)
            pull = ways.T @ -np.einsum("ni,n->i", weighted, left)
            change = ways @ np.where(firm, pull / np.where(firm, stiffness, 1.0), 0.0)
            total = total + change
            left = self.values + np.einsum("ni,i->n", self.rows, total)
            size = float(np.abs(change).max()) / self.diagonal
            if size > _CLOSE or size < _STILL_ON_PLANES:
                break
        return total, left, ways[:, ~firm], size < 100 * _STILL_ON_PLANES


def scale_of(values: Floats, facing: Floats, axes: Floats, share: Floats, diagonal: float) -> Floats:
    """Standard deviation to expect of each distance, (n,) mm, robust: a median of its own for each direction faced.

    An error shared by whole opposite faces (shrinkage) is then expected there rather than thrown out; but no more of
    it than `_SHARED` of the diagonal, for where few points face a way, strays may be the most of them. Only points
    within reach count, and where they are too few, all of them.
    """
    squares = (facing @ axes) ** 2
    size = np.abs(values)
    near = size < REACH * diagonal
    order = np.argsort(size, kind="stable")
    order = order[near[order]] if near.sum() >= 0.2 * len(size) else order
    reached = np.cumsum((share[:, None] * squares)[order], axis=0)
    middles = [np.searchsorted(reached[:, axis], reached[-1, axis] / 2) for axis in range(3)]
    scales = 1.4826 * size[order][np.minimum(middles, len(order) - 1)]
    most = max(3.0 * 1.4826 * float(np.median(size[order])), _SHARED * diagonal)
    scales = np.clip(scales, 1e-7 * diagonal, most)
    expected: Floats = np.sqrt(squares @ scales**2)
    return expected


def biweight(values: Floats, scale: Floats) -> tuple[Floats, Floats]:
    """Weights 1 to 0 by size of residual, and the slopes of weight times residual, both (n,)."""
    squared = np.minimum((values / (CUT * scale)) ** 2, 1.0)
    return (1.0 - squared) ** 2, (1.0 - squared) * (1.0 - 5.0 * squared)
