"""Finding where a scan lies on the nominal when nothing is known about its pose: many starts, few survivors."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from metrology.bodies import Floats, Ints
from metrology.surface import Flags, Samples, Surface

# Poses that move no corner of the nominal apart by more than this share of its diagonal count as one pose.
SAME_POSE = 0.03
# Where an extent ends: some strays may lie beyond.
_ENDS = (0.005, 0.995)


@dataclass(frozen=True)
class Poses:
    """Rigid poses about two middles: p -> turn @ (p - middle of the scan) + shift + middle of the nominal.

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


class Target:
    """The nominal as samples about its middle, for coarse fits by nearest sample. scale: half its diagonal, mm."""

    def __init__(self, surface: Surface, samples: Samples) -> None:
        self.middle = surface.centroid
        self.points = samples.points - self.middle
        self.normals = samples.normals
        self.scale = surface.diagonal / 2
        self.spacing = samples.spacing
        self.tree = cKDTree(self.points)
        low, high = surface.vertices.min(axis=0) - self.middle, surface.vertices.max(axis=0) - self.middle
        self.corners = np.array([[(low, high)[n >> axis & 1][axis] for axis in range(3)] for n in range(8)])


def search(points: Floats, target: Target, tick: Callable[[], None]) -> Poses:
    """The best few clearly different coarse poses of a scan on the target, best first.

    points: (n, 3) mm about the middle of the scan, evenly spread over what was scanned, few strays. Starts from every
    way to lay the principal axes of the scan on those of the nominal and from an even grid of rotations; each round
    takes more points and keeps fewer starts. Then the ways of turning the best pose that symmetric or nearly
    symmetric parts confuse are tried too. tick is called after each step.
    """
    turns = np.concatenate([_axes_on_axes(points, target.points), rotation_grid(72)])
    # Middle on middle; and, for scans with holes, the middle of the extent on the middle of the extent.
    shifts = np.concatenate([np.zeros((len(turns), 3)), _extent_on_extent(turns, points, target)])
    poses = Poses(np.concatenate([turns, turns]), shifts, np.zeros(len(shifts)))
    for count, steps, kept in ((150, 4, 60), (300, 5, 20), (800, 6, 6)):
        poses = distinct(_refined(poses, evenly(points, count), target, steps, tick), target, kept)
    turned = _refined(_turned_about_axes(poses.best(1), target), evenly(points, 300), target, 4, tick)
    poses = distinct(_joined(poses, turned), target, 8)
    slid = _refined(_slid_to_ends(poses.best(2), points, target), evenly(points, 300), target, 4, tick)
    both = _joined(poses, _refined(_joined(slid.best(10), turned.best(10)), evenly(points, 800), target, 5, tick))
    return distinct(both, target, 8)


def distinct(poses: Poses, target: Target, count: int) -> Poses:
    """The best poses, leaving out any that hardly differs from a better one."""
    placed = target.corners @ poses.turns.transpose(0, 2, 1) + poses.shifts[:, None]
    kept: list[int] = []
    for row in np.argsort(poses.scores, kind="stable"):
        apart = np.linalg.norm(placed[kept] - placed[row], axis=2).max(axis=1)
        if (apart > SAME_POSE * 2 * target.scale).all():
            kept.append(int(row))
            if len(kept) == count:
                break
    return poses.take(np.array(kept))


def evenly(points: Floats, count: int) -> Floats:
    """At most `count` of the points, at equal steps through the list."""
    if len(points) <= count:
        return points
    return points[np.arange(count) * len(points) // count]


def rotation_grid(count: int) -> Floats:
    """`count` rotations spread evenly over all rotations, (count, 3, 3).

    Quaternions on two interleaved spirals (super-Fibonacci spirals, Alexa 2022, constants from memory).
    """
    step = np.arange(count) + 0.5
    inner, outer = np.sqrt(step / count), np.sqrt(1 - step / count)
    a, b = 2 * np.pi * step / np.sqrt(2.0), 2 * np.pi * step / 1.533751168755204288118041
    return from_quaternions(
        np.stack([inner * np.sin(a), inner * np.cos(a), outer * np.sin(b), outer * np.cos(b)], axis=1)
    )


def from_quaternions(q: Floats) -> Floats:
    """Rotations (k, 3, 3) of unit quaternions (k, 4), scalar last."""
    x, y, z, w = q.T
    rows = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ]
    return np.moveaxis(np.array(rows), 2, 0)


def turned_by(vectors: Floats) -> Floats:
    """Rotations (k, 3, 3) about vectors (k, 3) by their length in radians; exact to rounding for any length."""
    half = np.linalg.norm(vectors, axis=1, keepdims=True) / 2
    return from_quaternions(np.hstack([vectors * np.sinc(half / np.pi) / 2, np.cos(half)]))


def principal_axes(points: Floats) -> Floats:
    """Columns: directions of least to most spread about the mean, right-handed, (3, 3)."""
    centred = points - points.mean(axis=0)
    axes: Floats = np.linalg.eigh(np.einsum("ni,nj->ij", centred, centred))[1]
    axes[:, 2] *= np.sign(np.linalg.det(axes))
    return axes


def _parts(poses: Poses) -> tuple[Floats, Floats, Floats]:
    return poses.turns, poses.shifts, poses.scores


def _quarter_turns() -> Floats:
    """The 24 rotations that carry the coordinate axes onto themselves."""
    found = []
    for order in ((0, 1, 2), (1, 2, 0), (2, 0, 1), (0, 2, 1), (2, 1, 0), (1, 0, 2)):
        for signs in range(8):
            turn = np.zeros((3, 3))
            turn[range(3), order] = [1 - 2 * (signs >> axis & 1) for axis in range(3)]
            if np.linalg.det(turn) > 0:
                found.append(turn)
    return np.array(found)


def _axes_on_axes(points: Floats, target: Floats) -> Floats:
    scan, nominal = principal_axes(points), principal_axes(target)
    return nominal @ _quarter_turns() @ scan.T


def _joined(one: Poses, other: Poses) -> Poses:
    return Poses(*(np.concatenate(pair) for pair in zip(_parts(one), _parts(other), strict=True)))


def _extent_on_extent(turns: Floats, points: Floats, target: Target) -> Floats:
    """Shifts that lay the middle of the turned scan's extent on the nominal's, along its principal axes, (k, 3)."""
    axes = principal_axes(target.points)
    middle = np.quantile(target.points @ axes, _ENDS, axis=0).mean(axis=0)
    turned = evenly(points, 1000) @ (axes.T @ turns).transpose(0, 2, 1)
    shifts: Floats = (middle - np.quantile(turned, _ENDS, axis=1).mean(axis=0)) @ axes.T
    return shifts


def _slid_to_ends(poses: Poses, points: Floats, target: Target) -> Poses:
    """Each pose moved along the principal axes of the nominal until the ends of the scan meet the nominal's ends.

    Where part of the nominal was not scanned, the middle of the scan is not the middle of the part.
    """
    axes = principal_axes(target.points)
    ends = np.quantile(target.points @ axes, _ENDS, axis=0)
    turns, shifts = [], []
    for turn, shift in zip(poses.turns, poses.shifts, strict=True):
        gaps = ends - np.quantile((evenly(points, 3000) @ turn.T + shift) @ axes, _ENDS, axis=0)
        ways = np.array(np.meshgrid(*np.vstack([np.zeros(3), gaps]).T, indexing="ij")).reshape(3, -1).T[1:]
        turns.append(np.repeat(turn[None], len(ways), axis=0))
        shifts.append(shift + ways @ axes.T)
    return Poses(np.concatenate(turns), np.concatenate(shifts), np.zeros(26 * len(poses)))


def _turned_about_axes(pose: Poses, target: Target) -> Poses:
    """A pose turned about the principal axes of the nominal: quarter turns, and every 30° and 45° about each axis."""
    axes = principal_axes(target.points)
    angles = np.deg2rad([30, 45, 60, 120, 135, 150, 210, 225, 240, 300, 315, 330])
    about = turned_by(np.concatenate([np.outer(angles, axes[:, k]) for k in range(3)]))
    turns = np.concatenate([axes @ _quarter_turns()[1:] @ axes.T, about])
    centre = _middle_of_box(axes, target)
    shifts = (pose.shifts[0] - centre) @ turns.transpose(0, 2, 1) + centre
    return Poses(turns @ pose.turns[0], shifts, np.zeros(len(turns)))


def reflected(turn: Floats, shift: Floats, target: Target) -> tuple[Floats, Floats]:
    """A pose reflected in each principal plane of the nominal: turns (3, 3, 3) and shifts (3, 3) for the scan mirrored
    in x; or from a pose of the mirrored scan to poses of the scan itself."""
    axes = principal_axes(target.points)
    centre = _middle_of_box(axes, target)
    mirrors = np.eye(3) - 2 * axes.T[:, :, None] * axes.T[:, None, :]
    return mirrors @ turn @ np.diag([-1.0, 1.0, 1.0]), (shift - centre) @ mirrors + centre


def _middle_of_box(axes: Floats, target: Target) -> Floats:
    """Middle of the nominal's box along the axes, where the symmetry of a box-like part lies, (3,) mm."""
    along = target.points @ axes
    middle: Floats = axes @ (along.min(axis=0) + along.max(axis=0)) / 2
    return middle


def _refined(poses: Poses, points: Floats, target: Target, steps: int, tick: Callable[[], None]) -> Poses:
    turns, shifts, scores = _parts(poses)
    for _ in range(steps):
        turns, shifts, scores = _step(turns, shifts, points, target)
        tick()
    return Poses(turns, shifts, scores)


def _step(turns: Floats, shifts: Floats, points: Floats, target: Target) -> tuple[Floats, Floats, Floats]:
    """One trimmed point-to-plane step of every pose at once; the score belongs to the pose before the step."""
    starts, count = len(turns), len(points)
    moved = points @ turns.transpose(0, 2, 1) + shifts[:, None]
    distance, nearest = target.tree.query(moved.reshape(-1, 3), workers=-1)
    distance = distance.reshape(starts, count)
    normals = target.normals[nearest].reshape(starts, count, 3)
    away = np.einsum("skj,skj->sk", moved - target.points[nearest].reshape(starts, count, 3), normals)
    limit = np.partition(distance, int(0.8 * (count - 1)), axis=1)[:, int(0.8 * (count - 1))]
    kept: Flags = distance <= limit[:, None]
    # The nearest sample may be a spacing to the side of the true closest point: only the rest counts as sideways.
    sideways = np.maximum(np.sqrt(np.maximum(distance**2 - away**2, 0.0)) - target.spacing, 0.0)
    scores = np.sqrt((np.minimum(away**2 + sideways**2, limit[:, None] ** 2)).mean(axis=1))
    about = shifts[:, None]
    rows = np.concatenate([np.cross((moved - about) / target.scale, normals), normals], axis=2)
    weighted = rows * kept[:, :, None]
    system = weighted.transpose(0, 2, 1) @ rows
    system += np.eye(6) * (1e-3 * np.trace(system, axis1=1, axis2=2)[:, None, None] / 6 + 1e-12)
    change = np.linalg.solve(system, -(weighted.transpose(0, 2, 1) @ away[:, :, None]))[:, :, 0]
    turn = change[:, :3] / target.scale
    turn *= np.minimum(1.0, 0.6 / np.maximum(np.linalg.norm(turn, axis=1, keepdims=True), 1e-12))
    return turned_by(turn) @ turns, shifts + change[:, 3:], scores
