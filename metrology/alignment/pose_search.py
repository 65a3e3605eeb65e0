"""Finding where a scan lies on the nominal when nothing is known about its pose: many starts, few survivors."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from metrology.alignment.scan_points import evenly
from metrology.alignment.voxels import Singles, Target, principal_axes
from metrology.bodies import Floats, Ints
from metrology.rotation import quarter_turns, rotation_grid, turned_by

__all__ = ["SAME_POSE", "Poses", "distinct", "evenly", "reflected", "rotation_grid", "search", "turned_by"]

# Poses that move no corner of the nominal apart by more than this share of its diagonal count as one pose.
SAME_POSE = 0.03
# Where an extent ends: some strays may lie beyond.
_ENDS = (0.005, 0.995)
# Points farther off than this share of the diagonal all count alike, in the beginning and in the end.
_FAR, NEAR = 0.08, 0.025
# Rotations tried, positions of each kept, and starts kept after the first look.
_TURNS, _EACH, _STARTS = 300, 3, 400


@dataclass(frozen=True)
class Poses:
    """Rigid poses between the middle of the scan and the seen frame of the target: p -> turn @ p + shift.

    turns: (k, 3, 3). shifts: (k, 3) mm. scores: (k,) mm, lower is better.
    """

    turns: Floats
    shifts: Floats
    scores: Floats

    def __len__(self) -> int:
        return len(self.turns)

    def take(self, rows: Ints) -> "Poses":
        return Poses(self.turns[rows], self.shifts[rows], self.scores[rows])

    def best(self, count: int) -> "Poses":
        return self.take(np.argsort(self.scores, kind="stable")[:count])


def search(points: Floats, target: Target, tick: Callable[[], None]) -> Poses:
    """The best few clearly different coarse poses of a scan on the target, best first.

    points: (n, 3) mm about the middle of the scan, evenly spread over what was scanned, few strays, in an order
    without pattern. Starts from every way to lay the principal axes of the scan on those of the nominal and from an
    even grid of rotations; for each, the scan is laid middle on middle and against the ends of the nominal, as a scan
    of a part of it would lie. Each round takes more points and keeps fewer starts. tick is called after each step.
    """
    turns = np.concatenate([quarter_turns() @ principal_axes(points).T, rotation_grid(_TURNS)])
    poses = _starts(turns, points, target)
    tick()
    for count, steps, kept in ((100, 4, 120), (250, 4, 40), (600, 5, 12)):
        reach = _FAR if count < 600 else 0.5 * (_FAR + NEAR)
        poses = refined(poses, evenly(points, count), target, steps, reach, tick)
        poses = distinct(poses, target, kept)
    return rivals(poses, points, target, tick)


def rivals(poses: Poses, points: Floats, target: Target, tick: Callable[[], None]) -> Poses:
    """The best poses with those that a symmetric, nearly symmetric or partly seen part confuses with the best ones."""
    few = evenly(points, 600)
    others = [slid_to_ends(poses.best(2), points, target), turned_about_axes(poses.best(1), target, points)]
    for one in others:
        scored = Poses(one.turns, one.shifts, scores_of(one, evenly(points, 250), target, _FAR))
        poses = _joined(poses, refined(scored.best(24), few, target, 5, NEAR, tick))
    poses = distinct(poses, target, 14)
    return distinct(refined(poses, evenly(points, 1000), target, 4, NEAR, tick), target, 10)


def distinct(poses: Poses, target: Target, count: int) -> Poses:
    """The best poses, leaving out any that hardly differs from a better one."""
    placed = (target.corners - poses.shifts[:, None]) @ poses.turns
    kept: list[int] = []
    for row in np.argsort(poses.scores, kind="stable"):
        apart = np.linalg.norm(placed[kept] - placed[row], axis=2).max(axis=1)
        if (apart > SAME_POSE * 2 * target.scale).all():
            kept.append(int(row))
            if len(kept) == count:
                break
    return poses.take(np.array(kept))


def _joined(one: Poses, other: Poses) -> Poses:
    return Poses(
        np.concatenate([one.turns, other.turns]),
        np.concatenate([one.shifts, other.shifts]),
        np.concatenate([one.scores, other.scores]),
    )


def _starts(turns: Floats, points: Floats, target: Target) -> Poses:
    """The best starting positions for each rotation: middle on middle, and ends on ends along each axis."""
    some = evenly(points, 600) @ turns.transpose(0, 2, 1)
    ends = np.quantile(target.points, _ENDS, axis=0)
    low, high = np.quantile(some, _ENDS, axis=1)
    to_low, to_high = ends[0] - low, ends[1] - high
    middle = (to_low + to_high) / 2
    # Where the scan is as long as the nominal, its ends cannot lie elsewhere.
    short = (np.abs(to_high - to_low) > 0.06 * 2 * target.scale)[:, :, None]
    ways = np.where(short, np.stack([to_low, middle, to_high], axis=2), middle[:, :, None])
    steps = np.stack(np.meshgrid(*[np.arange(3)] * 3, indexing="ij")).reshape(3, -1).T
    shifts = np.concatenate([np.zeros((len(turns), 1, 3)), ways[:, np.arange(3), steps]], axis=1)
    needed = np.ones(shifts.shape[:2], dtype=np.bool_)
    needed[:, 1:] = (short[:, None, :, 0] | (steps == 1)).all(axis=2)
    rows, places = np.nonzero(needed)
    poses = Poses(turns[rows], shifts[rows, places], np.zeros(len(rows)))
    poses = Poses(poses.turns, poses.shifts, scores_of(poses, evenly(points, 48), target, _FAR))
    order = np.lexsort((poses.scores, rows))
    rank = np.arange(len(rows)) - np.searchsorted(rows[order], rows[order])
    return poses.take(order[rank < _EACH]).best(_STARTS)


def slid_to_ends(poses: Poses, points: Floats, target: Target) -> Poses:
    """Each pose moved along the principal axes of the nominal until the ends of the scan meet the nominal's ends.

    Where part of the nominal was not scanned, the middle of the scan is not the middle of the part.
    """
    ends = np.quantile(target.points, _ENDS, axis=0)
    turns, shifts = [], []
    for turn, shift in zip(poses.turns, poses.shifts, strict=True):
        gaps = ends - np.quantile(evenly(points, 3000) @ turn.T + shift, _ENDS, axis=0)
        ways = np.array(np.meshgrid(*np.vstack([np.zeros(3), gaps]).T, indexing="ij")).reshape(3, -1).T[1:]
        turns.append(np.repeat(turn[None], len(ways), axis=0))
        shifts.append(shift + ways)
    return Poses(np.concatenate(turns), np.concatenate(shifts), np.zeros(26 * len(poses)))


def turned_about_axes(poses: Poses, target: Target, points: Floats) -> Poses:
    """Each pose turned about the principal axes of the nominal: quarter turns, and every 10° about each axis.

    Once about the middle of the nominal's box, where the symmetry of a box-like part lies, and once about the middle
    of the scan's extent, for a part that was seen only in part.
    """
    angles = np.deg2rad(np.arange(10, 360, 10))
    about = turned_by(np.concatenate([np.outer(angles, axis) for axis in np.eye(3)]))
    turns = np.concatenate([quarter_turns()[1:], about])
    found_turns, found_shifts = [], []
    for turn, shift in zip(poses.turns, poses.shifts, strict=True):
        placed = evenly(points, 1000) @ turn.T + shift
        for centre in ((target.low + target.high) / 2, np.quantile(placed, _ENDS, axis=0).mean(axis=0)):
            found_turns.append(turns @ turn)
            found_shifts.append((shift - centre) @ turns.transpose(0, 2, 1) + centre)
    return Poses(np.concatenate(found_turns), np.concatenate(found_shifts), np.zeros(len(turns) * 2 * len(poses)))


def reflected(turn: Floats, shift: Floats, target: Target) -> Poses:
    """A pose reflected in each principal plane of the nominal: poses of the scan mirrored in x; or from a pose of the
    mirrored scan to poses of the scan itself."""
    centre = (target.low + target.high) / 2
    mirrors = np.array([np.diag(1.0 - 2.0 * np.eye(3)[axis]) for axis in range(3)])
    turns = mirrors @ turn @ np.diag([-1.0, 1.0, 1.0])
    return Poses(turns, (shift - centre) @ mirrors + centre, np.zeros(3))


def scores_of(poses: Poses, points: Floats, target: Target, reach: float) -> Floats:
    """Root mean square distance of the points in every pose, each counting `reach` of the diagonal at the most, mm."""
    return _look(poses.turns, poses.shifts, points, target, reach * 2 * target.scale)[0]


def refined(poses: Poses, points: Floats, target: Target, steps: int, reach: float, tick: Callable[[], None]) -> Poses:
    """Every pose after some steps of point-to-plane fitting by nearest cubes, and its score.

    Each step uses the nearest three quarters of the points, and of these the ones within `reach` of the diagonal.
    """
    turns, shifts = poses.turns, poses.shifts
    far = reach * 2 * target.scale
    for _ in range(steps):
        turns, shifts = _step(turns, shifts, points, target, far)
        tick()
    return Poses(turns, shifts, _look(turns, shifts, points, target, far)[0])


def _look(
    turns: Floats, shifts: Floats, points: Floats, target: Target, far: float
) -> tuple[Floats, Singles, Singles, Singles, Singles]:
    """Scores (k,), placed points (k, n, 3), normals there (k, n, 3), distances along them and in all (k, n).

    In single precision, for which half the memory is moved about: cubes are coarser by far.
    """
    moved = np.asarray(points, dtype=np.float32) @ turns.transpose(0, 2, 1).astype(np.float32)
    moved += shifts[:, None].astype(np.float32)
    flat = moved.reshape(-1, 3)
    nearest = target.nearest(flat)
    normals = target.fine_normals[nearest]
    gap = flat - target.fine[nearest]
    away = np.einsum("ij,ij->i", gap, normals)
    # The nearest sample may be a cube to the side of the true closest point: only the rest counts as sideways.
    sideways = np.einsum("ij,ij->i", gap, gap)
    sideways -= away**2
    np.sqrt(np.maximum(sideways, 0.0, out=sideways), out=sideways)
    sideways -= np.float32(target.side)
    np.maximum(sideways, 0.0, out=sideways)
    shape = moved.shape[:2]
    distance = np.sqrt(away**2 + sideways**2).reshape(shape)
    scores = np.sqrt((np.minimum(distance, np.float32(far)) ** 2).mean(axis=1, dtype=np.float64))
    return scores, moved, normals.reshape(moved.shape), away.reshape(shape), distance


def _step(turns: Floats, shifts: Floats, points: Floats, target: Target, far: float) -> tuple[Floats, Floats]:
    _, moved, normals, away, distance = _look(turns, shifts, points, target, far)
    middle = int(0.75 * (distance.shape[1] - 1))
    limit = np.minimum(np.partition(distance, middle, axis=1)[:, middle], np.float32(far))
    kept = (distance <= limit[:, None]).astype(np.float32)
    moved -= shifts[:, None].astype(np.float32)
    moved /= np.float32(target.scale)
    rows = np.concatenate([np.cross(moved, normals), normals], axis=2)
    weighted = (rows * kept[:, :, None]).transpose(0, 2, 1)
    system = (weighted @ rows).astype(np.float64)
    system += np.eye(6) * (1e-3 * np.trace(system, axis1=1, axis2=2)[:, None, None] / 6 + 1e-12)
    change = np.linalg.solve(system, -(weighted @ away[:, :, None]).astype(np.float64))[:, :, 0]
    turn = change[:, :3] / target.scale
    turn *= np.minimum(1.0, 0.6 / np.maximum(np.linalg.norm(turn, axis=1, keepdims=True), 1e-12))
    return turned_by(turn) @ turns, shifts + change[:, 3:]
