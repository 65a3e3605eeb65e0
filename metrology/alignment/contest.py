"""Which of several poses is right: rivals refined on the mesh itself, compared over the points that any explains."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from metrology.alignment.fine_fit import REACH, Fit, capped_rms, fit, motions
from metrology.alignment.pose_search import NEAR, SAME_POSE, Poses, refined, reflected, scores_of, search
from metrology.alignment.scan_points import evenly
from metrology.alignment.voxels import Target
from metrology.bodies import Floats, Ints
from metrology.errors import AlignmentError
from metrology.rotation import turned_by
from metrology.surfaces.deviation import closest_in_order
from metrology.surfaces.surface import Surface
from metrology.wording import quantity

# A different pose whose residual is below this multiple of the best one's fits almost as well.
_ALMOST = 1.25
# More than this share out of reach, or half the scan farther off than this share of the diagonal: another part.
FAR_SHARE, _FAR_MEDIAN = 0.4, 0.008
# Nine tenths of the scan nearer than this share of the diagonal: only details of the shape are left to doubt.
_WELL = 0.002
_FLIP = np.array([-1.0, 1.0, 1.0])
# Points by which poses are told apart before the best few are refined on more: found by a search, and turned over.
_MORE, _FEW = 1000, 600
# A pose that leaves so many times the residual of the best one is out of the running.
_OUT_OF_IT = 4.0
# A mirrored scan that leaves less than this share of the residual means the part is mirrored.
_MIRRORED = 0.6
# Motions less than this as stiff as the stiffest are followed to their end: some detail there may hold the part.
_SOFT = 0.03
_SOFT_STEPS = 72
# More than this share of the points farther off than this share of the diagonal: a wall may lie on its far side.
_SOME_OFF, _OFF = 0.005, 0.01


@dataclass(frozen=True)
class Contest:
    """Clearly different poses of a scan, best first, and poses of its mirror image."""

    proper: list[Fit]
    mirrored: list[Fit]

    @property
    def best(self) -> Fit:
        return self.proper[0]


def contest(surface: Surface, target: Target, body: Floats, tick: Callable[[], None]) -> Contest:
    """Find the poses of a scan and let them compete on the mesh. body: (n, 3) mm about the middle of the scan, evenly
    spread, in an order without pattern."""
    judged = evenly(body, 2500)

    def on_mesh(points: Floats, poses: Poses, steps: int, against: list[Fit]) -> list[Fit]:
        turns, shifts = target.axes @ poses.turns, poses.shifts @ target.axes.T
        found: list[Fit] = []
        for turn, shift in zip(turns, shifts, strict=True):
            hopeless = _hopeless(against + found, surface)
            found.append(fit(surface, points, turn, shift, steps, tick, hopeless=hopeless))
        return found

    def further(points: Floats, fits: list[Fit], steps: int, hopeless: float = np.inf) -> list[Fit]:
        return [fit(surface, points, one.turn, one.shift, steps, tick, hopeless=hopeless) for one in fits]

    def worth_it(points: Floats, fits: list[Fit], against: Floats) -> list[Fit]:
        """Refined on more points where they come near the best, judged as they are where they are out of the running.
        against: residuals of the best on the points of the fits."""
        rms = [rms_of([against, one.residuals], surface) for one in fits]
        running = [other <= _OUT_OF_IT * best for best, other in rms]
        return [further(points, [one], 10 if runs else 0)[0] for one, runs in zip(fits, running, strict=True)]

    found = search(body, target, tick)
    # One more than come near the best, to tell of another pose.
    near = found.best(max(int((found.scores <= _OUT_OF_IT * found.scores[0]).sum()), 2))
    leading = _best_first(on_mesh(evenly(judged, _MORE), near, 8, []), target, surface)[:5]
    proper = _best_first(worth_it(judged, leading, leading[0].residuals), target, surface)
    # One that explains all is followed for its rivals; when none does, the next best may lead to the right one.
    led = proper[:1] if _explains_all(proper[0], surface) else proper[:3]
    followed = [way for one in led for way in _followed(surface, target, judged, one, tick)]
    if followed:
        ranked = _best_first(followed, target, surface)[:5]
        against = evenly(proper[0].residuals, len(ranked[0].residuals))
        proper = _best_first(proper[:3] + worth_it(judged, ranked, against), target, surface)
    across = _across_a_wall(surface, target, judged, proper[0], tick)
    if across:
        proper = _best_first(proper[:5] + across, target, surface)
    # What no search met: the best pose turned over within the nominal's box. A piece of a flat part fits there too.
    few, yardstick = evenly(judged, _FEW), _yardstick(proper[0], judged, target)
    over = _turned_over(proper[0], target)
    over = [over[k] for k in _in_the_running(_seen(over, target), few, target, yardstick, tick)]
    if over:
        over = _best_first(further(few, over, 8, _hopeless(proper[:1], surface)), target, surface)
        against = evenly(proper[0].residuals, len(few))
        proper = _best_first(proper[:5] + worth_it(judged, over, against), target, surface)
    if _fits_well(proper[0], surface):
        # A mirrored part that fits so well is almost its own mirror image: the mirrored pose is a reflection of this.
        best = _seen(proper[:1], target)
        poses = reflected(best.turns[0], best.shifts[0], target)
    else:
        poses = search(judged * _FLIP, target, tick).best(3)
    poses = poses.take(_in_the_running(poses, few * _FLIP, target, yardstick, tick))
    mirrored = on_mesh(few * _FLIP, poses, 8, proper[:1])
    against = evenly(proper[0].residuals, len(few))
    mirrored = further(judged * _FLIP, [one for one in mirrored if _near_enough(against, one, surface)], 8)
    better = next((one for one in mirrored if _fits_mirrored(proper[0], one, surface)), None)
    if better is not None:
        # And so before the part is called mirrored: the search may have found only the reflection of the right pose.
        seen = _seen([better], target)
        again = on_mesh(judged, reflected(seen.turns[0], seen.shifts[0], target), 20, [])
        proper = _best_first(proper + again, target, surface)
    return Contest(proper, mirrored)


def _hopeless(found: list[Fit], surface: Surface) -> float:
    """So much, mm, a pose may leave that is still worth following, by the best of those found."""
    return 2 * _OUT_OF_IT * min((capped_rms(one.residuals, surface.diagonal) for one in found), default=np.inf)


def _seen(fits: list[Fit], target: Target) -> Poses:
    """The poses of fits, in the seen frame of the target."""
    turns = np.array([target.axes.T @ one.turn for one in fits])
    return Poses(turns, np.array([one.shift @ target.axes for one in fits]), np.zeros(len(fits)))


def _yardstick(best: Fit, points: Floats, target: Target) -> float:
    """What the best pose scores by cubes, mm."""
    return float(scores_of(_seen([best], target), evenly(points, _FEW), target, NEAR)[0])


def _in_the_running(poses: Poses, points: Floats, target: Target, yardstick: float, tick: Callable[[], None]) -> Ints:
    """Rows of the poses that, refined by cubes, come near the best pose. By cubes takes next to no time; they make good
    poses look worse than they are and bad ones better."""
    scores = refined(poses, points, target, 8, NEAR, tick).scores
    rows: Ints = np.flatnonzero(scores <= _OUT_OF_IT * yardstick)
    return rows


def _followed(surface: Surface, target: Target, points: Floats, best: Fit, tick: Callable[[], None]) -> list[Fit]:
    """Where soft motions of the best pose lead: the scan carried along each of them, and refined where it fits.

    A ring with a notch turns freely but for the notch, a bar of which a piece was seen slides but for what is on it.
    """
    few = evenly(points, 700)
    arm = surface.diagonal / 2
    placed = few @ best.turn.T + best.shift
    values, _, _, facing = closest_in_order(surface, placed + surface.centroid)
    near = np.abs(values) < REACH * surface.diagonal
    if near.sum() < 20:
        return []
    rows = motions(placed[near], facing[near], arm)
    stiffness, ways = np.linalg.eigh(rows.T @ rows)
    found: list[Fit] = []
    for way in ways.T[stiffness < _SOFT * stiffness[-1]]:
        turns, shifts = _along(way, arm, target)
        turns, shifts = turns @ best.turn, best.shift @ turns.transpose(0, 2, 1) + shifts
        scores = np.array([_score(surface, few, turn, shift) for turn, shift in zip(turns, shifts, strict=True)])
        tick()
        dips = np.flatnonzero((scores <= np.roll(scores, 1)) & (scores < np.roll(scores, -1)))
        for row in dips[np.argsort(scores[dips], kind="stable")][:6]:
            found.append(fit(surface, few, turns[row], shifts[row], 8, tick))
    return found


def _across_a_wall(surface: Surface, target: Target, points: Floats, best: Fit, tick: Callable[[], None]) -> list[Fit]:
    """The best pose moved by as much as the points that it does not explain are off, along each axis.

    Of a thin-walled box seen from one side the search may lay the outside of a wall on its inside: most points fit,
    and those of the wall's end are off by its thickness.
    """
    size = np.abs(best.residuals)
    off = size > _OFF * surface.diagonal
    if off.mean() < _SOME_OFF:
        return []
    steps = float(np.median(size[off])) * np.vstack([target.axes.T, -target.axes.T])
    hopeless = _hopeless([best], surface)
    return [fit(surface, points, best.turn, best.shift + step, 10, tick, hopeless=hopeless) for step in steps]


def _turned_over(best: Fit, target: Target) -> list[Fit]:
    """The pose after half a turn about each axis of the nominal's box."""
    centre = target.axes @ (target.low + target.high) / 2
    found = []
    for axis in target.axes.T:
        turn = 2 * np.outer(axis, axis) - np.eye(3)
        found.append(replace(best, turn=turn @ best.turn, shift=turn @ (best.shift - centre) + centre))
    return found


def _along(way: Floats, arm: float, target: Target) -> tuple[Floats, Floats]:
    """Steps along a motion: all the way round when it mostly turns, as far as the nominal is long when it slides."""
    slide, turn = way[:3], way[3:] / arm
    size = float(np.linalg.norm(turn))
    if size * arm < 0.3:
        reach = float(np.abs((target.high - target.low) * (slide @ target.axes)).max())
        steps = np.linspace(-reach, reach, _SOFT_STEPS + 1)
        return np.broadcast_to(np.eye(3), (len(steps), 3, 3)), np.outer(steps, slide / np.linalg.norm(slide))
    # A turn about an axis off the middle: the foot of the middle on that axis stays where it is.
    centre = np.cross(turn, slide) / size**2
    angles = np.arange(1, _SOFT_STEPS) * (2 * np.pi / _SOFT_STEPS)
    turns = turned_by(np.outer(angles, turn / size))
    return turns, centre - centre @ turns.transpose(0, 2, 1)


def _score(surface: Surface, points: Floats, turn: Floats, shift: Floats) -> float:
    reach = REACH * surface.diagonal
    squared = surface.tree.squared_distance(
        surface.vertices, surface.faces, np.ascontiguousarray(points @ turn.T + shift + surface.centroid)
    )[0]
    return float(np.minimum(squared, reach**2).mean())


def _best_first(fits: list[Fit], target: Target, surface: Surface) -> list[Fit]:
    order = np.argsort(rms_of([one.residuals for one in fits], surface), kind="stable")
    found: list[Fit] = []
    for one in (fits[k] for k in order):
        if all(apart(one, other, target) > SAME_POSE * surface.diagonal for other in found):
            found.append(one)
    return found


def apart(one: Fit, other: Fit, target: Target) -> float:
    """The farthest that two poses are apart at a corner of the nominal's box, mm."""
    corners = target.corners @ target.axes.T
    between = (corners - one.shift) @ one.turn - (corners - other.shift) @ other.turn
    return float(np.linalg.norm(between, axis=1).max())


def rms_of(residuals: list[Floats], surface: Surface) -> Floats:
    """Root mean square residual of rival poses over the points that at least one of them explains, (k,) mm.

    Points out of reach of every pose are strays and tell nothing; out of reach of one pose counts as the reach.
    """
    reach = REACH * surface.diagonal
    size = np.abs(np.array(residuals))
    told = size.min(axis=0) <= reach
    if not told.any():
        return np.full(len(size), reach)
    rms: Floats = np.sqrt((np.minimum(size[:, told], reach) ** 2).mean(axis=1))
    return rms


def almost_as_good(best_rms: float, other_rms: float) -> bool:
    return other_rms < _ALMOST * best_rms


def _explains_all(one: Fit, surface: Surface) -> bool:
    """Whether hardly any point lies farther off than the noise, but for strays."""
    size = np.minimum(np.abs(one.residuals), REACH * surface.diagonal)
    return float(np.sqrt((size**2).mean())) < 2.0 * 1.4826 * float(np.median(size))


def _fits_well(one: Fit, surface: Surface) -> bool:
    return float((np.abs(one.residuals) < _WELL * surface.diagonal).mean()) > 0.9


def _near_enough(against: Floats, mirrored: Fit, surface: Surface) -> bool:
    """Whether a mirrored pose, fitted to few points, could fit clearly better than the best pose does."""
    best, other = rms_of([against, mirrored.residuals], surface)
    return bool(other < 2.0 * best)


def _fits_mirrored(best: Fit, mirrored: Fit, surface: Surface) -> bool:
    proper_rms, mirrored_rms = rms_of([best.residuals, mirrored.residuals], surface)
    return bool(mirrored_rms < _MIRRORED * proper_rms) and not unlike(mirrored, surface)


def refuse_mirrored(found: Contest, surface: Surface) -> None:
    for one in found.mirrored:
        if _fits_mirrored(found.best, one, surface):
            proper_rms, mirrored_rms = rms_of([found.best.residuals, one.residuals], surface)
            raise AlignmentError(
                "mirrored",
                f"The scan fits the mirror image of the nominal (residual {quantity(mirrored_rms, 'mm', 2)}) better "
                f"than the nominal itself (residual {quantity(proper_rms, 'mm', 2)}). Check that the export does not "
                "mirror it, and that the part was not made from a mirrored mould.",
            )


def unlike(one: Fit, surface: Surface) -> bool:
    size = np.abs(one.residuals)
    far = float((size > REACH * surface.diagonal).mean())
    return far > FAR_SHARE or float(np.median(size)) > _FAR_MEDIAN * surface.diagonal
