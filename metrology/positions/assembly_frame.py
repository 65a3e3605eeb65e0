"""The frame of a mock-up from its parts: where the whole stands, and how it has grown or twisted as a whole."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats
from metrology.positions.part_fit import turn_vector
from metrology.rotation import turned_by

# Parts that are off by more than this have less and less say in where the whole stands, mm.
_SAY = 0.3
# A drift is named when it is this many standard errors, and makes this many mm or degrees over the whole.
_SURE, _LEAST_MM, _LEAST_DEG = 3.0, 0.5, 0.05
_FEWEST = 6
# And whichever part is left out, this share of it stays.
_STEADY = 0.6
# Keeps what a part hides of itself below all of it.
_MOST_HIDDEN = 0.98
# Pairs of parts that are tried for where the whole stands.
_PAIRS = 600


@dataclass(frozen=True)
class Moved:
    """How one part was moved, in the axes of the assembly, at its middle (3,).

    motion: (4, 4) nominal place to found place. arm: mm, by which turns are weighed. covariance: (6, 6) mm² of
    (turn times arm, slide). loose: (6, l) orthonormal, motions that are not determined.
    """

    middle: Floats
    motion: Floats
    arm: float
    covariance: Floats
    loose: Floats

    @property
    def slide(self) -> Floats:
        """(3,) mm, of the middle."""
        slide: Floats = self.motion[:3, :3] @ self.middle + self.motion[:3, 3] - self.middle
        return slide

    @property
    def turn(self) -> Floats:
        """(3,) rad, axis times angle."""
        return turn_vector(self.motion[:3, :3])

    @property
    def vector(self) -> Floats:
        return np.asarray(np.r_[self.turn * self.arm, self.slide], dtype=np.float64)

    @property
    def firm(self) -> Floats:
        """(6, 6) projector onto what is determined."""
        firm: Floats = np.eye(6) - self.loose @ self.loose.T
        return firm

    def lever(self, centre: Floats) -> Floats:
        """(6, 6): what a small turn about `centre` (rad) and a slide (mm) of the whole do to `vector`."""
        lever = np.zeros((6, 6))
        lever[:3, :3] = self.arm * np.eye(3)
        lever[3:, :3] = -skew(self.middle - centre)
        lever[3:, 3:] = np.eye(3)
        return lever


@dataclass(frozen=True)
class Frame:
    """correction: (4, 4), to be applied to the scan after it was placed. covariance: (6, 6) of (turn about `centre`,
    rad; slide, mm). centre: (3,) mm."""

    correction: Floats
    covariance: Floats
    centre: Floats


@dataclass(frozen=True)
class Drift:
    """What the whole does beside its parts. span: mm, from end to end along `axis` (3,), the longest way.

    growth: share, positive = larger than nominal; growth_u its expanded uncertainty (k = 2). twist_deg: from the end
    where `axis` starts to the other, right-handed about it; twist_u likewise. grown, twisted: worth naming.
    """

    axis: Floats
    span: float
    growth: float
    growth_u: float
    twist_deg: float
    twist_u: float
    grown: bool
    twisted: bool


def solve_frame(parts: Sequence[Moved], chosen: Sequence[bool] | None, systematic: float) -> Frame:
    """The rigid correction that brings parts nearest to their places.

    chosen: the control parts, fitted by least squares; None fits to all, each having less say the farther it is off,
    so that a few displaced parts do not drag the whole. Each part counts alike, by its slide and by its turn at half
    its diagonal, in the directions that are determined. systematic: mm, standard uncertainty common to a part.
    """
    centre = np.mean([part.middle for part in parts], axis=0)
    weights = np.ones(len(parts)) if chosen is None else np.array(chosen, dtype=np.float64)
    start = np.eye(4) if chosen is not None else motion_about(centre, _agreed(parts, centre))
    correction, now = start, [_after(start, part) for part in parts]
    normal = np.eye(6)
    for _ in range(50):
        levers = [part.firm @ part.lever(centre) for part in now]
        offs = [part.firm @ part.vector for part in now]
        if chosen is None:
            weights = _say(np.array([float(np.linalg.norm(off)) for off in offs]))
        normal = np.sum([w * a.T @ a for w, a in zip(weights, levers, strict=True)], axis=0)
        right = np.sum([w * a.T @ off for w, a, off in zip(weights, levers, offs, strict=True)], axis=0)
        step = -np.linalg.pinv(normal, rcond=1e-10, hermitian=True) @ right
        change = motion_about(centre, step)
        correction = change @ correction
        now = [_after(change, part) for part in now]
        if np.linalg.norm(step[3:]) < 1e-7 and np.linalg.norm(step[:3]) < 1e-10:
            break
    inverse = np.linalg.pinv(normal, rcond=1e-10, hermitian=True)
    meat = np.zeros((6, 6))
    for weight, part in zip(weights, now, strict=True):
        lever = part.firm @ part.lever(centre)
        own = part.firm @ (part.covariance + systematic**2 * np.eye(6)) @ part.firm
        if chosen is None:
            # How far it is off from where the others alone would put it: a fit to all shares a fault out among them.
            hidden = weight * lever @ inverse @ lever.T
            shown = np.linalg.solve(np.eye(6) - _MOST_HIDDEN * hidden, part.firm @ part.vector)
            own = own + np.outer(shown, shown)
        meat += weight**2 * lever.T @ own @ lever
    return Frame(correction, inverse @ meat @ inverse, centre)


def _say(off: Floats) -> Floats:
    """Weights by how far parts are off, mm: falling with the square, so that what is far off hardly pulls at all."""
    usual = max(_SAY, 1.5 * float(np.median(off)))
    return np.asarray(1.0 / (1.0 + (off / usual) ** 2))


def _agreed(parts: Sequence[Moved], centre: Floats) -> Floats:
    """The small motion (6,) about `centre` that most parts agree on: of those that put one pair of parts right, or all
    of them, the one that leaves the most parts near their places. Half a side that is off then stays off."""
    levers = np.array([part.firm @ part.lever(centre) for part in parts])
    offs = np.array([part.firm @ part.vector for part in parts])
    normals, rights = levers.transpose(0, 2, 1) @ levers, np.einsum("kji,kj->ki", levers, offs)
    pairs = [(i, j) for i in range(len(parts)) for j in range(i)]
    groups = [list(range(len(parts))), *(list(pair) for pair in pairs[:: max(len(pairs) // _PAIRS, 1)])]
    best, least = np.zeros(6), np.inf
    for group in groups:
        step = -np.linalg.pinv(normals[group].sum(axis=0), rcond=1e-8, hermitian=True) @ rights[group].sum(axis=0)
        off = np.linalg.norm(offs + levers @ step, axis=1)
        cost = float(np.log1p((off / (2 * _SAY)) ** 2).sum())
        if cost < least - 1e-9:
            best, least = step, cost
    return best


def with_frame(part: Moved, frame: Frame) -> Moved:
    """The part after the whole was put right, its covariance with the frame's own."""
    moved = _after(frame.correction, part)
    lever = part.lever(frame.centre)
    return Moved(
        moved.middle, moved.motion, moved.arm, part.covariance + lever @ frame.covariance @ lever.T, part.loose
    )


def drift_of(parts: Sequence[Moved]) -> Drift | None:
    """Growth and twist common to all parts, by least squares in which parts far off have less say.

    None for fewer than six parts with a determined place, or when their middles lie at one point.
    """
    known = [part for part in parts if np.abs(part.loose[3:]).max(initial=0.0) < 0.1]
    if len(known) < _FEWEST:
        return None
    middles = np.array([part.middle for part in known])
    away = middles - middles.mean(axis=0)
    axis: Floats = np.linalg.svd(away, full_matrices=False)[2][0]
    axis = axis * np.sign(axis[np.argmax(np.abs(axis))])
    along = away @ axis
    span = float(np.ptp(along))
    if span < 1e-6:
        return None
    rows, right = [], []
    for part, at, x in zip(known, away, along, strict=True):
        block = np.zeros((4, 8))
        block[:3, :3], block[:3, 3:6] = np.eye(3), -skew(at)
        block[:3, 6], block[:3, 7] = at, x * np.cross(axis, at)
        # The part's own turn about the long axis; left out where it is not determined.
        sure = float(np.abs(part.loose[:3].T @ axis).max(initial=0.0)) < 0.1
        block[3, 3:6], block[3, 7] = part.arm * axis * sure, part.arm * x * sure
        rows.append(block)
        right.append(np.r_[part.slide, part.arm * float(part.turn @ axis) * sure])
    found, error = _robust(np.array(rows), np.array(right))
    growth, twist = float(found[6]), float(np.degrees(found[7] * span))
    growth_e, twist_e = float(error[6]), float(np.degrees(error[7] * span))
    steady = _steady(np.array(rows), np.array(right), found)
    width = float(np.linalg.norm(away - along[:, None] * axis, axis=1).max()) + max(part.arm for part in known)
    return Drift(
        axis=axis,
        span=span,
        growth=growth,
        growth_u=2 * growth_e,
        twist_deg=twist,
        twist_u=2 * twist_e,
        grown=steady[0] and abs(growth) > _SURE * growth_e and abs(growth) * span >= _LEAST_MM,
        twisted=steady[1]
        and abs(twist) > _SURE * twist_e
        and abs(twist) >= _LEAST_DEG
        and np.radians(abs(twist)) * width >= _LEAST_MM,
    )


def _robust(rows: Floats, right: Floats) -> tuple[Floats, Floats]:
    """Least squares in which parts far off have less say: the unknowns (8,) and their standard errors. rows: (k, 4, 8)
    and right: (k, 4), one block for each part."""
    weights: Floats = np.ones(len(rows))
    found: Floats = np.zeros(8)
    for _ in range(40):
        root = np.sqrt(weights)
        weighted, wanted = (rows * root[:, None, None]).reshape(-1, 8), (right * root[:, None]).reshape(-1)
        found = np.asarray(np.linalg.lstsq(weighted, wanted, rcond=1e-10)[0], dtype=np.float64)
        weights = np.asarray(1.0 / np.maximum(np.linalg.norm(right - rows @ found, axis=1), _SAY))
    rest = right - rows @ found
    inverse = np.linalg.pinv(np.einsum("k,kij,kil->jl", weights, rows, rows), rcond=1e-10, hermitian=True)
    pulls = np.einsum("k,kij,ki->kj", weights, rows, rest)
    freedom = max(rest.size - 8, 1)
    return found, np.sqrt(np.maximum(np.diag(inverse @ (pulls.T @ pulls) @ inverse) * rest.size / freedom, 0.0))


def _steady(rows: Floats, right: Floats, found: Floats) -> tuple[bool, bool]:
    """Whether growth and twist stay, for the most part, whichever part is left out: no single part makes them."""
    least = np.full(2, np.inf)
    for k in range(len(rows)):
        others = np.arange(len(rows)) != k
        left, _ = _robust(rows[others], right[others])
        least = np.minimum(least, left[6:] * np.sign(found[6:]))
    held = least >= _STEADY * np.abs(found[6:])
    return bool(held[0]), bool(held[1])


def skew(vector: Floats) -> Floats:
    """(3, 3) with skew(a) @ b = a × b."""
    x, y, z = vector
    return np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])


def motion_about(centre: Floats, step: Floats) -> Floats:
    """(4, 4): turned about `centre` by step[:3] rad, then slid by step[3:] mm."""
    motion = np.eye(4)
    motion[:3, :3] = turned_by(step[None, :3])[0]
    motion[:3, 3] = centre - motion[:3, :3] @ centre + step[3:]
    return motion


def _after(change: Floats, part: Moved) -> Moved:
    return Moved(part.middle, change @ part.motion, part.arm, part.covariance, part.loose)
