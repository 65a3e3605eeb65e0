"""As-built anchors of a ring: how far each stands from its place, the shims that level them, and the joints that
pieces of measured length make on them. Plan coordinates are east and north in mm; heights in mm.

Directions at a place: radial is positive outwards, tangential positive in the order of numbering.
"""

from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats
from metrology.errors import InputError


@dataclass(frozen=True)
class Places:
    """The nominal places of a ring. centre: (2,). radius: mm. bearings: (n,) radians from north, clockwise, of each
    place from the centre. sense: 1 where places follow clockwise, −1 anticlockwise."""

    centre: Floats
    radius: float
    bearings: Floats
    sense: float

    @property
    def outward(self) -> Floats:
        """(n, 2) unit."""
        return np.stack([np.sin(self.bearings), np.cos(self.bearings)], axis=1)

    @property
    def onward(self) -> Floats:
        """(n, 2) unit, at right angles to outward, towards the next place."""
        onward: Floats = self.sense * np.stack([np.cos(self.bearings), -np.sin(self.bearings)], axis=1)
        return onward

    @property
    def at(self) -> Floats:
        """(n, 2)."""
        at: Floats = self.centre + self.radius * self.outward
        return at


def places(centre: Floats, radius: float, count: int, start_bearing: float, sense: float) -> Places:
    """count places round the whole ring. start_bearing: radians."""
    if count < 3:
        raise InputError("too-few-places", "A ring has at least three places.")
    return Places(centre, radius, start_bearing + sense * np.arange(count) * 2 * np.pi / count, sense)


def best_placed(nominal: Places, measured: Floats) -> Places:
    """The same ring, shifted and turned (never scaled) to lie best on measured points (m, 2) of its first m places.

    Least squares of the distances in plan. Raises InputError (at-one-place).
    """
    own = nominal.at[: len(measured)]
    middle, wanted = own.mean(axis=0), measured.mean(axis=0)
    a, b = own - middle, measured - wanted
    along, across = float((a * b).sum()), float((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum())
    if np.hypot(along, across) <= 1e-12 * max(float((a * a).sum()), 1e-300):
        raise InputError("at-one-place", "The anchors show no direction: they lie at one place. Check the coordinates.")
    turn = np.arctan2(across, along)  # anticlockwise
    back = nominal.centre - middle
    spun = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return Places(wanted + spun @ back, nominal.radius, nominal.bearings - turn, nominal.sense)


def plan_errors(ring: Places, measured: Floats) -> tuple[Floats, Floats]:
    """Radial and tangential errors of measured points (m, 2), (m,) mm each, as components at the nominal place."""
    count = len(measured)
    off = measured - ring.at[:count]
    radial: Floats = np.einsum("ij,ij->i", off, ring.outward[:count])
    tangential: Floats = np.einsum("ij,ij->i", off, ring.onward[:count])
    return radial, tangential


def shims(heights: Floats, level: float, step: float) -> tuple[Floats, Floats]:
    """Shims in whole steps that bring each height nearest to the level, and what then is left (positive: too high).

    (m,) mm each. A shim below zero means that the anchor itself stands too high. step 0: to measure.
    """
    wanted = level - heights
    used = wanted if step <= 0 else np.round(wanted / step) * step
    return used, heights + used - level


@dataclass(frozen=True)
class RingJoints:
    """Joint k lies between piece k and the next. (n,) mm each. gap: in its middle, along the pieces. narrowest,
    widest: over its edges. step: the next piece's start further out than this one's end. height: higher than it."""

    gap: Floats
    narrowest: Floats
    widest: Floats
    step: Floats
    height: Floats

    @property
    def shifts(self) -> Floats:
        """How far each piece would move along the ring for all gaps to be equal, (n,) mm, the largest as small as
        can be."""
        moved = np.concatenate([[0.0], np.cumsum(self.gap.mean() - self.gap)[:-1]])
        centred: Floats = moved - (moved.max() + moved.min()) / 2
        return centred


def joints(
    ring: Places,
    radial: Floats,
    tangential: Floats,
    up: Floats,
    lengths: Floats,
    joint: float,
    chord: float,
    angles: Floats,
    depth: float,
) -> RingJoints:
    """Joints of pieces that stand straight on their anchors, each in the direction of its nominal place.

    radial, tangential, up: (n,) errors of the places. lengths: (n,) measured chords between joint faces; chord, joint:
    nominal, mm. angles: (n,) radians, error of the angle between a piece's faces. depth: of the faces across the ring.
    """
    turn = np.pi / len(lengths)
    middle = (chord + joint) / (2 * np.tan(turn))
    outward, onward = ring.outward, ring.onward
    at = outward * (middle + radial)[:, None] + onward * tangential[:, None]
    ends, starts = at + onward * lengths[:, None] / 2, at - onward * lengths[:, None] / 2
    opening = np.roll(starts, -1, axis=0) - ends
    half = ring.bearings + ring.sense * turn
    along = ring.sense * np.stack([np.cos(half), -np.sin(half)], axis=1)
    out = np.stack([np.sin(half), np.cos(half)], axis=1)
    gap: Floats = np.einsum("ij,ij->i", opening, along) / np.cos(turn)
    step: Floats = np.einsum("ij,ij->i", opening, out)
    edge = np.abs(angles + np.roll(angles, -1)) * depth / 4
    return RingJoints(gap, gap - edge, gap + edge, step, np.roll(up, -1) - up)
