"""Islands of deviation among the samples of a surface, and where on each a + or a − belongs."""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from metrology.bodies import Floats

# An island of fewer samples has no room for a sign; at most this many signs.
_FEWEST, _MOST = 12, 40
_NEIGHBOURS, _REACH = 7, 1.8


@dataclass(frozen=True)
class Sign:
    """row: of the sample on which it stands. plus: material outside nominal."""

    row: int
    plus: bool


def signs(places: Floats, deviation: Floats, low: float, high: float, spacing: float) -> list[Sign]:
    """One for each island of samples above `high` or below `low`, mm, on the sample with the most of its island around
    it; the largest islands first.

    places: (s, k) mm, positions, with further columns that hold the two sides of a thin part apart. deviation: (s,) mm,
    NaN = not measured.
    """
    found: list[tuple[int, Sign]] = []
    with np.errstate(invalid="ignore"):
        sides = ((True, deviation > high), (False, deviation < low))
    for plus, side in sides:
        rows = np.flatnonzero(side)
        if len(rows) < _FEWEST:
            continue
        tree = cKDTree(places[rows])
        away, near = tree.query(places[rows], k=min(_NEIGHBOURS, len(rows)))
        start, end = np.repeat(np.arange(len(rows)), near.shape[1]), near.reshape(-1)
        close = away.reshape(-1) <= _REACH * spacing
        graph = coo_array(
            (np.ones(int(close.sum()), dtype=np.int8), (start[close], end[close])), shape=(len(rows),) * 2
        )
        island = connected_components(graph, directed=False)[1]
        around = tree.query_ball_point(places[rows], 4.0 * spacing, return_length=True)
        size = np.bincount(island)
        # The fullest neighbourhood first within each island; of equals the first sample.
        order = np.lexsort([-around, island])
        first = order[np.r_[True, np.diff(island[order]) > 0]]
        found += [(int(size[island[k]]), Sign(int(rows[k]), plus)) for k in first if size[island[k]] >= _FEWEST]
    found.sort(key=lambda one: (-one[0], one[1].row))
    return [sign for _, sign in found[:_MOST]]
