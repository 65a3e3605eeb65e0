"""How a ring of pieces closes: many assemblies at once, from random or measured errors of its pieces.

Two ways to build are told apart. *Free*: each piece is set against the one before, so that errors add up and the last
joint shows them. *Fixed*: each piece stands on its own set-out place, so that every joint shows the errors of its two
pieces. Small-angle series are used to the third order: with 3° of accumulated angle the rest is below a millionth of a
length; larger angles are refused.
"""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from os import cpu_count

import numpy as np

from metrology.bodies import Floats
from metrology.errors import InputError

# Assemblies in one piece of work: its arrays stay in the processor's cache. Part of the answer: each draws its own.
_AT_ONCE = 2048
LARGEST_ANGLE = 0.05  # radians, accumulated
FEWEST_PIECES = 3


@dataclass(frozen=True)
class Ring:
    """A closed regular ring. pieces: how many. chord: nominal length of a piece between its joint faces, mm.

    joint: nominal gap of each joint, mm. depth: of the joint face across the ring (inner to outer edge), mm.
    """

    pieces: int
    chord: float
    joint: float
    depth: float

    @property
    def turn(self) -> float:
        """Nominal angle between neighbouring pieces, radians."""
        return 2 * np.pi / self.pieces

    @property
    def radius(self) -> float:
        """Of the circle through the middles of the joints, mm."""
        return float((self.chord + self.joint) / (2 * np.sin(self.turn / 2)))


@dataclass(frozen=True)
class Errors:
    """Errors of each piece of each assembly, (pieces, assemblies) each; None counts as none.

    length: mm. angle: between the two joint faces in plan, radians, positive turns the ring inwards. height: of the
    far joint over the near one, mm. pitch: between the two faces in elevation, radians, positive rises. along, across,
    up: of the place it is set on, mm; they count only where pieces stand on set-out places.
    """

    length: Floats | None = None
    angle: Floats | None = None
    height: Floats | None = None
    pitch: Floats | None = None
    along: Floats | None = None
    across: Floats | None = None
    up: Floats | None = None


@dataclass(frozen=True)
class Closing:
    """The last joint of assemblies built free, (assemblies,) each. gap: its width, mm. step: of the last piece's end
    against the first's start across the ring, mm, positive outwards. wedge: outer edge wider than inner, mm.
    height: of the last end over the first start, mm."""

    gap: Floats
    step: Floats
    wedge: Floats
    height: Floats


@dataclass(frozen=True)
class Joints:
    """The worst joints of assemblies on set-out places, (assemblies,) each, mm.

    narrowest, widest: gap over all joints and both edges. step: largest across the ring. height: largest in height.
    """

    narrowest: Floats
    widest: Floats
    step: Floats
    height: Floats


class FreeChain:
    """Closing errors of a ring built piece against piece."""

    def __init__(self, ring: Ring) -> None:
        if ring.pieces < FEWEST_PIECES:
            raise InputError("too-few-pieces", f"A ring has at least {FEWEST_PIECES} pieces.")
        count = ring.pieces
        self.ring = ring
        # The first joint lies across the x axis: the closing joint opens along x, its outside is -y.
        bearing = (np.arange(count) + 0.5) * ring.turn
        self._cos, self._sin = np.cos(bearing), np.sin(bearing)
        step = ring.chord + ring.joint
        starts = np.cumsum(np.r_[0.0, self._cos[:-1]]) * step, np.cumsum(np.r_[0.0, self._sin[:-1]]) * step
        middle = starts[0] + 0.5 * step * self._cos, starts[1] + 0.5 * step * self._sin
        # A pitch error tips all that follows about the radial axis; what follows ends at the origin.
        self.pitch_arm = -middle[0] * self._cos - middle[1] * self._sin

    def close(self, errors: Errors) -> Closing:
        """Shapes as in `Errors`. Raises InputError when angles add up to more than the series carries."""
        ring = self.ring
        assemblies = _assemblies(errors)
        along, out = np.zeros(assemblies), np.zeros(assemblies)
        wedge = np.zeros(assemblies)
        length = None if errors.length is None else errors.length + (ring.chord + ring.joint)
        if errors.angle is not None:
            turned = _turned(errors.angle)
            if turned.size and max(turned.max(), -turned.min()) > LARGEST_ANGLE:
                raise InputError(
                    "angles-too-large",
                    "The angle errors add up to more than 3° round the ring: this is no ring any more. Check the unit "
                    "of the angles.",
                )
            wedge = -ring.depth * errors.angle.sum(axis=0)
            square = turned * turned
            turned *= ring.chord + ring.joint if length is None else length
            along -= _summed(self._sin, turned)
            out += _summed(self._cos, turned)
            turned *= square
            along += _summed(self._sin, turned) / 6
            out -= _summed(self._cos, turned) / 6
            square *= ring.chord + ring.joint if length is None else length
            along -= _summed(self._cos, square) / 2
            out -= _summed(self._sin, square) / 2
        if errors.length is not None:
            along += _summed(self._cos, errors.length)
            out += _summed(self._sin, errors.length)
        height = np.zeros(assemblies)
        if errors.height is not None:
            height += errors.height.sum(axis=0)
        if errors.pitch is not None:
            height += _summed(self.pitch_arm, errors.pitch)
        return Closing(ring.joint - along, -out, wedge, height)


class FixedPlaces:
    """Joints of a ring whose pieces each stand in the middle of their set-out place."""

    def __init__(self, ring: Ring) -> None:
        if ring.pieces < FEWEST_PIECES:
            raise InputError("too-few-pieces", f"A ring has at least {FEWEST_PIECES} pieces.")
        self.ring = ring

    def gaps(self, errors: Errors) -> tuple[Floats, Floats]:
        """Gap at the middle of each joint and half the opening between its edges, (pieces, assemblies) mm.

        Joint k lies between piece k and the next one.
        """
        shape = _shape(errors)
        gap = np.full(shape, self.ring.joint)
        if errors.length is not None:
            gap -= _pairs(errors.length) / 2
        if errors.along is not None:
            gap += _steps(errors.along)
        wedge = np.zeros(shape)
        if errors.angle is not None:
            wedge = np.abs(_pairs(errors.angle))
            wedge *= self.ring.depth / 4
        return gap, wedge

    def worst(self, errors: Errors) -> Joints:
        gap, wedge = self.gaps(errors)
        assemblies = gap.shape[1]
        step = np.zeros(assemblies) if errors.across is None else np.abs(_steps(errors.across)).max(axis=0)
        height = np.zeros(assemblies)
        if errors.height is not None or errors.pitch is not None or errors.up is not None:
            height = np.abs(self.height_steps(errors)).max(axis=0)
        return Joints((gap - wedge).min(axis=0), (gap + wedge).max(axis=0), step, height)

    def height_steps(self, errors: Errors) -> Floats:
        """Start of the next piece over the end of this one, (pieces, assemblies) mm."""
        steps = np.zeros(_shape(errors))
        if errors.up is not None:
            steps += _steps(errors.up)
        if errors.height is not None:
            steps -= _pairs(errors.height) / 2
        if errors.pitch is not None:
            steps -= _pairs(errors.pitch) * (self.ring.chord / 4)
        return steps


def _turned(angles: Floats) -> Floats:
    """How far each piece's chord is turned: by the whole errors of the pieces before it and half its own.

    Row by row: ten times as fast as a cumulated sum down the columns.
    """
    turned = np.empty_like(angles)
    np.multiply(angles, 0.5, out=turned)
    before = np.zeros(angles.shape[1])
    for own, angle in zip(turned, angles, strict=True):
        own += before
        before += angle
    return turned


def _summed(weights: Floats, values: Floats) -> Floats:
    """Weighted sum over the pieces, (assemblies,). Not by matrix product: its threads would fight with our own."""
    summed: Floats = np.einsum("i,ij->j", weights, values)
    return summed


def _pairs(values: Floats) -> Floats:
    """Each piece plus the next one round the ring."""
    sums = np.empty_like(values)
    np.add(values[:-1], values[1:], out=sums[:-1])
    np.add(values[-1], values[0], out=sums[-1])
    return sums


def _steps(values: Floats) -> Floats:
    """The next piece less this one."""
    steps = np.empty_like(values)
    np.subtract(values[1:], values[:-1], out=steps[:-1])
    np.subtract(values[0], values[-1], out=steps[-1])
    return steps


def _shape(errors: Errors) -> tuple[int, int]:
    for values in (errors.length, errors.angle, errors.height, errors.pitch, errors.along, errors.across, errors.up):
        if values is not None:
            return values.shape[0], values.shape[1]
    raise InputError("no-errors", "Give at least one error of the pieces: length, angle, height or pitch.")


def _assemblies(errors: Errors) -> int:
    return _shape(errors)[1]


def generators(seed: int, assemblies: int) -> Iterator[tuple[np.random.Generator, int]]:
    """A generator of its own, and how many assemblies, for each piece of work: the same however many work at once."""
    pieces = -(-assemblies // _AT_ONCE)
    for number, child in enumerate(np.random.SeedSequence(seed).spawn(pieces)):
        yield np.random.Generator(np.random.PCG64(child)), min(_AT_ONCE, assemblies - number * _AT_ONCE)


def workers() -> int:
    return min(cpu_count() or 1, 8)


def in_threads() -> ThreadPoolExecutor:
    """NumPy lets other threads work while it draws numbers."""
    return ThreadPoolExecutor(workers())
