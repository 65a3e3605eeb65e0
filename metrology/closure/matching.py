"""Which measured cast to put where, so that a real set closes best."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

from metrology.bodies import Floats, Ints
from metrology.errors import InputError

# Rounds of swaps, each started from an order shuffled by the seed; the best is kept.
STARTS = 8


@dataclass(frozen=True)
class Matching:
    """order: (positions,) which cast stands at each position. before, after: what is judged, mm, in the order given and
    in this one. typical: the middle (median) of random orders, mm: what luck would bring."""

    order: Ints
    before: float
    after: float
    typical: float


def match_to_places(room: Floats, sizes: Floats) -> Matching:
    """One cast for each place, so that the squares of what each is too long or too short sum to the least.

    room: (places,) mm each place leaves. sizes: (casts,) mm, at least as many casts as places. The best of all
    assignments (linear sum assignment). Judged: root mean square of size less room.
    """
    room, sizes = _numbers(room), _numbers(sizes)
    if len(sizes) < len(room):
        raise InputError("too-few-casts", f"{len(sizes)} casts cannot fill {len(room)} places. Measure more casts.")
    cost = (sizes[None, :] - room[:, None]) ** 2
    _, order = linear_sum_assignment(cost)
    places = np.arange(len(room))
    random = np.random.default_rng(0)
    drawn = [cost[places, random.permutation(len(sizes))[: len(room)]].mean() for _ in range(200)]
    return Matching(
        order=order.astype(np.int64),
        before=float(np.sqrt(cost[places, places].mean())),
        after=float(np.sqrt(cost[places, order].mean())),
        typical=float(np.sqrt(np.median(drawn))),
    )


def match_round_a_ring(sizes: Floats, *, seed: int = 0) -> Matching:
    """An order round a ring of set-out places, so that the joints differ least: long pieces stand between short ones.

    sizes: (casts,) mm off nominal, at least three. A joint is narrower by half the sum of its two pieces. Judged: root
    mean square of that over the joints. Swaps of two pieces are tried until none helps, from several starts; a good
    order, not provably the best.
    """
    sizes = _numbers(sizes)
    if len(sizes) < 3:
        raise InputError("too-few-casts", "A ring has at least 3 pieces.")
    random = np.random.default_rng(seed)
    starts = [np.arange(len(sizes)), _zigzag(sizes), *(random.permutation(len(sizes)) for _ in range(STARTS))]
    best = min((_improved(sizes, start) for start in starts), key=lambda order: _unevenness(sizes[order]))
    drawn = [_unevenness(sizes[random.permutation(len(sizes))]) for _ in range(200)]
    return Matching(best, _unevenness(sizes), _unevenness(sizes[best]), float(np.median(drawn)))


def match_a_chain(pushes: Floats, *, seed: int = 0) -> Matching:
    """Which cast at which position of a ring built piece against piece, so that the closing error is least.

    pushes: (positions, casts, 2) mm, what a cast at a position adds to the closing error along and across the last
    joint. Judged: length of the sum. As above, swaps from several starts.
    """
    pushes = np.asarray(pushes, dtype=np.float64)
    count = len(pushes)
    if pushes.ndim != 3 or pushes.shape[1] != count or pushes.shape[2] != 2 or count < 3:
        raise InputError("unequal", "Give for each of the positions what each of as many casts adds, along and across.")
    if not np.isfinite(pushes).all():
        raise InputError("not-a-number", "Every measured error must be a number.")
    random = np.random.default_rng(seed)
    positions = np.arange(count)

    def size(order: Ints) -> float:
        return float(np.linalg.norm(pushes[positions, order].sum(axis=0)))

    starts = [positions, *(random.permutation(count) for _ in range(STARTS))]
    best = min((_swapped(pushes, start) for start in starts), key=size)
    drawn = [size(random.permutation(count)) for _ in range(200)]
    return Matching(best, size(positions), size(best), float(np.median(drawn)))


def _swapped(pushes: Floats, order: Ints) -> Ints:
    """The order after the best swap of two casts, again and again, until none brings the sum nearer to nothing."""
    positions = np.arange(len(order))
    order = np.array(order, dtype=np.int64)
    total = pushes[positions, order].sum(axis=0)
    while True:
        placed = pushes[:, order]  # (position, cast standing at position k, 2)
        own = pushes[positions, order]
        # Position i takes the cast of k and k that of i.
        change = placed + placed.transpose(1, 0, 2) - own[:, None] - own[None, :]
        sizes = np.linalg.norm(total + change, axis=2)
        i, k = np.unravel_index(int(np.argmin(sizes)), sizes.shape)
        if not sizes[i, k] < np.linalg.norm(total) * (1 - 1e-9) - 1e-12:
            return order
        order[[i, k]] = order[[k, i]]
        total = pushes[positions, order].sum(axis=0)


def _unevenness(sizes: Floats) -> float:
    return float(np.sqrt((((sizes + np.roll(sizes, -1)) / 2) ** 2).mean()))


def _zigzag(sizes: Floats) -> Ints:
    """Longest, shortest, second longest, second shortest and so on: mostly good, so a start."""
    ranked = np.argsort(-sizes, kind="stable")
    order = np.empty(len(sizes), dtype=np.int64)
    half = (len(sizes) + 1) // 2
    order[0::2] = ranked[:half]
    order[1::2] = ranked[half:][::-1]
    return order


def _improved(sizes: Floats, order: Ints) -> Ints:
    """The order after the best swap, again and again, until none makes the joints more even."""
    order = np.array(order, dtype=np.int64)
    count = len(order)
    while True:
        here = sizes[order]
        now = ((here + np.roll(here, -1)) ** 2).sum()
        best, pair = now * (1 - 1e-9) - 1e-12, None
        for i in range(count - 1):
            tried = np.repeat(here[None], count - 1 - i, axis=0)
            others = np.arange(i + 1, count)
            tried[np.arange(len(others)), others] = here[i]
            tried[:, i] = here[others]
            costs = ((tried + np.roll(tried, -1, axis=1)) ** 2).sum(axis=1)
            least = int(np.argmin(costs))
            if costs[least] < best:
                best, pair = costs[least], (i, int(others[least]))
        if pair is None:
            return order
        order[list(pair)] = order[list(pair[::-1])]


def _numbers(values: Floats) -> Floats:
    values = np.asarray(values, dtype=np.float64)
    if values.ndim != 1 or not len(values) or not np.isfinite(values).all():
        raise InputError("not-a-number", "Give one measured length for each cast; every one must be a number.")
    return values
