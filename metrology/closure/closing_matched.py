"""Measured casts dealt into sets that go together, so that each assembly closes best."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.optimize import linear_sum_assignment

from metrology.bodies import Floats
from metrology.closure.closing import Member, PartLoop


def matched_sets(loop: PartLoop, minimum: int) -> tuple[tuple[str, ...], Floats] | None:
    """Casts dealt into sets so that each set's gap comes nearest to the middle of the limits: (serials of each set,
    what the cast members add to its gap, (sets,)). None where that cannot be done: a formula or a ring, one limit
    only, or fewer than two whole sets.
    """
    cast = [one for one in loop.members if one.from_casts(minimum)]
    if loop.formula or loop.ring or loop.lower is None or loop.upper is None or not cast:
        return None
    sets = min(len(one.casts) // one.times for one in cast)
    if sets < 2:
        return None
    rest = sum(one.sensitivity * one.times * (one.lower + one.upper) / 2 for one in loop.members if one not in cast)
    wanted = (loop.lower + loop.upper) / 2 - rest
    typical = {one.name: one.sensitivity * float(np.mean([value for _, value in one.casts])) for one in cast}
    slots = [one for one in cast for _ in range(one.times)]
    left = {one.name: sorted(one.casts, key=lambda pair: (pair[1], pair[0])) for one in cast}
    sums = np.zeros(sets)
    serials: list[list[str]] = [[] for _ in range(sets)]
    for place, one in enumerate(slots):
        to_come = sum(typical[other.name] for other in slots[place + 1 :])
        pool = left[one.name]
        added = one.sensitivity * np.array([value for _, value in pool])
        cost = (sums[:, None] + added[None, :] + to_come - wanted) ** 2
        _, chosen = linear_sum_assignment(cost)
        for number, pick in enumerate(chosen):
            sums[number] += added[pick]
            serials[number].append(pool[pick][0])
        left[one.name] = [pair for pick, pair in enumerate(pool) if pick not in set(chosen)]
    return tuple(", ".join(one) for one in serials), sums


def matched(loop: PartLoop, minimum: int) -> PartLoop | None:
    """The loop with its casts matched: the sets stand in it as one member, to be judged with a minimum of 2. None as
    `matched_sets`."""
    found = matched_sets(loop, minimum)
    if found is None:
        return None
    serials, sums = found
    rest: Sequence[Member] = [replace(one, casts=()) for one in loop.members if not one.from_casts(minimum)]
    values = tuple(zip(serials, (float(value) for value in sums), strict=True))
    middle = float(sums.mean())
    sets = Member("matched sets", middle, float(sums.min()), float(sums.max()), part="matched", casts=values)
    return replace(loop, members=(*rest, sets))
