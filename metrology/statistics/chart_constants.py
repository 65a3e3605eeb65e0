"""Constants of control charts, by numerical integration over the normal distribution.

For samples of n normal values with σ = 1: d2 is the mean of the range, d3 its standard deviation, c4 the mean of the
sample standard deviation s. The distribution of the range, n ∫ φ(x) (Φ(x+w) − Φ(x))^(n−1) dx, is that of Tippett (from
memory); the factors A2 … E2 follow from the three as in ISO 7870-2 and ASTM E2587 (from memory).
"""

from dataclasses import dataclass
from functools import lru_cache
from math import exp, lgamma, pi, sqrt

import numpy as np
from scipy.special import ndtr

from metrology.errors import InputError

LARGEST_SUBGROUP = 1000
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(160)
_WIDEST = 16.0
_X = np.linspace(-10.0, 10.0, 601)


@dataclass(frozen=True)
class ChartConstants:
    """Of subgroups of n values. The limits of a chart lie 3 standard deviations from its centre line.

    a2, a3: mean ± a2·(mean range), mean ± a3·(mean s). big_d3, big_d4: times the mean range; b3, b4: times the mean s.
    e2: 3/d2, for single values about their mean from ranges of n.
    """

    n: int
    d2: float
    d3: float
    c4: float
    a2: float
    a3: float
    big_d3: float
    big_d4: float
    b3: float
    b4: float
    e2: float


@lru_cache(maxsize=256)
def range_moments(n: int) -> tuple[float, float]:
    """(d2, d3) of n values, to about 1e-10. Raises InputError: bad-subgroup for n below 2 or above LARGEST_SUBGROUP."""
    _check(n)
    w = _WIDEST * (_NODES + 1) / 2
    weight = _WEIGHTS * _WIDEST / 2
    density = np.exp(-0.5 * _X * _X) / sqrt(2 * pi)
    # The tails are subtracted where they are small, so that the difference keeps its digits.
    between = np.where(_X > 0, ndtr(-_X) - ndtr(-_X - w[:, None]), ndtr(_X + w[:, None]) - ndtr(_X))
    narrower = n * np.sum(density * between ** (n - 1), axis=1) * (_X[1] - _X[0])
    wider = 1.0 - narrower
    first, second = float(weight @ wider), float(2 * weight @ (w * wider))
    return first, sqrt(second - first * first)


def mean_range(n: int) -> float:
    """d2."""
    return range_moments(n)[0]


def mean_sd(n: int) -> float:
    """c4 = √(2/(n−1)) Γ(n/2) / Γ((n−1)/2), a closed form. Raises InputError: bad-subgroup below 2."""
    if n < 2:
        raise InputError("bad-subgroup", "A standard deviation needs two values or more.")
    return sqrt(2 / (n - 1)) * exp(lgamma(n / 2) - lgamma((n - 1) / 2))


def mean_range_of(n: int, groups: int) -> float:
    """d2*: the root of the mean square of the mean of `groups` ranges, √(d2² + d3²/groups). For few ranges it gives a
    variance without bias (Duncan, from memory).
    """
    d2, d3 = range_moments(n)
    return sqrt(d2 * d2 + d3 * d3 / groups)


@lru_cache(maxsize=256)
def chart_constants(n: int) -> ChartConstants:
    """All constants of subgroups of n values. Raises InputError: bad-subgroup."""
    d2, d3 = range_moments(n)
    c4 = mean_sd(n)
    wide, wide_s = 3 * d3 / d2, 3 * sqrt(1 - c4 * c4) / c4
    return ChartConstants(
        n=n,
        d2=d2,
        d3=d3,
        c4=c4,
        a2=3 / (d2 * sqrt(n)),
        a3=3 / (c4 * sqrt(n)),
        big_d3=max(0.0, 1 - wide),
        big_d4=1 + wide,
        b3=max(0.0, 1 - wide_s),
        b4=1 + wide_s,
        e2=3 / d2,
    )


def _check(n: int) -> None:
    if not 2 <= n <= LARGEST_SUBGROUP:
        raise InputError("bad-subgroup", f"Subgroups have 2 to {LARGEST_SUBGROUP} values; {n} is not possible.")
