"""Refining one pose on the mesh itself: weighted point-to-plane steps with a smooth cut-off for strays."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats
from metrology.deviation import closest_in_order
from metrology.rotation import turned_by
from metrology.surface import Surface

# Biweight cut-off in robust standard deviations: 0.05 mm of noise leaves out what is 0.3 mm off.
CUT = 6.0
# Points farther off than this share of the diagonal say nothing about how well the others fit.
REACH = 0.02
# An error of whole faces that is expected without being the error of most of the scan, as a share of the diagonal.
_SHARED = 0.002
# Motions less than this as stiff as the stiffest are left free: a round part turns about its axis.
LOOSE = 1e-5


@dataclass(frozen=True)
class Fit:
    """One refined pose about the two middles: nominal = middle of the surface + turn @ point + shift.

    residuals: (n,) signed mm. weights: (n,) 0 where a point was given none. facing: (n, 3) way in which the distance
    grows. placed: (n, 3) points about the middle of the surface. loose: (6, k) motions that change no distance, as
    columns: sliding along x, y, z in mm, turning about x, y, z times half the diagonal.
    """

    turn: Floats
    shift: Floats
    residuals: Floats
    weights: Floats
    facing: Floats
    placed: Floats
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
) -> Fit:
    """Weighted point-to-plane steps to the mesh until they stand still, `most` at the most.

    points: (n, 3) mm about the middle of the scan. stands_for: (n,) relative area each point stands for. allowed:
    (6, k) orthonormal motions that may be used, about the middle of the surface; None allows all.
    """
    share = np.ones(len(points)) if stands_for is None else stands_for / stands_for.mean()
    arm = surface.diagonal / 2
    axes = facing_axes(surface)
    ways_open = np.eye(6) if allowed is None else allowed
    loose = np.empty((6, 0))
    converged = False
    done = 0
    while True:
        placed = points @ turn.T + shift
        values, _, _, facing = closest_in_order(surface, placed + surface.centroid)
        weights = share * biweight(values, scale_of(values, facing, axes, share, surface.diagonal))[0]
        if done == most or converged:
            return Fit(turn, shift, values, weights, facing, placed, done, converged, loose)
        rows = motions(placed, facing, arm) @ ways_open
        weighted = rows * weights[:, None]
        stiffness, ways = np.linalg.eigh(np.einsum("ni,nj->ij", weighted, rows))
        firm = stiffness > LOOSE * max(float(stiffness[-1]), 1e-300)
        loose = ways_open @ ways[:, ~firm]
        pull = ways.T @ -np.einsum("ni,n->i", weighted, values)
        change = ways_open @ (ways @ np.where(firm, pull / np.where(firm, stiffness, 1.0), 0.0))
        step = change[3:] / arm
        shorter = min(1.0, 0.3 / max(float(np.linalg.norm(step)), 1e-300))
        rotation = turned_by(shorter * step[None])[0]
        turn = rotation @ turn
        shift = rotation @ shift + shorter * change[:3]
        converged = bool(np.abs(change).max() < 1e-9 * surface.diagonal)
        done += 1
        tick()


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


def facing_axes(surface: Surface) -> Floats:
    """The three directions the surface mostly faces, as columns: for a block, its edges. They move with the mesh."""
    axes: Floats = np.linalg.eigh(np.einsum("m,mi,mj->ij", surface.areas, surface.normals, surface.normals))[1]
    return axes
