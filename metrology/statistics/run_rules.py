"""Run rules of control charts: patterns of points that chance alone makes rarely.

Each rule looks at the points as distances from the centre line in standard deviations of the plotted value. It holds at
the last point of its pattern, which must itself lie in the zone of the rule. A point on a border is not beyond it, a
point on the centre line is on neither side. Western Electric, Statistical Quality Control Handbook (1956), and Nelson,
Journal of Quality Technology 16 (1984), both from memory.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from metrology.bodies import Floats, Ints
from metrology.errors import InputError

Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Rule:
    """name: stable, for records. says: the pattern, as "8 points in a row on one side of the centre line"."""

    name: str
    says: str


BEYOND = "beyond-limits"
TWO_OF_THREE = "two-of-three"
FOUR_OF_FIVE = "four-of-five"
RUN = "run-on-one-side"
TREND = "trend"
ALTERNATING = "alternating"
NEAR_CENTRE = "near-centre"
AWAY_FROM_CENTRE = "away-from-centre"

# The rules of each set, and how long its run on one side is.
SETS: dict[str, tuple[tuple[str, ...], int]] = {
    "western-electric": ((BEYOND, TWO_OF_THREE, FOUR_OF_FIVE, RUN), 8),
    "nelson": ((BEYOND, RUN, TREND, ALTERNATING, TWO_OF_THREE, FOUR_OF_FIVE, NEAR_CENTRE, AWAY_FROM_CENTRE), 9),
    "limits-only": ((BEYOND,), 8),
}


def rules(chosen: str, run_length: int | None = None) -> tuple[Rule, ...]:
    """The rules of a set, in its order. run_length: of the run on one side, the set's own when None.

    Raises InputError: bad-rules, bad-run.
    """
    if chosen not in SETS:
        raise InputError("bad-rules", f"“{chosen}” is no set of rules. Take one of {', '.join(SETS)}.")
    names, usual = SETS[chosen]
    length = usual if run_length is None else run_length
    if length < 2:
        raise InputError("bad-run", "A run has two points or more.")
    said = {
        BEYOND: "a point beyond a limit",
        TWO_OF_THREE: "2 of 3 points beyond 2 standard deviations on one side",
        FOUR_OF_FIVE: "4 of 5 points beyond 1 standard deviation on one side",
        RUN: f"{length} points in a row on one side of the centre line",
        TREND: "6 points in a row rising, or falling",
        ALTERNATING: "14 points in a row going up and down in turn",
        NEAR_CENTRE: "15 points in a row within 1 standard deviation",
        AWAY_FROM_CENTRE: "8 points in a row beyond 1 standard deviation on either side",
    }
    return tuple(Rule(name, said[name]) for name in names)


def hits(z: Floats, run_length: int = 8) -> dict[str, Ints]:
    """Where each rule holds: the places (from 0) of the last points of its patterns, in order.

    z: (k,) distances from the centre line in standard deviations, in order of time.
    """
    # Rounded, so that a point on a border stays there whatever the last digit says.
    z = np.round(np.asarray(z, float), 9)
    high, low, step = z > 0, z < 0, np.diff(z)
    up, down = _padded(step > 0), _padded(step < 0)
    turn = np.zeros(z.size, bool)
    turn[2:] = step[1:] * step[:-1] < 0
    found = {
        BEYOND: np.abs(z) > 3,
        TWO_OF_THREE: _of(z > 2, 2, 3) | _of(z < -2, 2, 3),
        FOUR_OF_FIVE: _of(z > 1, 4, 5) | _of(z < -1, 4, 5),
        RUN: _of(high, run_length, run_length) | _of(low, run_length, run_length),
        TREND: _of(up, 5, 5) | _of(down, 5, 5),
        ALTERNATING: _of(turn, 12, 12),
        NEAR_CENTRE: _of(np.abs(z) < 1, 15, 15),
        AWAY_FROM_CENTRE: _of(np.abs(z) > 1, 8, 8),
    }
    return {name: np.flatnonzero(there).astype(np.int64) for name, there in found.items()}


def _padded(steps: Bools) -> Bools:
    """A step belongs to the point at which it ends; the first point has none."""
    return np.concatenate([[False], steps]) if steps.size else np.zeros(1, bool)


def _of(there: Bools, needed: int, last: int) -> Bools:
    """Where at least `needed` of the last `last` hold, the newest among them."""
    sums = np.concatenate([[0], np.cumsum(there)])
    end = np.arange(1, there.size + 1)
    enough: Bools = there & (sums[end] - sums[np.maximum(end - last, 0)] >= needed)
    return enough
