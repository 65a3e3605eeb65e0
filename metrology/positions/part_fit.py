"""Where one part really is: its nominal fitted to the scan points near its place, from a pose that is roughly known."""

from dataclasses import dataclass, field

import numpy as np
from scipy.spatial import cKDTree

from metrology.bodies import Floats, Ints, Mesh
from metrology.rotation import turned_by
from metrology.surfaces.coarser import coarser
from metrology.surfaces.surface import Flags, Samples, Surface, prepare, sample

# A point counts for a face where it lies over the face, not beyond its edge: cosine to the face's normal.
_OVER = 0.9
# And the scanned surface looks the same way as the face to within 45°.
_FACING = 0.7
# A motion is determined when what was seen holds it at least this firmly, as a share of what the whole part would.
_DETERMINED = 0.03
# A motion that even the whole surface hardly holds: a round part turns about its axis.
_FREE = 1e-4
_CUT = 4.0
# Spread of points about a part, mm, at the least and at the most.
_LEAST_SIGMA, _MOST_SIGMA = 0.02, 2.0
_SAMPLES, _CLUSTERS = 1200, 60
# Triangles of the surface that is searched on.
_ROUGH = 12_000


@dataclass(frozen=True)
class Model:
    """One nominal made ready for fitting; shared by equal parts.

    rough: a coarser surface to search on. own: samples of the surface. low, high: (3,) of the box around it, about its
    centroid. arm: mm, the lever by which turns are weighed against slides (half the diagonal). full: (6, 6) how firmly
    the whole surface holds it, turns times arm first, then slides. cluster: (s,) coarse patch of each sample.
    """

    surface: Surface
    rough: Surface
    own: Samples
    low: Floats
    high: Floats
    arm: float
    full: Floats
    cluster: Ints = field(repr=False)


@dataclass(frozen=True)
class PartFit:
    """A part placed. turn (3, 3), shift (3,): carry scan points, in the part's own frame about its centroid, onto its
    nominal. residuals: (k,) mm of the points given. used: (k,) points that lie on the part. explained: how many.
    covariance: (6, 6) of (turn times arm, shift), mm². held: (6, 6) projector onto the motions that are determined.
    coverage: share of the surface with points. counts: (s,) points used at each sample of the surface. rms: mm, over
    the points used."""

    turn: Floats
    shift: Floats
    residuals: Floats
    used: Flags
    covariance: Floats
    held: Floats
    coverage: float
    counts: Ints = field(repr=False)
    rms: float = 0.0

    @property
    def explained(self) -> int:
        return int(self.used.sum())

    def coverage_at(self, density: float) -> float:
        """Share of the surface where points lie at least a third as densely as is usual, in points a sample."""
        return float((self.counts >= max(1.0, density / 3)).mean())


def model(surface: Surface) -> Model:
    own = sample(surface, _SAMPLES)
    arm = surface.diagonal / 2
    rows = _rows(own.points - surface.centroid, own.normals, arm)
    coarse = sample(surface, _CLUSTERS)
    rough = coarser(Mesh(surface.vertices, surface.faces), _ROUGH)
    searched = surface if len(rough.faces) == len(surface.faces) else prepare(rough)
    corners = surface.vertices[np.unique(surface.faces)] - surface.centroid
    low, high = corners.min(axis=0), corners.max(axis=0)
    cluster = coarse.nearest(own.points, own.normals)[1]
    return Model(surface, searched, own, low, high, arm, rows.T @ rows / len(rows), cluster)


def settle(
    shape: Model,
    points: Floats,
    facing: Floats,
    turn: Floats,
    shift: Floats,
    reaches: tuple[float, ...],
    steps: int,
) -> tuple[Floats, Floats]:
    """Carry points onto the surface by weighted steps, with a reach (mm) that narrows: what lies farther has no say.

    points: (k, 3) mm in the part's own frame about its centroid. facing: (k, 3) unit, across the scanned surface at
    each, either way round. Returns turn and shift. Directions that nothing holds stay as they were.
    """
    for reach in reaches:
        for _ in range(steps):
            moved = points @ turn.T + shift
            values, normals, over = _closest(shape, moved, rough=True)
            over &= _alike(facing @ turn.T, normals)
            weights = np.where(over, np.maximum(1.0 - (values / reach) ** 2, 0.0) ** 2, 0.0)
            turn, shift, change = _step(shape, moved, values, normals, weights, turn, shift)
            if change < 1e-3 * reach:
                break
    return turn, shift


def distances(shape: Model, points: Floats, facing: Floats, turn: Floats, shift: Floats) -> Floats:
    """Distance of points from the placed part, (k,) mm; infinite for a point beyond an edge or facing another way."""
    values, normals, over = _closest(shape, points @ turn.T + shift, rough=True)
    return np.where(over & _alike(facing @ turn.T, normals), np.abs(values), np.inf)


def facings(points: Floats, around: int = 10) -> Floats:
    """The direction across the surface that points lie on, (k, 3) unit, either way round: of the least spread of each
    point's neighbours."""
    if len(points) < 4:
        return np.zeros((len(points), 3))
    rows = cKDTree(points).query(points, k=min(around, len(points)), workers=-1)[1]
    away = points[rows] - points[rows].mean(axis=1, keepdims=True)
    across: Floats = np.linalg.eigh(np.einsum("kni,knj->kij", away, away))[1][:, :, 0]
    return across


def _alike(facing: Floats, normals: Floats) -> Flags:
    return np.asarray(np.abs(np.einsum("ij,ij->i", facing, normals)) > _FACING, dtype=np.bool_)


def finish(shape: Model, points: Floats, turn: Floats, shift: Floats, flat: Floats) -> PartFit:
    """The last steps, each place of the surface weighing alike, and what is known of the answer.

    The spread is estimated from the points (median). Along motions that are not determined the part is put back to
    its nominal place. The covariance adds up what patches of the surface pull together, so that local faults of form
    and neighbours that err alike count once. flat: (f, 6) motions already known not to be determined.
    """
    sigma = _LEAST_SIGMA
    share, held = np.ones(len(points)), np.eye(6)
    for phase in range(2):
        for number in range(10):
            moved = points @ turn.T + shift
            values, normals, over = _closest(shape, moved)
            near = over & (np.abs(values) < (3.0 if not (phase or number) else 8.0 * sigma))
            if near.sum() < 6:
                break
            sigma = min(max(1.4826 * float(np.median(np.abs(values[near]))), _LEAST_SIGMA), _MOST_SIGMA)
            if number == 2:
                share = _even(shape, moved, normals)
            weights = _biweight(values, over, sigma) * share
            turn, shift, change = _step(shape, moved, values, normals, weights, turn, shift, held if phase else None)
            if number > 3 and change < 1e-5:
                break
        if phase == 0:
            values, normals, over, owner = _owners(shape, points @ turn.T + shift)
            held, _ = _held(shape, owner[over & (np.abs(values) < _CUT * sigma)], flat)
            if np.trace(held) > 5.5:
                break
            turn, shift = _put_back(shape, turn, shift, held)
            ways, sizes, _ = np.linalg.svd(np.eye(6) - held)
            flat = ways[:, sizes > 0.5].T
    moved = points @ turn.T + shift
    values, normals, over, owner = _owners(shape, moved)
    used = over & (np.abs(values) < _CUT * sigma)
    held, coverage = _held(shape, owner[used], flat)
    weights = _biweight(values, over, sigma) * share
    covariance = _covariance(shape, moved, values, normals, weights, owner, held)
    rms = float(np.sqrt((values[used] ** 2).mean())) if used.any() else float("inf")
    counts = np.bincount(owner[used], minlength=len(shape.own.points))
    return PartFit(turn, shift, values, used, covariance, held, coverage, counts, rms)


def _put_back(shape: Model, turn: Floats, shift: Floats, held: Floats) -> tuple[Floats, Floats]:
    """Take back what the fit moved along motions that nothing determines."""
    back = -(np.eye(6) - held) @ motion_of(shape, turn, shift)
    return carried(shape, turn, shift, back)


def motion_of(shape: Model, turn: Floats, shift: Floats) -> Floats:
    """A fit as a motion (6,): turn times arm, then slide; mm."""
    motion: Floats = np.r_[turn_vector(turn) * shape.arm, shift]
    return motion


def carried(shape: Model, turn: Floats, shift: Floats, motion: Floats) -> tuple[Floats, Floats]:
    """A fit followed by a small motion (6,)."""
    small = turned_by(motion[None, :3] / shape.arm)[0]
    return small @ turn, small @ shift + motion[3:]


def turn_vector(turn: Floats) -> Floats:
    """Axis times angle of a rotation of less than half a turn, (3,) rad."""
    axis = np.array([turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]]) / 2
    sine = float(np.linalg.norm(axis))
    angle = float(np.arctan2(sine, (np.trace(turn) - 1) / 2))
    vector: Floats = axis * (angle / sine if sine > 1e-12 else 1.0)
    return vector


def _biweight(values: Floats, over: Flags, sigma: float) -> Floats:
    return np.where(over, np.maximum(1.0 - (values / (_CUT * sigma)) ** 2, 0.0) ** 2, 0.0)


def _owners(shape: Model, moved: Floats) -> tuple[Floats, Floats, Flags, Ints]:
    values, normals, over = _closest(shape, moved)
    owner = shape.own.nearest(np.ascontiguousarray(moved + shape.surface.centroid), normals)[1]
    return values, normals, over, owner


def _closest(shape: Model, moved: Floats, rough: bool = False) -> tuple[Floats, Floats, Flags]:
    """Height of points over the closest face, (k,) mm, its normal (k, 3), and whether they lie over it at all."""
    surface = shape.rough if rough else shape.surface
    at = np.ascontiguousarray(moved + shape.surface.centroid)
    squared, faces, closest = surface.tree.squared_distance(surface.vertices, surface.faces, at)
    normals: Floats = surface.normals[faces.reshape(-1)]
    height = np.einsum("ij,ij->i", at - closest, normals)
    over: Flags = height**2 >= _OVER**2 * squared.reshape(-1) - (1e-7 * surface.diagonal) ** 2
    return height, normals, over


def _rows(at: Floats, normals: Floats, arm: float) -> Floats:
    return np.hstack([np.cross(at / arm, normals), normals])


def _step(
    shape: Model,
    moved: Floats,
    values: Floats,
    normals: Floats,
    weights: Floats,
    turn: Floats,
    shift: Floats,
    held: Floats | None = None,
) -> tuple[Floats, Floats, float]:
    rows = _rows(moved, normals, shape.arm)
    weighted = rows * weights[:, None]
    total = max(float(weights.sum()), 1e-12)
    stiff = np.einsum("ni,nj->ij", weighted, rows) / total
    stiffness, ways = np.linalg.eigh(stiff if held is None else held @ stiff @ held)
    firm = stiffness > (1e-3 if held is None else 1e-9) * max(float(stiffness[-1]), 1e-12)
    pull = ways.T @ (-np.einsum("ni,n->i", weighted, values) / total)
    change = ways @ np.where(firm, pull / np.where(firm, stiffness, 1.0), 0.0)
    most = float(np.abs(change).max())
    change *= min(1.0, 0.3 * shape.arm / max(most, 1e-12))
    return *carried(shape, turn, shift, change), most


def _even(shape: Model, moved: Floats, normals: Floats) -> Floats:
    """Weights by which each sample of the surface counts alike, however densely it was scanned, (k,)."""
    owner = shape.own.nearest(np.ascontiguousarray(moved + shape.surface.centroid), normals)[1]
    stands_for = 1.0 / np.bincount(owner, minlength=_SAMPLES)[owner]
    weights: Floats = np.minimum(stands_for, 4.0 * np.median(stands_for))
    return np.asarray(weights / weights.mean(), dtype=np.float64)


def weak_motions(shape: Model, moved: Floats, below: float = 0.2) -> Floats:
    """Motions that what was seen holds weakly, the weakest first, (w, 6) unit. moved: (k, 3) points on the part."""
    _, _, over, owner = _owners(shape, moved)
    share, ways, free = _holds(shape, _seen(shape, owner[over]))
    weak = ways[:, share < below] / np.linalg.norm(ways[:, share < below], axis=0)
    return np.concatenate([free.T, weak.T])


def _seen(shape: Model, owner: Ints) -> Flags:
    count = np.bincount(owner, minlength=len(shape.own.points))
    typical = float(np.median(count[count > 0])) if (count > 0).any() else 1.0
    seen: Flags = count >= max(1.0, 0.34 * typical)
    return seen


def _holds(shape: Model, seen: Flags) -> tuple[Floats, Floats, Floats]:
    """How firmly the samples seen hold each motion, as a share of what the whole part would: shares (m,), ascending,
    their motions (6, m), and those that even the whole part leaves free (6, 6 − m)."""
    rows = _rows(shape.own.points[seen] - shape.surface.centroid, shape.own.normals[seen], shape.arm)
    visible = rows.T @ rows / len(shape.own.points)
    stiffness, ways = np.linalg.eigh(shape.full)
    firm = stiffness > _FREE * stiffness[-1]
    # Motions in the frame where the whole part is equally firm in all of them; then back to plain ones.
    root = ways[:, firm] / np.sqrt(stiffness[firm])
    share, inner = np.linalg.eigh(root.T @ visible @ root)
    return share, root @ inner, ways[:, ~firm]


def _held(shape: Model, owner: Ints, flat: Floats) -> tuple[Floats, float]:
    """Projector onto the determined motions, (6, 6), and the share of the surface that was seen."""
    seen = _seen(shape, owner)
    share, ways, free = _holds(shape, seen)
    loose = np.hstack([ways[:, share < _DETERMINED], free, flat.T])
    if not loose.shape[1]:
        return np.eye(6), float(seen.mean())
    basis, sizes, _ = np.linalg.svd(loose / np.linalg.norm(loose, axis=0), full_matrices=False)
    basis = basis[:, sizes > 0.05]
    return np.eye(6) - basis @ basis.T, float(seen.mean())


def _covariance(
    shape: Model, moved: Floats, values: Floats, normals: Floats, weights: Floats, owner: Ints, held: Floats
) -> Floats:
    rows = _rows(moved, normals, shape.arm)
    stiff = np.einsum("ni,nj->ij", rows * weights[:, None], rows)
    patch = shape.cluster[owner]
    pulls = np.stack([np.bincount(patch, weights * values * rows[:, k], _CLUSTERS) for k in range(6)], axis=1)
    patches = max(int((np.bincount(patch, weights, _CLUSTERS) > 0).sum()), 1)
    meat = pulls.T @ pulls * patches / max(patches - 6, 1)
    # Noise of single points at the least: patches of few points cannot be told from luck.
    variance = float((weights * values**2).sum() / max(float(weights.sum()), 1e-12))
    meat = meat + variance * np.einsum("ni,nj->ij", rows * (weights**2)[:, None], rows)
    inverse = np.linalg.pinv(held @ stiff @ held, rcond=1e-10, hermitian=True)
    covariance: Floats = inverse @ meat @ inverse
    return covariance
