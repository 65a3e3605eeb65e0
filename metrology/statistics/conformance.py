"""How probable it is that an item conforms, and what accepting or refusing it by a measurement risks.

JCGM 106:2012, clauses 7 and 9 (from memory): normal distributions of process and measurement.
"""

from dataclasses import dataclass
from math import inf, sqrt

import numpy as np
from scipy.special import ndtr, ndtri

from metrology.bodies import Floats
from metrology.errors import InputError

# Panels and nodes of the quadrature over the process: far beyond what a float can show.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(16)
_PANELS = 160
_REACH = 9.0


@dataclass(frozen=True)
class Risks:
    """Shares of all items. consumer: accepted though they do not conform. producer: refused though they conform.
    conforming: items that conform. accepted: items that are accepted.
    """

    consumer: float
    producer: float
    conforming: float
    accepted: float


def conformance_probability(value: float, u: float, lower: float | None, upper: float | None) -> float:
    """Probability that the true value lies within the limits, given a normal state of knowledge (value, u).

    u = 0: one inside or on a limit, else zero. Raises InputError: no-limits, limits-swapped, negative-uncertainty.
    """
    low, high = limits_of(lower, upper)
    check_u(u)
    if u == 0:
        return 1.0 if low <= value <= high else 0.0
    above, below = (value - low) / u, (high - value) / u
    # From the near side, so that a small probability keeps its digits.
    return float(ndtr(above) - ndtr(-below)) if above < below else float(ndtr(below) - ndtr(-above))


def with_prior(value: float, u: float, mean: float, sd: float) -> tuple[float, float]:
    """What is known of an item from its measurement and the process it comes from: (estimate, standard uncertainty).

    JCGM 106, 7.2: both normal. Raises InputError: bad-spread (sd not above zero), negative-uncertainty.
    """
    check_u(u)
    if not sd > 0:
        raise InputError("bad-spread", "The spread of the process must be above zero. Leave it out when it is unknown.")
    weight = sd * sd / (sd * sd + u * u)
    return weight * value + (1 - weight) * mean, sqrt(weight) * u


def acceptance_limits(
    u: float, lower: float | None, upper: float | None, wanted: float
) -> tuple[float | None, float | None] | None:
    """The measured values from which on an item conforms with at least this probability; None: no value does.

    An end without a limit is None. By bisection where both limits matter (JCGM 106, 8.3.3).
    """
    low, high = limits_of(lower, upper)
    check_u(u)
    guard = float(ndtri(wanted)) * u
    if lower is None or upper is None:
        return (None if lower is None else low + guard), (None if upper is None else high - guard)
    middle = (low + high) / 2
    if conformance_probability(middle, u, low, high) < wanted:
        return None
    inner, outer = middle, low + min(guard, 0.0)
    for _ in range(200):
        half = (inner + outer) / 2
        inside = conformance_probability(half, u, low, high) >= wanted
        inner, outer = (half, outer) if inside else (inner, half)
    return inner, low + high - inner


def global_risks(mean: float, sd: float, u: float, lower: float | None, upper: float | None, guard: float) -> Risks:
    """Risks of a rule over all items of a normal process (mean, sd), each measured once with standard uncertainty u.

    Accepted is what measures within the limits moved inwards by `guard` (negative: outwards). JCGM 106, 9.5.
    Raises InputError: no-limits, limits-swapped, negative-uncertainty, bad-spread.
    """
    low, high = limits_of(lower, upper)
    check_u(u)
    if not sd > 0:
        raise InputError("bad-spread", "The spread of the process must be above zero.")
    start, end = low + guard, high - guard
    conforming = float(ndtr((high - mean) / sd) - ndtr((low - mean) / sd))
    if start > end:
        return Risks(0.0, conforming, conforming, 0.0)
    spread = sqrt(sd * sd + u * u)
    accepted = float(ndtr((end - mean) / spread) - ndtr((start - mean) / spread))
    if u == 0:
        good = max(0.0, float(ndtr((min(end, high) - mean) / sd) - ndtr((max(start, low) - mean) / sd)))
        return Risks(accepted - good, conforming - good, conforming, accepted)
    wrong = _accepted(-inf, low, mean, sd, u, start, end) + _accepted(high, inf, mean, sd, u, start, end)
    return Risks(wrong, max(conforming - (accepted - wrong), 0.0), conforming, accepted)


def _accepted(first: float, last: float, mean: float, sd: float, u: float, start: float, end: float) -> float:
    """Share of items whose true value lies from first to last and which measure from start to end."""
    first, last = max(first, mean - _REACH * sd), min(last, mean + _REACH * sd)
    if first >= last:
        return 0.0
    # Panels follow the process and, closely, the ends of acceptance, where the measurement decides.
    near = np.concatenate(
        [np.linspace(edge - _REACH * u, edge + _REACH * u, _PANELS) for edge in (start, end) if abs(edge) < inf]
    )
    marks = np.unique(np.clip(np.concatenate([np.linspace(first, last, _PANELS), near]), first, last))
    half = np.diff(marks)[:, None] / 2
    true: Floats = (marks[1:, None] + marks[:-1, None]) / 2 + half * _NODES
    density = np.exp(-0.5 * ((true - mean) / sd) ** 2) / (sd * sqrt(2 * np.pi))
    taken = ndtr((end - true) / u) - ndtr((start - true) / u)
    return float(np.sum(half * _WEIGHTS * density * taken))


def limits_of(lower: float | None, upper: float | None) -> tuple[float, float]:
    """Both limits, infinite where there is none. Raises InputError: no-limits, limits-swapped."""
    if lower is None and upper is None:
        raise InputError("no-limits", "There is no limit to compare with. Give a lower limit, an upper limit or both.")
    low, high = (-inf if lower is None else lower), (inf if upper is None else upper)
    if low > high:
        raise InputError("limits-swapped", "The lower limit is above the upper limit. Exchange the two.")
    return low, high


def check_u(u: float) -> None:
    if u < 0:
        raise InputError("negative-uncertainty", "The standard uncertainty is negative. Give zero or more.")
