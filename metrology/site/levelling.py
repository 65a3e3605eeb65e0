"""Levelling: the closure of a line or loop, and the least-squares heights of a net of lines. Heights in mm.

In a line or loop least squares with variances in proportion to a weight (length, or number of set-ups) gives each
section its share of the misclosure in proportion to that weight; the net is the general case.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats
from metrology.errors import InputError


@dataclass(frozen=True)
class Net:
    """heights, sd: by point, of those that were unknown, in the order they first occur. corrections: (n,) to each
    line, mm. sd_of_unit: standard deviation of a line of weight share 1 (1 km, one set-up), None with nothing over."""

    heights: dict[str, float]
    sd: dict[str, float | None]
    corrections: Floats
    sd_of_unit: float | None
    free: int


def misclosure_shares(weights: Floats) -> Floats:
    """The share of the misclosure that has gathered at the end of each section, (n,); the last is 1."""
    total = float(weights.sum())
    if not (np.isfinite(weights).all() and (weights >= 0).all() and total > 0):
        raise InputError("no-length", "Enter the length of every section, above zero.")
    shares: Floats = np.cumsum(weights) / total
    return shares


def adjust_net(
    known: Mapping[str, float], start: Sequence[str], end: Sequence[str], rises: Floats, weights: Floats
) -> Net:
    """Heights that leave the least Σ correction² / weight.

    known: heights of benchmarks. start, end: (n,) points of each line. rises: (n,) mm, end less start. weights: (n,)
    what the variance of a line grows with: its length or set-ups. Raises InputError: no-benchmark, not-connected,
    nothing-unknown.
    """
    if not known:
        raise InputError("no-benchmark", "Give the height of at least one point.")
    names = list(dict.fromkeys(point for pair in zip(start, end, strict=True) for point in pair))
    unknown = [name for name in names if name not in known]
    if not unknown:
        raise InputError("nothing-unknown", "Every point of these lines has a known height. Add a point to be found.")
    apart = _not_reached(known, start, end)
    if apart:
        raise InputError(
            "not-connected", f"No line connects {apart[0]} with a known height. Add a line, or check the names."
        )
    column = {name: k for k, name in enumerate(unknown)}
    design = np.zeros((len(rises), len(unknown)))
    observed = np.array(rises, dtype=np.float64)
    for row, (low, high) in enumerate(zip(start, end, strict=True)):
        for name, sign in ((low, -1.0), (high, 1.0)):
            if name in column:
                design[row, column[name]] += sign
            else:
                observed[row] -= sign * known[name]
    root = np.sqrt(weights)
    # Heights are found about the first benchmark, so that none is lost to rounding far from zero.
    base = next(iter(known.values()))
    about = observed - design @ np.full(len(unknown), base)
    found = np.linalg.lstsq(design / root[:, None], about / root, rcond=None)[0]
    corrections = design @ found - about
    free = len(rises) - len(unknown)
    unit = float(np.sqrt((corrections**2 / weights).sum() / free)) if free > 0 else None
    cofactor = np.linalg.inv(design.T @ (design / weights[:, None]))
    sd = {name: None if unit is None else float(unit * np.sqrt(max(cofactor[k, k], 0.0))) for name, k in column.items()}
    heights = {name: float(base + found[k]) for name, k in column.items()}
    return Net(heights, sd, corrections, unit, free)


def _not_reached(known: Mapping[str, float], start: Sequence[str], end: Sequence[str]) -> list[str]:
    reached = set(known)
    names = list(dict.fromkeys([*start, *end]))
    grown = True
    while grown:
        before = len(reached)
        for low, high in zip(start, end, strict=True):
            if low in reached or high in reached:
                reached |= {low, high}
        grown = len(reached) > before
    return [name for name in names if name not in reached]
