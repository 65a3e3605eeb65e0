"""One layer of points or two, seen straight through a wall from each surface sample."""

from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats, Ints

# Means of the two halves of a split stand so many of their standard deviations apart only where there are two layers:
# 2.7 for one normal layer cut in two, 3.5 for an even spread (closed forms).
_APART = 3.7
# Each layer holds at least so many points and this share of them, and they stand this share of the wall apart.
_LAYER_POINTS, _LAYER_SHARE, _LAYER_GAP = 3, 0.12, 0.15
# With fewer points than this a column takes in those of its neighbours, and so does one whose only layer has its middle
# nearer to the middle of the wall than this share of it.
_ENOUGH, _BLURRED = 24, 0.25


@dataclass(frozen=True)
class Columns:
    """means: (s, 2) mm, depth of the one or two layers of each sample, the outer first; NaN where there is none.
    cut: (s,) mm, depth that parts the two; infinite where there is but one."""

    means: Floats
    cut: Floats

    def layer(self, columns: Ints, depth: Floats) -> Ints:
        """0 for points of the outer layer, 1 for those of the inner, (k,)."""
        return (depth > self.cut[columns]).astype(np.int64)


def split_columns(columns: Ints, depth: Floats, neighbours: Ints, apart: Floats) -> Columns:
    """Cut each column's depths where the two halves differ most, and believe it where they differ enough (Otsu 1979,
    from memory).

    columns, depth: (n,) sample and depth in mm of each entry. neighbours: (s, k) samples next to each, itself first;
    −1 for none. apart: (s,) mm, thickness of the wall.
    """
    order = np.lexsort([depth, columns])
    depth = depth[order]
    held = np.bincount(columns, minlength=len(apart))
    means = _split(depth, held, apart)
    # Where a column does not tell, it looks wider.
    with np.errstate(invalid="ignore"):
        blurred = np.isnan(means[:, 1]) & (np.abs(means[:, 0] / apart - 0.5) < _BLURRED)
    wider = np.flatnonzero((held > 0) & ((held < _ENOUGH) | blurred))
    if len(wider):
        means[wider] = _split(*_pooled(depth, held, neighbours[wider]), apart[wider])
    cut = np.where(np.isnan(means[:, 1]), np.inf, means.mean(axis=1))
    return Columns(means, cut)


def _split(depth: Floats, held: Ints, apart: Floats) -> Floats:
    """Means of the one or two layers of each column, (c, 2). depth: column by column, ascending. held: (c,) entries."""
    means = np.full((len(held), 2), np.nan)
    rows = np.flatnonzero(held)
    if not len(rows):
        return means
    n = held[rows]
    start = np.cumsum(n) - n
    middle = np.add.reduceat(depth, start) / n
    away = depth - np.repeat(middle, n)
    outer_n = np.arange(1, len(depth) + 1) - np.repeat(start, n)
    inner_n = np.repeat(n, n) - outer_n
    running = np.cumsum(away)
    outer_sum = running - np.repeat(running[start] - away[start], n)
    fewest = np.maximum(_LAYER_POINTS, _LAYER_SHARE * np.repeat(n, n))
    allowed = (outer_n >= fewest) & (inner_n >= fewest)
    # Sums about the mean of all: those of the two halves are opposite.
    between = np.where(allowed, outer_sum**2 / np.maximum(outer_n * inner_n, 1), -1.0)
    best = start + _first_greatest(between, start, n)
    outer = outer_sum[best] / outer_n[best]
    inner = -outer_sum[best] / np.maximum(inner_n[best], 1)
    within = np.sqrt(np.maximum(np.add.reduceat(away**2, start) / n - between[best], 0.0))
    gap = inner - outer
    two = (between[best] > 0) & (gap > _APART * within) & (gap > _LAYER_GAP * apart[rows])
    means[rows, 0] = np.where(two, middle + outer, middle)
    means[rows, 1] = np.where(two, middle + inner, np.nan)
    return means


def _first_greatest(values: Floats, start: Ints, n: Ints) -> Ints:
    """Place of the greatest value in each run, counted from its start."""
    greatest = np.repeat(np.maximum.reduceat(values, start), n)
    places = np.where(values == greatest, np.arange(len(values)) - np.repeat(start, n), len(values))
    return np.minimum.reduceat(places, start)


def _pooled(depth: Floats, held: Ints, groups: Ints) -> tuple[Floats, Ints]:
    """Depths of all columns of each group, ascending, group by group; and how many there are of each.

    depth: column by column. groups: (g, k) columns; −1 for none.
    """
    start = np.cumsum(held) - held
    into, source = np.nonzero(groups >= 0)[0], groups[groups >= 0]
    n = held[source]
    entry = np.arange(n.sum()) - np.repeat(np.cumsum(n) - n, n) + np.repeat(start[source], n)
    group, depths = np.repeat(into, n), depth[entry]
    return depths[np.lexsort([depths, group])], np.bincount(group, minlength=len(groups))
