"""Whether a ring will close: the chance that its joints lie inside their limits, what spoils it, what would mend it."""

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from functools import partial

import numpy as np

from metrology.bodies import Floats
from metrology.closure.ring_chain import Closing, Errors, FixedPlaces, FreeChain, Joints, Ring, generators, in_threads
from metrology.errors import InputError

KINDS = ("length", "angle", "height", "pitch", "along", "across", "up")
FREE_KINDS = ("length", "angle", "height", "pitch")
PLACES = ("along", "across", "up")
SPREADS = ("normal", "uniform", "triangular")
# Assemblies that a search for tolerances looks at in each step, on the same luck every time.
TO_SEARCH = 20_000
_LEAST_FACTOR, _MOST_FACTOR = 1e-3, 1e2


@dataclass(frozen=True)
class Spread:
    """How one kind of error varies from piece to piece: mean and standard deviation, mm or radians; and its shape."""

    mean: float = 0.0
    sd: float = 0.0
    shape: str = "normal"

    def fill(self, random: np.random.Generator, into: Floats) -> Floats:
        """Errors at random, written into an array that is used again and again."""
        if self.shape == "normal":
            random.standard_normal(out=into)
            into *= self.sd
        elif self.shape == "uniform":
            random.random(out=into)
            into -= 0.5
            into *= self.sd * 12**0.5
        else:
            random.random(out=into)
            into += random.random(into.shape)
            into -= 1.0
            into *= self.sd * 6**0.5
        if self.mean:
            into += self.mean
        return into


@dataclass(frozen=True)
class PieceErrors:
    """How each kind of error varies; see `ring_chain.Errors` for what they are. None: there is none of it."""

    length: Spread | None = None
    angle: Spread | None = None
    height: Spread | None = None
    pitch: Spread | None = None
    along: Spread | None = None
    across: Spread | None = None
    up: Spread | None = None

    def scaled(self, factor: float, kind: str | None = None) -> "PieceErrors":
        """Every standard deviation, or that of one kind, times the factor; the means stay."""
        changed = {}
        for one in KINDS:
            spread = getattr(self, one)
            if spread is not None and kind in (None, one):
                changed[one] = replace(spread, sd=spread.sd * factor)
        return replace(self, **changed)


@dataclass(frozen=True)
class Limits:
    """What a joint may be: gap from least to most, step across the ring and step in height up to so much, mm."""

    least_gap: float
    most_gap: float
    step: float
    height: float


@dataclass(frozen=True)
class Chance:
    """inside: of `assemblies` simulated, those within all limits. share: of them."""

    inside: int
    assemblies: int

    @property
    def share(self) -> float:
        return self.inside / self.assemblies


def simulate_free(ring: Ring, errors: PieceErrors, assemblies: int, seed: int) -> Closing:
    """The last joint of so many assemblies built piece against piece. Same seed, same answer on any machine's threads.

    About 1.3 times the work of drawing the random numbers.
    """
    chain = FreeChain(ring)
    pieces = _in_pieces(ring, errors, assemblies, seed, chain.close, FREE_KINDS)
    return Closing(*(np.concatenate([getattr(one, f.name) for one in pieces]) for f in fields(Closing)))


def simulate_fixed(ring: Ring, errors: PieceErrors, assemblies: int, seed: int) -> Joints:
    """The worst joints of so many assemblies on set-out places."""
    pieces = _in_pieces(ring, errors, assemblies, seed, FixedPlaces(ring).worst, KINDS)
    return Joints(*(np.concatenate([getattr(one, f.name) for one in pieces]) for f in fields(Joints)))


def resample_free(ring: Ring, measured: Errors, assemblies: int, seed: int) -> Closing:
    """As `simulate_free`, from measured pieces drawn again and again (bootstrap): whole pieces, with all their errors.

    measured: (casts, 1) arrays, at least two casts.
    """
    pieces = [FreeChain(ring).close(one) for one in _drawn_again(ring, measured, assemblies, seed)]
    return Closing(*(np.concatenate([getattr(one, f.name) for one in pieces]) for f in fields(Closing)))


def resample_fixed(
    ring: Ring, measured: Errors, assemblies: int, seed: int, places: PieceErrors | None = None
) -> Joints:
    """As `simulate_fixed`, from measured pieces drawn again and again. places: how the set-out places vary."""
    pieces = [FixedPlaces(ring).worst(one) for one in _drawn_again(ring, measured, assemblies, seed, places)]
    return Joints(*(np.concatenate([getattr(one, f.name) for one in pieces]) for f in fields(Joints)))


def chance_free(closing: Closing, limits: Limits) -> Chance:
    """The last joint is inside when both its edges are, and its steps."""
    edge = np.abs(closing.wedge) / 2
    inside = (closing.gap - edge >= limits.least_gap) & (closing.gap + edge <= limits.most_gap)
    inside &= (np.abs(closing.step) <= limits.step) & (np.abs(closing.height) <= limits.height)
    return Chance(int(inside.sum()), len(inside))


def chance_fixed(joints: Joints, limits: Limits) -> Chance:
    """A ring on set-out places is inside when every one of its joints is."""
    inside = (joints.narrowest >= limits.least_gap) & (joints.widest <= limits.most_gap)
    inside &= (joints.step <= limits.step) & (joints.height <= limits.height)
    return Chance(int(inside.sum()), len(inside))


def chance(ring: Ring, errors: PieceErrors, limits: Limits, *, fixed: bool, assemblies: int, seed: int) -> Chance:
    """The chance that a ring built this way lies inside all limits."""
    if fixed:
        return chance_fixed(simulate_fixed(ring, errors, assemblies, seed), limits)
    return chance_free(simulate_free(ring, errors, assemblies, seed), limits)


def spoilers(
    ring: Ring, errors: PieceErrors, limits: Limits, *, fixed: bool, seed: int, assemblies: int = TO_SEARCH
) -> list[tuple[str, float]]:
    """Each kind of error with the chance if it alone were gone, largest gain first; all on the same luck."""
    found = []
    for kind in KINDS:
        if getattr(errors, kind) is None:
            continue
        without = replace(errors, **{kind: Spread()})
        found.append((kind, chance(ring, without, limits, fixed=fixed, assemblies=assemblies, seed=seed).share))
    return sorted(found, key=lambda one: -one[1])


def factor_for(
    ring: Ring,
    errors: PieceErrors,
    limits: Limits,
    wanted: float,
    *,
    fixed: bool,
    seed: int,
    kind: str | None = None,
    assemblies: int = TO_SEARCH,
) -> float | None:
    """What all standard deviations, or those of one kind, may be multiplied by to reach the wanted chance.

    More than 1 when there is room to spare. None when even without them the chance is not reached: then the means, or
    the other kinds, stand in the way. Found by halving, on the same luck in every step; to 0.5 %.
    """
    if not 0 < wanted < 1:
        raise InputError("wanted-chance", "The wanted chance must be more than 0 % and less than 100 %.")
    judge = _judge(ring, limits, fixed)
    spreads = _spreads(errors, KINDS if fixed else FREE_KINDS)
    drawn = [
        {one: spread.fill(random, np.empty((ring.pieces, count))) for one, spread in spreads.items()}
        for random, count in generators(seed, assemblies)
    ]

    def reached(factor: float) -> bool:
        inside = 0
        for piece in drawn:
            scaled = {
                one: values if kind not in (None, one) else spreads[one].mean + factor * (values - spreads[one].mean)
                for one, values in piece.items()
            }
            try:
                inside += judge(Errors(**scaled)).inside
            except InputError:  # angles beyond what a ring can have
                return False
        return inside / assemblies >= wanted

    if not reached(_LEAST_FACTOR):
        return None
    low, high = _LEAST_FACTOR, 1.0
    while high < _MOST_FACTOR and reached(high):
        low, high = high, high * 2
    while high / low > 1.005:
        middle = (low * high) ** 0.5
        low, high = (middle, high) if reached(middle) else (low, middle)
    return low


def _judge(ring: Ring, limits: Limits, fixed: bool) -> Callable[[Errors], Chance]:
    """How many of drawn assemblies close."""
    if fixed:
        places = FixedPlaces(ring)
        return lambda errors: chance_fixed(places.worst(errors), limits)
    chain = FreeChain(ring)
    return lambda errors: chance_free(chain.close(errors), limits)


def _in_pieces(
    ring: Ring,
    errors: PieceErrors,
    assemblies: int,
    seed: int,
    judge: Callable[[Errors], Closing | Joints],
    kinds: tuple[str, ...],
) -> list[Closing | Joints]:
    if assemblies < 1:
        raise InputError("assemblies", "Simulate at least one assembly.")
    spreads = _spreads(errors, kinds)
    with in_threads() as pool:
        work = partial(_one_piece, ring, spreads, judge)
        return list(pool.map(work, *zip(*generators(seed, assemblies), strict=True)))


def _spreads(errors: PieceErrors, kinds: tuple[str, ...]) -> dict[str, Spread]:
    spreads = {kind: getattr(errors, kind) for kind in kinds if getattr(errors, kind) is not None}
    for kind, spread in spreads.items():
        if not (np.isfinite([spread.mean, spread.sd]).all() and spread.sd >= 0 and spread.shape in SPREADS):
            raise InputError("spread", f"The spread of the {kind} must be a number of 0 or more; shapes: {SPREADS}.")
    if not spreads:
        raise InputError("no-errors", "Give at least one error of the pieces: length, angle, height or pitch.")
    return spreads


def _one_piece(
    ring: Ring,
    spreads: dict[str, Spread],
    judge: Callable[[Errors], Closing | Joints],
    random: np.random.Generator,
    count: int,
) -> Closing | Joints:
    drawn = {kind: spread.fill(random, np.empty((ring.pieces, count))) for kind, spread in spreads.items()}
    return judge(Errors(**drawn))


def _drawn_again(
    ring: Ring, measured: Errors, assemblies: int, seed: int, places: PieceErrors | None = None
) -> list[Errors]:
    about = {} if places is None else {kind: one for kind in PLACES if (one := getattr(places, kind)) is not None}
    given = {kind: getattr(measured, kind) for kind in KINDS if getattr(measured, kind) is not None}
    casts = {len(values) for values in given.values()}
    if len(casts) != 1 or casts.pop() < 2:
        raise InputError("too-few-casts", "Measure at least two casts, each with every error that counts.")
    count = len(next(iter(given.values())))
    found = []
    for random, size in generators(seed, assemblies):
        rows = random.integers(0, count, (ring.pieces, size))
        drawn = {kind: values[:, 0][rows] for kind, values in given.items()}
        drawn |= {kind: spread.fill(random, np.empty((ring.pieces, size))) for kind, spread in about.items()}
        found.append(Errors(**drawn))
    return found
