"""Which scan points belong to which placed part, and where each part lies: every part fitted, points shared out."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from metrology.bodies import Floats, Ints
from metrology.positions.assembly import PlacedPart
from metrology.positions.part_fit import (
    Model,
    PartFit,
    carried,
    distances,
    facings,
    finish,
    motion_of,
    settle,
    weak_motions,
)
from metrology.rotation import turned_by
from metrology.surfaces.deviation import neighbour_order
from metrology.surfaces.surface import Flags

# Points a part is fitted to: a few to find it, more to measure it.
_FINDING, _MEASURING = 1_500, 8_000
# A scan point explains a part within this many mm while parts compete for points.
_ON = 2.0
# A part is in the scan when this share of its surface, and this many points, lie on it.
LEAST_COVERAGE, LEAST_POINTS = 0.08, 60
# Of the points near a part that was found, at least this share lies on it.
_PURE, _AROUND = 0.5, 15.0
# More than this share of points that nothing explains, or lost to better claims: look for the part elsewhere.
_DOUBT = 0.03
# Poses that explain this share of what the best one does explain alike.
_ALIKE = 0.99
# Points looked at along a weakly held motion, and over how many mm a fit may be equally good.
_SLIDING, _FLAT_MM = 2_000, 8.0
# Starts that a first look brings within this many mm of each other lead to the same place.
_SAME = 1.0
# Parts are looked for turned by as much as this.
_TURN_DEG = 3.0


@dataclass
class Sought:
    """One part while it is looked for. points: (k, 3) mm, the scan near its place, in the part's own frame about its
    centroid, evenly thinned. facing: (k, 3), see `part_fit.facings`. into: (4, 4) assembly to that frame. turn, shift:
    the fit so far. flat: (f, 6) motions along which it fits equally well. own: (k,) points that no better fitted part
    explains. quality: explained area as a share of the part's. reach: mm, how far its surface may have moved.
    kept_one_in: scan points for each that was kept. looked_with: the own points it was last looked for with."""

    part: PlacedPart
    shape: Model
    into: Floats
    points: Floats
    facing: Floats
    step: float
    turn: Floats = field(default_factory=lambda: np.eye(3))
    shift: Floats = field(default_factory=lambda: np.zeros(3))
    flat: Floats = field(default_factory=lambda: np.empty((0, 6)))
    own: Flags = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))
    quality: float = 0.0
    reach: float = 0.0
    kept_one_in: float = 1.0
    looked_with: Flags | None = None
    neighbours: tuple[int, ...] = ()

    @property
    def motion(self) -> Floats:
        """How the part was moved, in the frame of the assembly, (4, 4): nominal place to found place."""
        fit = np.eye(4)
        fit[:3, :3], fit[:3, 3] = self.turn, self.shift
        motion: Floats = np.linalg.inv(self.into) @ np.linalg.inv(fit) @ self.into
        return motion

    @property
    def moved(self) -> float:
        """How far its middle was moved, mm."""
        own = (self.shape.low + self.shape.high) / 2
        return float(np.linalg.norm(self.turn @ own + self.shift - own))


def seek(
    parts: Sequence[PlacedPart],
    models: dict[int, Model],
    points: Floats,
    search_mm: float,
    told: Callable[[float], None],
) -> list[Sought]:
    """Find each part near its place. points: (n, 3) mm, frame of the assembly, without lonely ones.

    The best fitted parts take their points first; what is left goes to the others, which are looked for again where
    they lost much or where points nearby belong to nothing.
    """
    longest = int(np.argmax(np.ptp(points, axis=0)))
    points = points[np.argsort(points[:, longest], kind="stable")]
    found = [_gather(part, models[id(part.mesh)], points, longest, search_mm) for part in parts]
    _name_neighbours(found, search_mm)
    for number, one in enumerate(found):
        some = slice(None, None, max(len(one.points) // _FINDING, 1))
        if len(one.points) >= 6:
            reaches = (0.8 * one.reach, *_reaches(one))
            one.turn, one.shift = settle(one.shape, one.points[some], one.facing[some], one.turn, one.shift, reaches, 4)
        one.own = np.ones(len(one.points), dtype=np.bool_)
        told(0.5 * (number + 1) / len(found))
    for round_ in range(2):
        for k in range(len(found)):
            _rate(found, k)
        order = sorted(range(len(found)), key=lambda k: (-round(found[k].quality, 2), round(found[k].moved), k))
        taken: list[int] = []
        for done, k in enumerate(order):
            _claim(found, k, taken, search_mm)
            taken.append(k)
            told(0.5 + 0.25 * (round_ + (done + 1) / len(order)))
    for one in found:
        _slide(one, search_mm)
    return found


def measure(found: Sequence[Sought]) -> list[PartFit | None]:
    """The last fit of each part to its own points; None for a part that is not in the scan."""
    fits = [_fitted(one) for one in found]
    density = [_density(one, fit) for one, fit in zip(found, fits, strict=True) if fit and fit.coverage > 0.15]
    usual = float(np.median(density)) if density else 0.0
    return [fit if fit and _is_there(one, fit, usual) else None for one, fit in zip(found, fits, strict=True)]


def _fitted(one: Sought) -> PartFit | None:
    points = one.points[one.own]
    if len(points) < LEAST_POINTS:
        return None
    fit = finish(one.shape, points, one.turn, one.shift, one.flat)
    one.turn, one.shift = fit.turn, fit.shift
    return fit if fit.explained >= LEAST_POINTS else None


def _density(one: Sought, fit: PartFit) -> float:
    """Scan points a mm² where the part was seen, before it was thinned."""
    return fit.explained * one.kept_one_in / (fit.coverage * one.shape.surface.area)


def _is_there(one: Sought, fit: PartFit, usual: float) -> bool:
    """Enough of the part, as densely scanned as the others, and little else near its surface."""
    a_sample = usual * one.shape.surface.area / len(fit.counts) / one.kept_one_in
    near = distances(one.shape, one.points[one.own], one.facing[one.own], fit.turn, fit.shift) < _AROUND
    pure = fit.explained / max(int(near.sum()), 1)
    return fit.coverage_at(a_sample) >= LEAST_COVERAGE and pure >= _PURE


def without_lonely(points: Floats, area: float) -> Floats:
    """The scan without points that stand almost alone. area: mm², of the whole nominal surface.

    Cubes wide enough to hold about ten points of a surface; those holding far fewer than usual are left out.
    """
    edge = float(np.sqrt(12.0 * 0.6 * area / max(len(points), 1)))
    key = _cubes(points, edge)
    _, owner, held = np.unique(key, return_inverse=True, return_counts=True)
    usual = float(np.median(held[owner]))
    kept: Floats = points[held[owner] >= max(2.0, 0.15 * usual)]
    return kept


def _gather(part: PlacedPart, shape: Model, points: Floats, longest: int, search_mm: float) -> Sought:
    """The scan near a part's place: in the box around the part, wider by the search radius on each side.

    points: in order along the axis `longest`.
    """
    into = np.array(np.linalg.inv(part.matrix))
    into[:3, 3] -= shape.surface.centroid
    reach = search_mm + shape.arm * float(np.sin(np.radians(_TURN_DEG)))
    half = float(np.linalg.norm(np.maximum(np.abs(shape.low), np.abs(shape.high)))) + 2 * reach
    at = float(np.linalg.inv(into)[longest, 3])
    points = points[slice(*np.searchsorted(points[:, longest], (at - half, at + half)))]
    local = points @ into[:3, :3].T + into[:3, 3]
    low, high = shape.low - reach, shape.high + reach
    near = ((local > low) & (local < high)).all(axis=1)
    step = float(np.sqrt(shape.surface.area / (0.6 * _MEASURING)))
    thin = _thinned(local[near], step)
    kept = int(near.sum()) / max(len(thin), 1)
    return Sought(part, shape, into, thin, facings(thin), step, reach=reach, kept_one_in=kept)


def _thinned(points: Floats, edge: float) -> Floats:
    """One point of each cube, by chance (the first would lie to one side), neighbours together in the order."""
    if not len(points):
        return points
    mixed = np.random.default_rng(0).permutation(len(points))
    kept: Floats = points[mixed[np.unique(_cubes(points, edge)[mixed], return_index=True)[1]]]
    return np.ascontiguousarray(kept[neighbour_order(kept)])


def _cubes(points: Floats, edge: float) -> Ints:
    cell = np.floor((points - points.min(axis=0)) / edge).astype(np.int64)
    across = cell.max(axis=0) + 1
    key: Ints = (cell[:, 0] * across[1] + cell[:, 1]) * across[2] + cell[:, 2]
    return key


def _name_neighbours(found: list[Sought], search_mm: float) -> None:
    boxes = []
    for one in found:
        corners = np.array(np.meshgrid(*zip(one.shape.low, one.shape.high, strict=True))).reshape(3, 8).T
        back = np.linalg.inv(one.into)
        placed = corners @ back[:3, :3].T + back[:3, 3]
        boxes.append((placed.min(axis=0) - search_mm, placed.max(axis=0) + search_mm))
    for k, one in enumerate(found):
        low, high = boxes[k]
        one.neighbours = tuple(
            other for other, (a, b) in enumerate(boxes) if other != k and (a < high).all() and (low < b).all()
        )


def _rate(found: list[Sought], k: int) -> None:
    """How much of a part is shown by points that no other part explains: a missing part lives on its neighbours'."""
    one = found[k]
    alone = distances(one.shape, one.points, one.facing, one.turn, one.shift) < _ON if len(one.points) else one.own
    for other in one.neighbours:
        if not alone.any():
            break
        alone[alone] = _explained_by(found[other], one, alone) >= _ON
    one.quality = float(alone.sum()) * one.step**2 / one.shape.surface.area


def _claim(found: list[Sought], k: int, taken: Sequence[int], search_mm: float) -> None:
    """Leave out the points that parts before this one explain; look elsewhere for a part that is then in doubt."""
    one = found[k]
    if not len(one.points):
        return
    off = distances(one.shape, one.points, one.facing, one.turn, one.shift)
    on = off < _ON
    theirs, anyone = np.zeros_like(on), on.copy()
    for other in one.neighbours:
        away = _explained_by(found[other], one)
        anyone |= away < _ON
        if other in taken:
            theirs |= away < np.minimum(_ON, np.where(on, off + 0.5 * _ON, _ON))
    one.own = ~theirs
    near = ~theirs & (_beyond_box(one) < 0.6 * one.reach)
    unexplained = near & ~anyone
    doubt = (on & theirs).sum() > _DOUBT * on.sum() or unexplained.sum() > _DOUBT * max(int(near.sum()), 1)
    looked = one.looked_with is not None and (one.looked_with ^ one.own).sum() < _DOUBT * one.own.sum()
    if not looked and (one.moved > search_mm or (doubt and near.sum() >= LEAST_POINTS)):
        _look_elsewhere(one, search_mm)
        one.looked_with = one.own


def _explained_by(other: Sought, one: Sought, rows: Flags | None = None) -> Floats:
    """Distance of one part's points from another part as fitted, (k,) mm."""
    across = other.into @ np.linalg.inv(one.into)
    points, facing = (one.points, one.facing) if rows is None else (one.points[rows], one.facing[rows])
    turn = across[:3, :3].T
    return distances(other.shape, points @ turn + across[:3, 3], facing @ turn, other.turn, other.shift)


def _reaches(one: Sought) -> tuple[float, ...]:
    return (0.4 * one.reach, 6.0, 2.5)


def _beyond_box(one: Sought) -> Floats:
    outside = np.maximum(np.maximum(one.shape.low - one.points, one.points - one.shape.high), 0.0)
    return np.asarray(np.linalg.norm(outside, axis=1))


def _look_elsewhere(one: Sought, search_mm: float) -> None:
    """Try starts around the place; keep the one that explains most, the nearest of those that explain alike."""
    points, facing = one.points[one.own], one.facing[one.own]
    some = slice(None, None, max(len(points) // (_FINDING // 2), 1))
    if len(points) < 6:
        return
    starts = [(one.turn, one.shift), (np.eye(3), np.zeros(3))]
    starts += [(np.eye(3), sign * 0.5 * search_mm * axis) for axis in np.eye(3) for sign in (1.0, -1.0)]
    if one.reach > 1.6 * search_mm:
        angle = np.radians(0.6 * _TURN_DEG)
        starts += [(turn, np.zeros(3)) for turn in turned_by(np.concatenate([angle * np.eye(3), -angle * np.eye(3)]))]
    tried = []
    first, *rest = _reaches(one)
    led: list[tuple[Floats, Floats]] = []
    for start in starts:
        pose = settle(one.shape, points[some], facing[some], *start, (first,), 4)
        # Many starts lead to one place: it is enough to go on from the first of them.
        if all(_apart(one.shape, pose, other) > _SAME for other in led):
            led.append(pose)
    for number, (turn, shift) in enumerate(led):
        turn, shift = settle(one.shape, points[some], facing[some], turn, shift, tuple(rest), 4)
        trial = Sought(one.part, one.shape, one.into, points, facing, one.step, turn, shift)
        if trial.moved > search_mm:
            continue
        on = int((distances(one.shape, points, facing, turn, shift) < _ON).sum())
        tried.append((on, -trial.moved, -number, turn, shift))
    if not tried:
        one.turn, one.shift = np.eye(3), np.zeros(3)
        return
    most = max(score for score, *_ in tried)
    *_, one.turn, one.shift = max((t for t in tried if t[0] >= _ALIKE * most), key=lambda t: t[1:3])


def _apart(shape: Model, one: tuple[Floats, Floats], other: tuple[Floats, Floats]) -> float:
    """The farthest that two poses are apart at a corner of the part's box, mm."""
    corners = np.array(np.meshgrid(*zip(shape.low, shape.high, strict=True))).reshape(3, 8).T
    between = (corners - one[1]) @ one[0] - (corners - other[1]) @ other[0]
    return float(np.linalg.norm(between, axis=1).max())


def _slide(one: Sought, search_mm: float) -> None:
    """Along motions that the visible surface holds weakly, look all the way for where most of it fits; where it fits
    equally well all along, the motion is not determined and the part is put back to its nominal place."""
    points, facing = one.points[one.own], one.facing[one.own]
    on = distances(one.shape, points, facing, one.turn, one.shift) < _ON
    if on.sum() < LEAST_POINTS:
        return
    some = slice(None, None, max(len(points) // _SLIDING, 1))
    flat = []
    for way in weak_motions(one.shape, points[on] @ one.turn.T + one.shift)[:3]:
        offsets = np.arange(-search_mm, search_mm + 1e-9, _ON) - float(way @ motion_of(one.shape, one.turn, one.shift))
        poses = [carried(one.shape, one.turn, one.shift, offset * way) for offset in (*offsets, 0.0)]
        counts = np.array([(distances(one.shape, points[some], facing[some], *pose) < _ON).sum() for pose in poses])
        alike = np.flatnonzero(counts >= counts.max() - max(0.004 * counts.max(), 3.0))
        places = np.array([way @ motion_of(one.shape, *poses[k]) for k in alike])
        if np.ptp(places) > _FLAT_MM:
            flat.append(way)
            one.turn, one.shift = poses[alike[np.argmin(np.abs(places))]]
        else:
            one.turn, one.shift = settle(one.shape, points[some], facing[some], *poses[np.argmax(counts)], (2.5,), 6)
    one.flat = np.array(flat).reshape(-1, 6)
