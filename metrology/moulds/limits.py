"""Keeping a changed pattern fit to leave its mould: no face that let go before is held afterwards.

Seen along the pull, a face of a mould that lets go shows one side only: the area of its shadow keeps its sign. The
limits move vertices across the pull until every such face keeps its sign again; along the pull nothing is changed.
"""

from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats, Ints
from metrology.moulds.pattern import Pattern
from metrology.moulds.release import UPRIGHT_DEG, MouldKind, undercut_at
from metrology.surfaces.surface import Flags, Surface

# A face counts as held when it leans over by more than this, and by more than it did before: a hundredth of a
# millimetre on two metres, so that many faces above each other do not add up to an undercut.
_LEAN = 5e-6
_SWEEPS, _PATIENCE, _STEPS, _STEP = 1000, 30, 60, 1.3
_HALVINGS = 40


@dataclass(frozen=True)
class Limited:
    """moved: (v, 3) mm. leaning: faces that would have been held. eased: of them, faces that moving vertices across
    the pull set right; the rest were drawn back towards where they were before. short: (v,) mm, how far each vertex
    stays from where it should have gone."""

    moved: Floats
    leaning: int
    eased: int
    short: Floats


def sides(surface: Surface, pattern: Pattern, pull: Floats, kind: MouldKind, filled: Flags) -> Ints:
    """Which side each face of the pattern must show to the pull, (f,): −1 away from it, 1 towards it, 0 where it is
    free: a fill face, or a face that the nominal's mould holds already.

    Of a two-part mould, what stands upright belongs to the half against the pull where that half comes off it: the
    parting line runs along its upper edge.
    """
    parents = pattern.parents
    middles = pattern.nominal[pattern.faces].mean(axis=1)
    lean = surface.normals[parents] @ pull
    upright = np.abs(lean) <= np.sin(np.radians(UPRIGHT_DEG))
    free = filled[parents]
    asked = np.flatnonzero(~free)
    shown = np.zeros(len(parents), dtype=np.int64)
    held = undercut_at(surface, middles[asked], parents[asked], pull, kind)
    shown[asked[~held]] = -1
    if kind == "two-part":
        shown[~upright] *= -np.sign(lean[~upright]).astype(np.int64)
        standing = np.flatnonzero(upright & (shown != 0))
        against = undercut_at(surface, middles[standing], parents[standing], pull, "open-face")
        shown[standing[against]] = 1
    return shown


def keep_releasing(faces: Ints, before: Floats, wanted: Floats, shown: Ints, pull: Floats) -> Limited:
    """Vertices (v, 3) near to `wanted` that let every face show the side it must. before: (v, 3), where it does.

    Two sweeps set every face right: one from below, in which the upper corners give way, and one from above, in which
    the lower ones do. On an upright wall they are the least surface above what was wanted and the largest below it;
    half way between the two is as near as any can come (isotonic regression in the largest error). What is still held
    after that, where walls meet, is eased, and in the end drawn back towards `before`.
    """
    flat = _across(pull)
    bound = _Bound.of(faces, before, wanted, shown, flat)
    at, start, height = wanted @ flat.T, before @ flat.T, wanted @ pull
    first = bound.held(at)
    moved = at
    if first.any():
        moved = (bound.swept(at, height, upwards=True) + bound.swept(at, height, upwards=False)) / 2
        bound.ease(moved)
    left = bound.held(moved)
    placed = wanted + (_draw_back(moved, start, bound) - at) @ flat
    return Limited(placed, int(first.sum()), int((first & ~left).sum()), np.linalg.norm(placed - wanted, axis=1))


def held_faces(faces: Ints, before: Floats, moved: Floats, shown: Ints, pull: Floats) -> Flags:
    """Faces, (f,), that do not show the side they must (see `sides`), and did where their corners were before."""
    flat = _across(pull)
    held = np.zeros(len(faces), dtype=np.bool_)
    held[np.flatnonzero(shown)] = _Bound.of(faces, before, moved, shown, flat).held(moved @ flat.T)
    return held


@dataclass(frozen=True)
class _Bound:
    """Faces (b, 3) that must show a side (b,). allowed: (b,) mm², what each may show of the other side. owner, ends:
    the faces at vertex v are owner[ends[v] : ends[v + 1]]."""

    faces: Ints
    side: Floats
    allowed: Floats
    owner: Ints
    ends: Ints

    @classmethod
    def of(cls, faces: Ints, before: Floats, wanted: Floats, shown: Ints, flat: Floats) -> "_Bound":
        rows = np.flatnonzero(shown)
        corners, side = faces[rows], shown[rows].astype(np.float64)
        a, b, c = (wanted[corners[:, k]] for k in range(3))
        area = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2
        order = np.argsort(corners.reshape(-1), kind="stable")
        ends = np.searchsorted(corners.reshape(-1)[order], np.arange(len(wanted) + 1))
        allowed = np.maximum(_LEAN * area, -side * _shadow(before @ flat.T, corners))
        return cls(corners, side, allowed, order // 3, ends)

    def over(self, at: Floats) -> Floats:
        """How much of the wrong side each face shows, (b,) mm²; negative where it shows the right one."""
        return -self.side * _shadow(at, self.faces)

    def held(self, at: Floats) -> Flags:
        held: Flags = self.over(at) > self.allowed
        return held

    def swept(self, at: Floats, height: Floats, *, upwards: bool) -> Floats:
        """Corners (v, 2) moved so that every face shows its side, the corners behind the sweep staying put."""
        moved = at.copy()
        along = height[self.faces] * (1.0 if upwards else -1.0)
        low, high = along.min(axis=1, keepdims=True), along.max(axis=1, keepdims=True)
        ahead = along - low > 0.5 * (high - low)
        asked = np.arange(len(self.faces))
        fewest, since = len(asked) + 1, 0
        for _ in range(_SWEEPS):
            rows = asked[self._rows(asked).held(moved)]
            fewest, since = (len(rows), 0) if len(rows) < fewest else (fewest, since + 1)
            # A few faces that push each other to and fro are left to be eased.
            if not len(rows) or since > _PATIENCE:
                break
            step = self._steps(moved, rows, self._rows(rows).over(moved), ahead[rows])
            # Where several faces ask, the one that asks for most is heard: less would not set it right.
            corners, every = self.faces[rows].reshape(-1), step.reshape(-1, 2)
            order = np.lexsort((corners, np.einsum("ij,ij->i", every, every)))
            wanted = np.zeros_like(moved)
            wanted[corners[order]] = every[order]
            moved += wanted
            asked = self._around(np.unique(corners))
        return moved

    def _rows(self, rows: Ints) -> "_Bound":
        return _Bound(self.faces[rows], self.side[rows], self.allowed[rows], self.owner, self.ends)

    def _around(self, vertices: Ints) -> Ints:
        """Rows of all faces at some vertices."""
        count = self.ends[vertices + 1] - self.ends[vertices]
        nth = np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count, count)
        return np.unique(self.owner[np.repeat(self.ends[vertices], count) + nth])

    def ease(self, at: Floats) -> None:
        """Move corners, in place, to where their faces need them: by the mean of the least moves of the held faces."""
        for _ in range(_STEPS):
            over = self.over(at)
            rows = np.flatnonzero(over > 0.5 * self.allowed)
            if not len(rows):
                return
            step = _STEP * self._steps(at, rows, over[rows], np.ones((len(rows), 3), dtype=np.bool_))
            every = self.faces[rows].reshape(-1)
            count = np.maximum(np.bincount(every, minlength=len(at)), 1)
            for axis in range(2):
                at[:, axis] += np.bincount(every, step[:, :, axis].reshape(-1), len(at)) / count

    def _steps(self, at: Floats, rows: Ints, over: Floats, free: Flags) -> Floats:
        """The least moves of the free corners that set faces right, (k, 3, 2)."""
        corners = self.faces[rows]
        opposite = at[corners[:, [1, 2, 0]]] - at[corners[:, [2, 0, 1]]]
        slope = 0.5 * np.stack([opposite[:, :, 1], -opposite[:, :, 0]], axis=2)
        square = (slope**2).sum(axis=2)
        # A corner whose opposite edge runs along the pull can set nothing right: then all corners give way.
        enough = (square * free).sum(axis=1) > 0.05 * square.sum(axis=1)
        slope = np.where((free | ~enough[:, None])[:, :, None], slope, 0.0)
        steep = np.maximum((slope**2).sum(axis=(1, 2)), 1e-300)
        steps: Floats = (self.side[rows] * over / steep)[:, None, None] * slope
        return steps


def _draw_back(at: Floats, start: Floats, bound: _Bound) -> Floats:
    share = np.ones(len(at))
    for k in range(_HALVINGS):
        here = start + share[:, None] * (at - start)
        held = bound.held(here)
        if not held.any():
            return here
        share[np.unique(bound.faces[held])] *= 0.5 if k < _HALVINGS // 2 else 0.0
    return start + share[:, None] * (at - start)


def _across(pull: Floats) -> Floats:
    """Two unit directions across the pull, (2, 3), right-handed with it."""
    least = np.eye(3)[int(np.argmin(np.abs(pull)))]
    one = np.cross(pull, least)
    one /= np.linalg.norm(one)
    return np.stack([one, np.cross(pull, one)])


def _shadow(at: Floats, faces: Ints) -> Floats:
    """Signed area of each face seen along the pull."""
    a, b, c = (at[faces[:, k]] for k in range(3))
    shadow: Floats = ((b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])) / 2
    return shadow
