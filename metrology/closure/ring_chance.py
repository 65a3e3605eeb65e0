"""How a ring of measured casts closes: as they stand, with bounds for how few they are, and in a better order."""

from dataclasses import dataclass, replace

import numpy as np

from metrology.bodies import Floats, Ints
from metrology.closure.matching import match_a_chain, match_round_a_ring
from metrology.closure.ring_chain import Closing, Errors, FixedPlaces, FreeChain, Joints, Ring
from metrology.closure.ring_closure import FREE_KINDS, KINDS, Limits, PieceErrors, Spread, chance_fixed, chance_free
from metrology.errors import InputError

# Means and standard deviations that may stand behind the casts, and assemblies looked at for each.
_BEHIND, _EACH = 200, 500


def spreads_of(casts: Errors) -> PieceErrors:
    """Mean and standard deviation (n − 1) of every kind of error that was measured; casts: (n, 1) each, n ≥ 2."""
    given = _measured(casts)
    return PieceErrors(**{kind: Spread(float(v.mean()), float(v.std(ddof=1))) for kind, v in given.items()})


def chances_behind(
    ring: Ring, casts: Errors, limits: Limits, *, fixed: bool, seed: int, others: PieceErrors | None = None
) -> Floats:
    """Chances of closing for means and standard deviations that may stand behind the casts, (200,).

    Each kind of error taken as normal and apart from the others: s' = s √((n − 1)/χ²), mean' = m + z s'/√n
    (generalised pivots). Quantiles of them are the bounds of the chance. others: how the kinds vary that the
    casts do not tell, such as the set-out places.
    """
    given = {kind: values for kind, values in _measured(casts).items() if fixed or kind in FREE_KINDS}
    if not given:
        raise InputError("no-errors", "Give at least one error of the pieces: length, angle, height or pitch.")
    random = np.random.default_rng([seed, 3])
    n = len(next(iter(given.values())))
    around = {kind: random.standard_normal((ring.pieces, _EACH)) for kind in given}
    behind = {}
    for kind, values in given.items():
        sd = values.std(ddof=1) * np.sqrt((n - 1) / random.chisquare(n - 1, _BEHIND))
        behind[kind] = values.mean() + random.standard_normal(_BEHIND) * sd / np.sqrt(n), sd
    stood = {}
    for kind in (KINDS if fixed else FREE_KINDS) if others is not None else ():
        if kind not in given and (spread := getattr(others, kind)) is not None:
            stood[kind] = spread.fill(random, np.empty((ring.pieces, _EACH)))
    chain, fixed_places = FreeChain(ring), FixedPlaces(ring)
    shares = np.zeros(_BEHIND)
    for number in range(_BEHIND):
        drawn = Errors(**{kind: m[number] + s[number] * around[kind] for kind, (m, s) in behind.items()}, **stood)
        try:
            closed = (
                chance_fixed(fixed_places.worst(drawn), limits) if fixed else chance_free(chain.close(drawn), limits)
            )
            shares[number] = closed.share
        except InputError:  # angles that make no ring: it does not close
            shares[number] = 0.0
    return shares


def _measured(casts: Errors) -> dict[str, Floats]:
    given = {kind: values[:, 0] for kind in KINDS if (values := getattr(casts, kind)) is not None}
    sizes = {len(values) for values in given.values()}
    if len(sizes) != 1 or sizes.pop() < 2:
        raise InputError("too-few-casts", "Measure at least two casts, each with every error that counts.")
    return given


@dataclass(frozen=True)
class Ordered:
    """casts: (pieces,) which cast stands where, all round. typical: what is judged in the middle of random orders, mm;
    before, after: in the order given and in this one (a chain: closing error in plan; on set-out places: root mean
    square of the joints' change). left_out: casts that are not needed."""

    casts: Ints
    left_out: Ints
    before: float
    after: float
    typical: float


def best_order(ring: Ring, casts: Errors, *, fixed: bool, seed: int = 0) -> Ordered:
    """An order of measured casts in which the ring closes better; a good one, not provably the best.

    casts: (n, 1) arrays, at least as many as the ring has pieces. Of more, those farthest from the middle length are
    left out. Raises InputError: too-few-casts, too-few-pieces.
    """
    length = np.zeros(_count(casts)) if casts.length is None else casts.length[:, 0]
    angle = np.zeros(len(length)) if casts.angle is None else casts.angle[:, 0]
    if len(length) < ring.pieces:
        raise InputError(
            "too-few-casts",
            f"{len(length)} measured casts cannot fill {ring.pieces} positions. Measure more casts.",
        )
    chosen = np.sort(np.argsort(np.abs(length - np.median(length)), kind="stable")[: ring.pieces])
    rest = np.setdiff1d(np.arange(len(length)), chosen)
    if fixed:
        found = match_round_a_ring(length[chosen], seed=seed)
    else:
        found = match_a_chain(_pushes(ring, length[chosen], angle[chosen]), seed=seed)
    return Ordered(chosen[found.order], rest, found.before, found.after, found.typical)


def close_one(ring: Ring, casts: Errors, order: Ints) -> Closing:
    """The closing joint of one ring built piece against piece in this order."""
    return FreeChain(replace(ring, pieces=len(order))).close(_taken(casts, order))


def joints_of_one(ring: Ring, casts: Errors, order: Ints) -> Joints:
    """The worst joints of one ring on set-out places in this order."""
    return FixedPlaces(replace(ring, pieces=len(order))).worst(_taken(casts, order))


def _taken(casts: Errors, order: Ints) -> Errors:
    return Errors(**{kind: values[order] for kind in KINDS if (values := getattr(casts, kind)) is not None})


def _count(casts: Errors) -> int:
    for kind in KINDS:
        if (values := getattr(casts, kind)) is not None:
            return len(values)
    raise InputError("no-errors", "Give at least one error of the pieces: length, angle, height or pitch.")


def _pushes(ring: Ring, length: Floats, angle: Floats) -> Floats:
    """(positions, casts, 2): what a cast alone at a position adds to the closing error, along and across."""
    count = ring.pieces
    at = np.repeat(np.arange(count), count)
    columns = np.arange(count * count)
    lengths, angles = np.zeros((2, count, count * count))
    lengths[at, columns] = np.tile(length, count)
    angles[at, columns] = np.tile(angle, count)
    closed = FreeChain(ring).close(Errors(length=lengths, angle=angles))
    pushed = np.stack([closed.gap - ring.joint, closed.step], axis=1)
    return pushed.reshape(count, count, 2)
