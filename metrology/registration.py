"""Alignment: placing a scan in the nominal frame from an unknown pose. Rigid: never scaled, never mirrored."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from metrology.bodies import Cloud, Floats, Mesh, Progress, silent
from metrology.deviation import closest_in_order
from metrology.errors import AlignmentError, InputError
from metrology.pose import Pose
from metrology.pose_search import SAME_POSE, Target, evenly, reflected, search, turned_by
from metrology.scan_points import common_body, lonely, off_planes, span, spread_pick
from metrology.surface import Surface, prepare, sample
from metrology.wording import count as counted
from metrology.wording import quantity

STAGE = "aligning"
FEWEST_POINTS = 100

# Biweight cut-off in robust standard deviations: 0.05 mm of noise leaves out what is 0.3 mm off.
_CUT = 6.0
# Points farther off than this share of the diagonal in every pose say nothing about which pose is right.
_REACH = 0.02
# A different pose whose residual is below this multiple of the best one's fits almost as well.
_ALMOST = 1.25
# More than this share out of reach, or half the scan farther off than this share of the diagonal: another part.
_FAR_SHARE, _FAR_MEDIAN = 0.4, 0.008
# Nine tenths of the scan nearer than this share of the diagonal: only details of the shape are left to doubt.
_WELL = 0.002
_FLIP = np.array([-1.0, 1.0, 1.0])
# A scan less than this share as wide as the nominal could lie anywhere on it.
_SMALLEST = 0.3
# Motions less than this as stiff as the stiffest are left free: a round part turns about its axis.
_LOOSE = 1e-5
# A mirrored scan that leaves less than this share of the residual means the part is mirrored.
_MIRRORED = 0.6


@dataclass(frozen=True)
class _Fit:
    """One refined pose about the two middles. residuals: (n,) signed mm. loose: some motion changes no distance."""

    turn: Floats
    shift: Floats
    residuals: Floats
    weights: Floats
    iterations: int
    converged: bool
    loose: bool


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
    them rather than thrown out. One large plane wider than the part (a table) is left out.

    Same input and seed, same answer. Raises AlignmentError with code "too-few-points", "wrong-part" or "mirrored",
    InputError for coordinates that are not numbers.
    """
    progress(STAGE, 0.0)
    return register_on(prepare(mesh), cloud.points, seed=seed, progress=progress)


def register_on(surface: Surface, points: Floats, *, seed: int = 0, progress: Progress = silent) -> Pose:
    """`register`, on a surface already prepared. points: (n, 3) mm."""
    if len(points) < FEWEST_POINTS:
        raise AlignmentError(
            "too-few-points",
            f"The scan has {counted(len(points), 'point')}; at least {FEWEST_POINTS} are needed to place it. "
            "Export the whole scan and upload it again.",
        )
    tick = _Ticker(progress)
    few = spread_pick(points, 200_000, seed)
    if not np.isfinite(few).all():
        raise InputError("not-a-number", "The scan has coordinates that are not numbers. Export it again.")
    tick()
    body, planes = common_body(few, surface, seed)
    middle = body.mean(axis=0)
    body = body - middle
    target = Target(surface, sample(surface, 2500))
    tick()
    judged = evenly(body, 2500)
    proper, mirrored = _contenders(surface, target, body, judged, tick)
    best = proper[0]
    _refuse_mirrored(best, mirrored, surface)
    _refuse_wrong(best, surface, body)
    runner_up, almost = _runner_up(proper, surface)
    chosen = few[off_planes(few, planes)] - middle
    final = _fit(surface, evenly(chosen, 4_000), best.turn, best.shift, 15, tick)
    fine = evenly(chosen, 30_000)
    looked_at = len(fine)
    fine = fine[~lonely(fine, evenly(chosen, 60_000))]
    owners = target.tree.query(fine @ final.turn.T + final.shift, workers=-1)[1]
    stands_for = 1.0 / np.bincount(owners)[owners]
    stands_for = np.minimum(stands_for, 4.0 * np.median(stands_for))
    final = _fit(surface, fine, final.turn, final.shift, 60, tick, stands_for)
    matrix = np.eye(4)
    matrix[:3, :3] = final.turn
    matrix[:3, 3] = surface.centroid + final.shift - final.turn @ middle
    kept = final.weights > 0
    progress(STAGE, 1.0)
    return Pose(
        matrix=matrix,
        rms=float(np.sqrt((final.residuals[kept] ** 2).mean())),
        trimmed_share=float(1.0 - kept.sum() / looked_at * len(chosen) / len(few)),
        iterations=final.iterations,
        converged=final.converged,
        runner_up_rms=runner_up,
        ambiguous=almost or final.loose,
    )


class _Ticker:
    """Turns finished steps into a growing share of the stage."""

    STEPS = 180

    def __init__(self, progress: Progress) -> None:
        self._progress = progress
        self._done = 0

    def __call__(self) -> None:
        self._done += 1
        self._progress(STAGE, min(self._done / self.STEPS, 0.99))


def _contenders(
    surface: Surface, target: Target, body: Floats, judged: Floats, tick: Callable[[], None]
) -> tuple[list[_Fit], list[_Fit]]:
    """Clearly different poses of the scan, best first, and poses of its mirror image, refined on the judged points."""

    def refined(points: Floats, turns: Floats, shifts: Floats, steps: int) -> list[_Fit]:
        return [_fit(surface, points, turn, shift, steps, tick) for turn, shift in zip(turns, shifts, strict=True)]

    coarse = search(body, target, tick)
    leading = _best_first(refined(evenly(judged, 1200), coarse.turns, coarse.shifts, 8), target, surface)[:3]
    turns, shifts = np.array([fit.turn for fit in leading]), np.array([fit.shift for fit in leading])
    proper = _best_first(refined(judged, turns, shifts, 12), target, surface)
    if _fits_well(proper[0], surface):
        # A mirrored part that fits so well is almost its own mirror image: the mirrored pose is a reflection of this.
        turns, shifts = reflected(proper[0].turn, proper[0].shift, target)
    else:
        coarse = search(judged * _FLIP, target, tick).best(3)
        turns, shifts = coarse.turns, coarse.shifts
    mirrored = refined(judged * _FLIP, turns, shifts, 8)
    better = next((fit for fit in mirrored if _fits_mirrored(proper[0], fit, surface)), None)
    if better is not None:
        # And so before the part is called mirrored: the search may have found only the reflection of the right pose.
        proper += refined(judged, *reflected(better.turn, better.shift, target), 20)
        proper = _best_first(proper, target, surface)
    return proper, mirrored


def _best_first(fits: list[_Fit], target: Target, surface: Surface) -> list[_Fit]:
    order = np.argsort(_rms_of([fit.residuals for fit in fits], surface), kind="stable")
    return _clearly_different([fits[k] for k in order], target, surface)


def _clearly_different(fits: list[_Fit], target: Target, surface: Surface) -> list[_Fit]:
    """The fits without those that hardly differ from an earlier one."""
    found: list[_Fit] = []
    for fit in fits:
        apart = [target.corners @ (fit.turn - other.turn).T + fit.shift - other.shift for other in found]
        if all(np.linalg.norm(each, axis=1).max() > SAME_POSE * surface.diagonal for each in apart):
            found.append(fit)
    return found


def _rms_of(residuals: list[Floats], surface: Surface) -> Floats:
    """Root mean square residual of rival poses over the points that at least one of them explains, (k,) mm.

    Points out of reach of every pose are strays and tell nothing; out of reach of one pose counts as the reach.
    """
    reach = _REACH * surface.diagonal
    size = np.abs(np.array(residuals))
    told = size.min(axis=0) <= reach
    if not told.any():
        return np.full(len(size), reach)
    rms: Floats = np.sqrt((np.minimum(size[:, told], reach) ** 2).mean(axis=1))
    return rms


def _runner_up(proper: list[_Fit], surface: Surface) -> tuple[float | None, bool]:
    """Residual of the best clearly different pose, mm, and whether it fits almost as well as the best pose."""
    if len(proper) < 2:
        return None, False
    best_rms, other_rms = _rms_of([proper[0].residuals, proper[1].residuals], surface)
    return float(other_rms), bool(other_rms < _ALMOST * best_rms)


def _fits_well(fit: _Fit, surface: Surface) -> bool:
    return float((np.abs(fit.residuals) < _WELL * surface.diagonal).mean()) > 0.9


def _fits_mirrored(best: _Fit, mirrored: _Fit, surface: Surface) -> bool:
    proper_rms, mirrored_rms = _rms_of([best.residuals, mirrored.residuals], surface)
    return bool(mirrored_rms < _MIRRORED * proper_rms) and not _unlike(mirrored, surface)


def _refuse_mirrored(best: _Fit, mirrored: list[_Fit], surface: Surface) -> None:
    for fit in mirrored:
        if _fits_mirrored(best, fit, surface):
            proper_rms, mirrored_rms = _rms_of([best.residuals, fit.residuals], surface)
            raise AlignmentError(
                "mirrored",
                f"The scan fits the mirror image of the nominal (residual {quantity(mirrored_rms, 'mm', 2)}) better "
                f"than the nominal itself (residual {quantity(proper_rms, 'mm', 2)}). Check that the export does not "
                "mirror it, and that the part was not made from a mirrored mould.",
            )


def _unlike(fit: _Fit, surface: Surface) -> bool:
    size = np.abs(fit.residuals)
    far = float((size > _REACH * surface.diagonal).mean())
    return far > _FAR_SHARE or float(np.median(size)) > _FAR_MEDIAN * surface.diagonal


def _refuse_wrong(best: _Fit, surface: Surface, points: Floats) -> None:
    across, nominal_across = span(points), span(surface.vertices)
    sizes = (
        f"The scan is about {quantity(across, 'mm', 0)} across, the nominal {quantity(nominal_across, 'mm', 0)}. "
        "Check the part, the revision and the unit of the file."
    )
    if across < _SMALLEST * nominal_across:
        raise AlignmentError("wrong-part", f"The scan is too small to place on the nominal. {sizes}")
    if _unlike(best, surface):
        off = quantity(float(np.quantile(np.abs(best.residuals), 1 - _FAR_SHARE)), "mm", 0)
        share = quantity(100 * _FAR_SHARE, "%", 0)
        raise AlignmentError(
            "wrong-part",
            f"The scan does not look like the nominal: however it is turned, {share} of it lies more than {off} off. "
            f"{sizes}",
        )


def _fit(
    surface: Surface,
    points: Floats,
    turn: Floats,
    shift: Floats,
    most: int,
    tick: Callable[[], None],
    stands_for: Floats | None = None,
) -> _Fit:
    """Weighted point-to-plane steps to the mesh until they stand still, `most` at the most.

    points: (n, 3) mm about the middle of the scan. stands_for: (n,) relative area each point stands for.
    """
    share = np.ones(len(points)) if stands_for is None else stands_for / stands_for.mean()
    arm = surface.diagonal / 2
    axes = _facing_axes(surface)
    converged = loose = False
    done = 0
    while True:
        moved = points @ turn.T + shift
        values, _, _, normals = closest_in_order(surface, moved + surface.centroid)
        weights = share * _biweight(values, (normals @ axes) ** 2, share, 1e-7 * surface.diagonal)
        if done == most or converged:
            return _Fit(turn, shift, values, weights, done, converged, loose)
        rows = np.hstack([np.cross((moved - shift) / arm, normals), normals])
        weighted = rows * weights[:, None]
        stiffness, ways = np.linalg.eigh(np.einsum("ni,nj->ij", weighted, rows))
        firm = stiffness > _LOOSE * stiffness[-1]
        loose = not firm.all()
        pull = ways.T @ -np.einsum("ni,n->i", weighted, values)
        change = ways @ np.where(firm, pull / np.where(firm, stiffness, 1.0), 0.0)
        step = change[:3] / arm
        step *= min(1.0, 0.3 / max(float(np.linalg.norm(step)), 1e-300))
        turn = turned_by(step[None])[0] @ turn
        shift = shift + change[3:]
        converged = bool(np.abs(change).max() < 1e-9 * surface.diagonal)
        done += 1
        tick()


def _biweight(values: Floats, facing: Floats, share: Floats, least: float) -> Floats:
    """Weights 1 to 0 by size of residual; the scale is a median of its own for each direction a point may face.

    facing: (n, 3) squared components of the normals along the three facing axes.
    """
    size = np.abs(values)
    order = np.argsort(size, kind="stable")
    reached = np.cumsum((share[:, None] * facing)[order], axis=0)
    middles = [np.searchsorted(reached[:, axis], reached[-1, axis] / 2) for axis in range(3)]
    scales = np.maximum(1.4826 * size[order][np.minimum(middles, len(size) - 1)], least)
    relative = values / (_CUT * np.sqrt(facing @ scales**2))
    weights: Floats = np.maximum(1.0 - relative**2, 0.0) ** 2
    return weights


def _facing_axes(surface: Surface) -> Floats:
    """The three directions the surface mostly faces, as columns: for a block, its edges. They move with the mesh."""
    axes: Floats = np.linalg.eigh(np.einsum("m,mi,mj->ij", surface.areas, surface.normals, surface.normals))[1]
    return axes
