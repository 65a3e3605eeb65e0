"""Alignment: placing a scan in the nominal frame from an unknown pose. Rigid: never scaled, never mirrored."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from metrology.alignment.contest import FAR_SHARE, Contest, almost_as_good, contest, refuse_mirrored, rms_of, unlike
from metrology.alignment.fine_fit import Fit, fit
from metrology.alignment.pose import Pose
from metrology.alignment.pose_search import SAME_POSE
from metrology.alignment.scan_points import (
    Chosen,
    choose,
    common_body,
    evenly,
    lonely,
    middle_of,
    off_planes,
    separate,
    span,
    spread_pick,
)
from metrology.alignment.voxels import Target
from metrology.bodies import Cloud, Floats, Mesh, Progress, silent
from metrology.errors import AlignmentError, InputError
from metrology.surfaces.deviation import closest_in_order
from metrology.surfaces.surface import Surface, prepare
from metrology.wording import count as counted
from metrology.wording import quantity

STAGE = "aligning"
FEWEST_POINTS = 100
# A scan less than this share as wide as the nominal could lie anywhere on it.
_SMALLEST = 0.3
# A second body with this share of the points of the first is as good a candidate for the part.
_AS_MUCH = 0.4


@dataclass(frozen=True)
class Rival:
    """A clearly different pose. rms, best_rms: mm, its own and the chosen one's over the same points."""

    matrix: Floats
    rms: float
    best_rms: float

    @property
    def almost(self) -> bool:
        return almost_as_good(self.best_rms, self.rms)


@dataclass(frozen=True)
class Placed:
    """A scan placed by best fit. last: the final fit, in points about the middles; `points` and stands_for belong to
    it, (n, 3) mm in the scan frame and (n,). middle: (3,) of the scan. beside: share of the body that stands apart and
    fits the nominal as well."""

    pose: Pose
    last: Fit
    points: Floats
    stands_for: Floats
    middle: Floats
    rival: Rival | None
    beside: float = 0.0


def fit_rotation(source: Floats, target: Floats) -> tuple[Floats, Floats, float]:
    """The rigid motion that best carries source onto target, point by point: target = rotation @ source + translation.

    source, target: (n, 3) mm, n ≥ 3, row k of one belonging to row k of the other. Least squares over rotations and
    translations alone (Kabsch 1976, from memory): no scale, no mirror, even where either would fit better.
    Returns the rotation (3, 3) of determinant +1, the translation (3,) mm and the root mean square distance left, mm.

    Raises InputError for unequal or too few rows, coordinates that are not numbers, or points on one line.
    """
    source, target = np.asarray(source, dtype=np.float64), np.asarray(target, dtype=np.float64)
    if source.shape != target.shape or source.ndim != 2 or source.shape[1] != 3 or len(source) < 3:
        raise InputError("unpaired", "Marked points must come in pairs, at least three of them, with x, y and z each.")
    if not (np.isfinite(source).all() and np.isfinite(target).all()):
        raise InputError("not-a-number", "A marked point has a coordinate that is not a number. Mark it again.")
    from_middle, to_middle = source.mean(axis=0), target.mean(axis=0)
    left, spread, right = np.linalg.svd((source - from_middle).T @ (target - to_middle))
    if spread[1] <= 1e-12 * max(spread[0], 1e-300):
        raise InputError(
            "on-one-line", "The marked points lie on one line, so the part can turn about it. Add another."
        )
    turn: Floats = right.T @ np.diag([1.0, 1.0, np.sign(np.linalg.det(right.T @ left.T))]) @ left.T
    shift = to_middle - turn @ from_middle
    rms = float(np.sqrt(((source @ turn.T + shift - target) ** 2).sum(axis=1).mean()))
    return turn, shift, rms


def register(cloud: Cloud, mesh: Mesh, *, seed: int = 0, progress: Progress = silent) -> Pose:
    """Place a scan on the nominal from an unknown pose, by best fit.

    Many coarse starts are refined against samples of the nominal; the few best, clearly different ones compete on the
    mesh itself, and the winner is refined by weighted point-to-plane steps. Points weigh by the area they stand for,
    and a smooth cut-off (biweight) takes out strays and local errors of the part. Its scale is estimated for each
    principal direction of the surface, so that an error shared by whole opposite faces (shrinkage) is split between
    them rather than thrown out. A large plane wider than the part (a table) is left out, and so are bodies apart from
    the one that fits best.

    Same input and seed, same answer. Raises AlignmentError with code "too-few-points", "wrong-part", "mirrored" or
    "two-parts", InputError for coordinates that are not numbers.
    """
    progress(STAGE, 0.0)
    return register_on(prepare(mesh), cloud.points, seed=seed, progress=progress)


def register_on(surface: Surface, points: Floats, *, seed: int = 0, progress: Progress = silent) -> Pose:
    """`register`, on a surface already prepared. points: (n, 3) mm."""
    return place(surface, points, seed=seed, progress=progress).pose


def place(surface: Surface, points: Floats, *, seed: int = 0, progress: Progress = silent) -> Placed:
    """`register_on`, with everything that the report of an alignment needs."""
    few = picked(points, seed)
    tick = Ticker(progress)
    tick()
    body, planes = common_body(few, surface, seed)
    target = Target(surface, surface.coarse)
    tick()
    with ThreadPoolExecutor(1) as meanwhile:
        choosing = meanwhile.submit(lambda: choose(few[off_planes(few, planes)]))
        middle, found, beside = _part_among(surface, target, body, tick)
    refuse_mirrored(found, surface)
    _refuse_wrong(found.best, surface, body)
    chosen = choosing.result()
    first = fit(surface, evenly(chosen.all, 4_000) - middle, found.best.turn, found.best.shift, 15, tick)
    rival = _rival(found, surface, middle)
    placed = finish(surface, target, chosen, len(few), middle, first, rival, tick, beside=beside)
    progress(STAGE, 1.0)
    return placed


def picked(points: Floats, seed: int) -> Floats:
    """The points of a scan to align by: enough of them, by chance from the whole list. Raises as `register`."""
    if len(points) < FEWEST_POINTS:
        raise AlignmentError(
            "too-few-points",
            f"The scan has {counted(len(points), 'point')}; at least {FEWEST_POINTS} are needed to place it. "
            "Export the whole scan and upload it again.",
        )
    few = spread_pick(points, 200_000, seed)
    if not np.isfinite(few).all():
        raise InputError("not-a-number", "The scan has coordinates that are not numbers. Export it again.")
    return few


def finish(
    surface: Surface,
    target: Target,
    chosen: Chosen,
    looked_at: int,
    middle: Floats,
    first: Fit,
    rival: Rival | None,
    tick: Callable[[], None],
    *,
    allowed: Floats | None = None,
    steps: int = 60,
    beside: float = 0.0,
) -> Placed:
    """The final fit from a pose that is nearly right. looked_at: points before tables
    were left out. allowed: motions it may use, see `fine_fit.fit`. steps: none to judge the pose as it is."""
    fine = chosen.fine
    owners = target.tree.query(((fine - middle) @ first.turn.T + first.shift) @ target.axes, workers=-1)[1]
    stands_for = 1.0 / np.bincount(owners)[owners]
    kept = ~lonely(chosen, stands_for)
    fine, stands_for = fine[kept], stands_for[kept]
    stands_for = np.minimum(stands_for, 4.0 * middle_of(stands_for, stands_for))
    last = fit(surface, fine - middle, first.turn, first.shift, steps, tick, stands_for, allowed)
    used = last.weights > 0
    pose = Pose(
        matrix=matrix_of(last, surface, middle),
        rms=float(np.sqrt((last.residuals[used] ** 2).mean())),
        trimmed_share=float(1.0 - used.sum() / len(kept) * len(chosen.all) / looked_at),
        iterations=last.iterations,
        converged=last.converged,
        runner_up_rms=None if rival is None else rival.rms,
        ambiguous=(rival is not None and rival.almost) or last.loose.shape[1] > 0,
    )
    return Placed(pose, last, fine, stands_for, middle, rival, beside)


def matrix_of(one: Fit, surface: Surface, middle: Floats) -> Floats:
    """(4, 4) from the scan frame to the nominal frame."""
    matrix = np.eye(4)
    matrix[:3, :3] = one.turn
    matrix[:3, 3] = surface.centroid + one.shift - one.turn @ middle
    return matrix


class Ticker:
    """Turns finished steps into a growing share of the stage."""

    STEPS = 260

    def __init__(self, progress: Progress) -> None:
        progress(STAGE, 0.0)
        self._progress = progress
        self._done = 0

    def __call__(self) -> None:
        self._done += 1
        self._progress(STAGE, min(self._done / self.STEPS, 0.99))


def _part_among(
    surface: Surface, target: Target, body: Floats, tick: Callable[[], None]
) -> tuple[Floats, Contest, float]:
    """The middle of the body that is the part, its poses, and the share of points of a second such body."""
    pieces = separate(body, span(surface.vertices))
    tried = []
    for rows in pieces:
        middle = body[rows].mean(axis=0)
        tried.append((middle, contest(surface, target, body[rows] - middle, tick)))
    if len(tried) == 1:
        return *tried[0], 0.0
    explained = []
    for middle, found in tried:
        placed = (evenly(body, 4000) - middle) @ found.best.turn.T + found.best.shift
        away = np.abs(closest_in_order(surface, placed + surface.centroid)[0])
        explained.append(away < 0.004 * surface.diagonal)
    order = np.argsort([-int(told.sum()) for told in explained], kind="stable")
    first = int(order[0])
    beside = 0.0
    for other in (int(k) for k in order[1:]):
        if unlike(tried[other][1].best, surface) or _same_place(tried[first], tried[other], surface):
            continue
        beside = max(beside, float((explained[other] & ~explained[first]).sum() / explained[first].sum()))
    if beside > _AS_MUCH:
        raise AlignmentError(
            "two-parts",
            "The scan shows two bodies that both fit the nominal, so nobody can tell which one is meant. Crop the scan "
            "to one of them and upload it again, or mark three points on it.",
        )
    return *tried[first], beside


def _same_place(one: tuple[Floats, Contest], other: tuple[Floats, Contest], surface: Surface) -> bool:
    """Whether two pieces lead to one pose: they belong to one part."""
    (middle, found), (other_middle, other_found) = one, other
    between = found.best.turn @ (other_middle - middle) + found.best.shift - other_found.best.shift
    turned = np.abs(found.best.turn - other_found.best.turn).max()
    return bool(np.linalg.norm(between) < SAME_POSE * surface.diagonal and turned < 2 * SAME_POSE)


def _rival(found: Contest, surface: Surface, middle: Floats) -> Rival | None:
    """The best clearly different pose."""
    if len(found.proper) < 2:
        return None
    best_rms, other_rms = rms_of([found.proper[0].residuals, found.proper[1].residuals], surface)
    return Rival(matrix_of(found.proper[1], surface, middle), float(other_rms), float(best_rms))


def _refuse_wrong(best: Fit, surface: Surface, points: Floats) -> None:
    across, nominal_across = span(points), span(surface.vertices)
    sizes = (
        f"The scan is about {quantity(across, 'mm', 0)} across, the nominal {quantity(nominal_across, 'mm', 0)}. "
        "Check the part, the revision and the unit of the file."
    )
    if across < _SMALLEST * nominal_across:
        raise AlignmentError("wrong-part", f"The scan is too small to place on the nominal. {sizes}")
    if unlike(best, surface):
        off = quantity(float(np.quantile(np.abs(best.residuals), 1 - FAR_SHARE)), "mm", 0)
        share = quantity(100 * FAR_SHARE, "%", 0)
        raise AlignmentError(
            "wrong-part",
            f"The scan does not look like the nominal: however it is turned, {share} of it lies more than {off} off. "
            f"{sizes}",
        )
