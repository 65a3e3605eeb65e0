"""Choosing points of a scan to align by: few, evenly spread, without strays and without the table it stands on."""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from metrology.bodies import Floats, Ints
from metrology.surfaces.deviation import neighbour_order
from metrology.surfaces.surface import Flags, Surface

# The fullest cubes that tell how many points a cube on the part holds: a tenth of those on a whole part.
_FULLEST = 400


@dataclass(frozen=True)
class Plane:
    """A plane in the scan frame: normal (3,) unit, offset and reach in mm; it owns points within reach of it."""

    normal: Floats
    offset: float
    reach: float

    def holds(self, points: Floats) -> Flags:
        near: Flags = np.abs(points @ self.normal - self.offset) <= self.reach
        return near


def spread_pick(points: Floats, count: int, seed: int) -> Floats:
    """At most `count` points, one by chance from each of `count` equal stretches of the list, in order."""
    if len(points) <= count:
        return np.array(points, dtype=np.float64)
    edges = np.arange(count + 1) * len(points) // count
    return np.array(points[np.random.default_rng(seed).integers(edges[:-1], edges[1:])], dtype=np.float64)


def evenly(points: Floats, count: int) -> Floats:
    """At most `count` of the points, at equal steps through the list."""
    if len(points) <= count:
        return points
    return points[np.arange(count) * len(points) // count]


def common_body(points: Floats, surface: Surface, seed: int) -> tuple[Floats, list[Plane]]:
    """What to look for on the nominal: a few thousand points, evenly spread, in an order without pattern.

    Also the planes left out: each holds much of the scan and is wider than the whole nominal, like a table.
    """
    body = _joined(thinned(points, float(np.sqrt(surface.area / 4000))))
    body = body[np.random.default_rng(seed).permutation(len(body))]
    planes: list[Plane] = []
    width = span(surface.vertices)
    while len(planes) < 2 and _too_wide(body, width, seed) > 0.02:
        plane = _widest_plane(body, width, seed)
        if plane is None:
            break
        planes.append(plane)
        body = _joined(body[~plane.holds(body)])
    return body, planes


def _joined(body: Floats) -> Floats:
    """Evenly spread points without those that stand alone: their fourth neighbour is three times as far as usual.

    Usual: as for the quarter of points with the nearest neighbours, for strays may outnumber the part.
    """
    if len(body) < 30:
        return body
    away = cKDTree(body).query(body, k=[5], workers=-1)[0][:, 0]
    kept: Flags = away <= 3.0 * np.quantile(away, 0.25)
    return body[kept] if kept.sum() >= 30 else body


def separate(body: Floats, width: float) -> list[Ints]:
    """Rows of what may be the part alone: everything, or where that is wider than the nominal, each large piece.

    body: (n, 3) evenly spread points. width: greatest distance across the nominal, mm. Pieces are joined points, up to
    the three largest with at least 8 % of the points, none wider than the nominal unless all are.
    """
    everything = np.arange(len(body))
    if len(body) < 60 or _too_wide(body, width, 0) < 0.005:
        return [everything]
    tree = cKDTree(body)
    spacing = float(np.median(tree.query(body, k=[min(5, len(body))], workers=-1)[0]))
    pairs = tree.query_pairs(2.5 * spacing, output_type="ndarray")
    joined = coo_array((np.ones(len(pairs), dtype=np.int8), pairs.T), shape=(len(body), len(body)))
    piece = connected_components(joined, directed=False)[1]
    held = np.bincount(piece)
    large = [int(k) for k in np.argsort(-held, kind="stable") if held[k] >= 0.08 * len(body)]
    if len(large) < 2:
        return [everything]
    rows = [np.flatnonzero(piece == k) for k in large]
    narrow = [some for some in rows if span(body[some]) < 1.15 * width]
    return (narrow or rows)[:3]


def off_planes(points: Floats, planes: list[Plane]) -> Flags:
    """True for points that lie on none of the planes, (n,)."""
    kept = np.ones(len(points), dtype=np.bool_)
    for plane in planes:
        kept &= ~plane.holds(points)
    return kept


def thinned(points: Floats, edge: float) -> Floats:
    """One point from each cube of side `edge` mm that holds about as many points as cubes on the part do.

    Cubes holding far fewer hold strays and are passed over. What cubes on the part hold is told by the fullest few
    hundred: not by the very fullest, for a place may be crowded, nor by most of them, for strays may fill more cubes
    than the part. Where cubes of this size do not suit the scan (the wrong part, the wrong unit), an even pick of the
    points is returned.
    """
    cell = np.floor((points - points.min(axis=0)) / edge)
    across = cell.max(axis=0) + 1
    if np.prod(across) > 2**62:
        return spread_pick(points, 4000, 0)
    key = ((cell[:, 0] * across[1] + cell[:, 1]) * across[2] + cell[:, 2]).astype(np.int64)
    _, first, held = np.unique(key, return_index=True, return_counts=True)
    typical = np.sort(held)[::-1][min(_FULLEST, int(0.3 * len(held)))]
    kept: Ints = np.sort(first[held >= 0.25 * typical])
    if len(kept) < min(300, len(points) // 2):
        return spread_pick(points, 4000, 0)
    return spread_pick(points[kept], 12_000, 0)


@dataclass(frozen=True)
class Chosen:
    """Points of a scan to align by. all: (n, 3) mm, scan frame. fine: (k, 3) those of the last fit, by neighbours.
    apart: (k,) mm, how far the sixth neighbour of each is away in the scan."""

    all: Floats
    fine: Floats
    apart: Floats


def choose(points: Floats) -> Chosen:
    fine = evenly(points, 30_000)
    fine = fine[neighbour_order(fine)]
    scan = evenly(points, 60_000)
    tree = cKDTree(scan, compact_nodes=False, balanced_tree=False)
    return Chosen(points, fine, tree.query(fine, k=[min(7, len(scan))], workers=-1)[0][:, 0])


def lonely(chosen: Chosen, stands_for: Floats) -> Flags:
    """True for points of the last fit whose sixth neighbour in the scan is farther away than is usual on the surface.

    stands_for: (k,) area of each, so that a place crowded with points does not say what is usual. Farther: more than
    2.5 times the median, as where the scan is six times thinner than it mostly is.
    """
    far: Flags = chosen.apart > 2.5 * middle_of(chosen.apart, stands_for)
    return far


def middle_of(values: Floats, weights: Floats) -> float:
    """The value with half of the weight below it."""
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weights[order])
    return float(values[order[np.searchsorted(reached, reached[-1] / 2)]])


def span(points: Floats) -> float:
    """About the greatest distance between two of the points, mm: farthest from the middle, then farthest from that."""
    end = points.mean(axis=0)
    for _ in range(3):
        away = np.linalg.norm(points - end, axis=1)
        end = points[np.argmax(away)]
    return float(away.max())


def _widest_plane(points: Floats, width: float, seed: int) -> Plane | None:
    """The plane that holds the most points, if it holds 15 % of them and spreads wider than `width` mm."""
    rng = np.random.default_rng(seed)
    corners = points[rng.integers(0, len(points), size=(300, 3))]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    lengths = np.linalg.norm(normals, axis=1)
    sound = lengths > 1e-9 * width**2
    normals = normals[sound] / lengths[sound, None]
    reach = 0.004 * width
    some = points[:1500]
    held = np.abs(np.einsum("nj,kj->kn", some, normals) - np.einsum("kj,kj->k", corners[sound, 0], normals)[:, None])
    if not len(held):
        return None
    best = int(np.argmax((held <= reach).sum(axis=1)))
    plane = Plane(normals[best], float(corners[sound, 0][best] @ normals[best]), reach)
    for _ in range(3):
        on = points[plane.holds(points)]
        middle = on.mean(axis=0)
        normal: Floats = np.linalg.eigh(np.einsum("ni,nj->ij", on - middle, on - middle))[1][:, 0]
        plane = Plane(normal, float(middle @ normal), reach)
    on = points[plane.holds(points)]
    if len(on) < 0.15 * len(points) or _too_wide(on, width, seed) < 0.04:
        return None
    return plane


def _too_wide(points: Floats, width: float, seed: int) -> float:
    """Share of chance pairs of points that lie farther apart than any two points of the nominal."""
    pairs = points[np.random.default_rng(seed).integers(0, len(points), size=(4000, 2))]
    return float((np.linalg.norm(pairs[:, 0] - pairs[:, 1], axis=1) > 1.02 * width).mean())
