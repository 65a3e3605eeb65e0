"""Closing a traverse: misclosure, Bowditch's rule, and least squares by condition equations.

Coordinates are east and north in mm; bearings are radians from north, clockwise. A traverse has n legs; leg k runs from
station k to station k + 1. Sources: both rules from memory of the surveying textbooks; checks stand in the tests.
"""

from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats
from metrology.errors import InputError

# Rounds end when no correction moves by more than this share of its standard deviation.
_ROUNDS, _STILL = 30, 1e-6


@dataclass(frozen=True)
class Legs:
    """bearings, lengths: (n,). ends: (n, 2) east and north of the station at each leg's far end."""

    bearings: Floats
    lengths: Floats
    ends: Floats


@dataclass(frozen=True)
class LeastSquares:
    """legs: adjusted. directions, lengths: (m,), (n,) corrections to what was observed, radians and mm. sd: (n, 2) of
    the stations, from the stated standard deviations, mm. factor: of what the residuals show over what was stated.
    conditions: how many had to be met."""

    legs: Legs
    directions: Floats
    lengths: Floats
    sd: Floats
    factor: float
    conditions: int


def runs(start: Floats, bearings: Floats, lengths: Floats) -> Legs:
    """The stations that follow from start (2,), without any adjustment."""
    steps = np.stack([np.sin(bearings), np.cos(bearings)], axis=1) * lengths[:, None]
    return Legs(bearings, lengths, start + np.cumsum(steps, axis=0))


def bowditch(start: Floats, raw: Legs, end: Floats) -> Legs:
    """The misclosure shared out in proportion to the lengths of the legs (Bowditch's, or compass, rule)."""
    total = float(raw.lengths.sum())
    misclosure = raw.ends[-1] - end
    ends = raw.ends - np.outer(np.cumsum(raw.lengths) / total, misclosure)
    steps = np.diff(np.vstack([start, ends]), axis=0)
    return Legs(np.arctan2(steps[:, 0], steps[:, 1]) % (2 * np.pi), np.hypot(*steps.T), ends)


def adjust(
    start: Floats,
    end: Floats,
    directions: Floats,
    lengths: Floats,
    turns: Floats,
    fixed: Floats,
    direction_sd: Floats,
    length_sd: Floats,
    closing: Floats | None = None,
    gap: float = 0.0,
) -> LeastSquares:
    """Least corrections, weighted by 1 / sd², with which the traverse ends at `end`.

    directions: (m,) observed bearings or angles, radians. turns: (n, m) and fixed: (n,) so that the bearings of the
    legs are fixed + turns @ directions. closing: (m,) and gap: closing @ corrections + gap must be 0 (the angles), if
    given. Raises InputError (bad-sd) for a standard deviation of 0 or less.
    """
    deviations = np.concatenate([direction_sd, length_sd])
    if not (np.isfinite(deviations).all() and (deviations > 0).all()):
        raise InputError("bad-sd", "A standard deviation must be above zero. Enter what the instrument is rated for.")
    m, n = len(directions), len(lengths)
    moved = np.zeros(m + n)
    cofactor = deviations**2
    for _ in range(_ROUNDS):
        bearings = fixed + turns @ (directions + moved[:m])
        legs = runs(start, bearings, lengths + moved[m:])
        spans = _slopes(legs, turns)
        rows = spans[-1]
        off = legs.ends[-1] - end
        if closing is not None:
            rows = np.vstack([rows, np.concatenate([closing, np.zeros(n)])])
            off = np.append(off, closing @ moved[:m] + gap)
        # Millimetres and radians side by side: each condition in units of its own spread.
        size = np.sqrt(np.einsum("ij,j,ij->i", rows, cofactor, rows))
        if not (size > 0).all():
            raise InputError("no-effect", "These legs have no length. Enter the distances between the stations.")
        rows, off = rows / size[:, None], off / size
        weighted = rows * cofactor
        normal = weighted @ rows.T
        fresh = weighted.T @ np.linalg.solve(normal, rows @ moved - off)
        step = float(np.abs((fresh - moved) / deviations).max())
        moved = fresh
        if step < _STILL:
            break
    else:
        raise InputError(
            "not-converged", "The traverse is too far from closing for an adjustment. Look for a blunder first."
        )
    bearings = fixed + turns @ (directions + moved[:m])
    legs = runs(start, bearings, lengths + moved[m:])
    spans = _slopes(legs, turns)
    covariance = np.diag(cofactor) - weighted.T @ np.linalg.solve(normal, weighted)
    variances = np.einsum("kai,ij,kaj->ka", spans, covariance, spans)
    conditions = len(off)
    factor = float(np.sqrt(((moved / deviations) ** 2).sum() / conditions))
    return LeastSquares(
        Legs(bearings % (2 * np.pi), legs.lengths, legs.ends), moved[:m], moved[m:],
        np.sqrt(np.maximum(variances, 0.0)), factor, conditions,
    )  # fmt: skip


def _slopes(legs: Legs, turns: Floats) -> Floats:
    """What each observation does to east and north of each station, (n, 2, m + n)."""
    sine, cosine = np.sin(legs.bearings), np.cos(legs.bearings)
    turned = np.stack([cosine * legs.lengths, -sine * legs.lengths], axis=1)  # a bearing's own
    by_direction = np.cumsum(turned[:, :, None] * turns[:, None, :], axis=0)
    along = np.stack([sine, cosine], axis=1)
    count = len(legs.lengths)
    by_length = np.where((np.arange(count)[None, :] <= np.arange(count)[:, None])[:, None, :], along.T[None, :, :], 0.0)
    return np.concatenate([by_direction, by_length], axis=2)
