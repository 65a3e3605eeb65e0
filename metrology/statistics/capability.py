"""Process capability: Cp, Cpk, Cpm from the spread within subgroups, Pp, Ppk from the spread of all values.

Cp = (U − L)/6σ, Cpk = the nearer limit's distance from the mean ÷ 3σ, Cpm = (U − L)/(6 √(σ² + (mean − target)²)).
Intervals: Cp and Pp by χ² (Chou and others), Cpk and Ppk by Bissell's normal approximation, Cpm by Boyles' χ²
approximation. All from memory; the tests hold them against other libraries and simulation.
"""

from dataclasses import dataclass
from math import pi, sqrt

import numpy as np
from scipy.special import chdtri, ndtri

from metrology.bodies import Floats, Ints
from metrology.errors import InputError
from metrology.statistics.chart_constants import mean_sd, range_moments
from metrology.statistics.conformity import check_limits

METHODS = ("range", "sd", "pooled")


@dataclass(frozen=True)
class Within:
    """An estimate of the spread within subgroups. method: one of METHODS, or "moving range". sigma: its σ.
    dof: degrees of freedom that an s as sure as this one would have. groups: how many told something.
    """

    method: str
    sigma: float
    dof: float
    groups: int


@dataclass(frozen=True)
class Index:
    """An index with its two-sided confidence interval; low and high None where n is not known."""

    value: float
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Indices:
    """lower, upper: towards each limit (Cpl, Cpu). Those that need both limits are None with one; target: of m."""

    both: Index | None
    lower: Index | None
    upper: Index | None
    nearer: Index
    m: Index | None


# ---- spread ----------------------------------------------------------------------------------------------------------


def within_spread(values: Floats, groups: Ints, method: str = "range") -> Within:
    """values: (n,) in the order of making; groups: (n,) the subgroup of each. Subgroups of one are left out; when there
    are no others, the moving range of two neighbours is taken.

    range: mean of range ÷ d2; sd: mean of s ÷ c4; pooled: root of the pooled variance. Raises InputError: too-few.
    """
    x = np.asarray(values, float)
    order = np.argsort(groups, kind="stable")
    _, starts, sizes = np.unique(np.asarray(groups)[order], return_index=True, return_counts=True)
    if not (sizes > 1).any():
        return moving_spread(x)
    x = x[order]
    kept = sizes > 1
    low, high = np.minimum.reduceat(x, starts)[kept], np.maximum.reduceat(x, starts)[kept]
    mean = np.add.reduceat(x, starts) / sizes
    squares = np.add.reduceat((x - np.repeat(mean, sizes)) ** 2, starts)[kept]
    sizes = sizes[kept]
    count = int(sizes.size)
    if method == "pooled":
        dof = float(np.sum(sizes - 1))
        return Within(method, sqrt(float(squares.sum()) / dof), dof, count)
    kinds, place = np.unique(sizes, return_inverse=True)
    if method == "range":
        moments = np.array([range_moments(int(n)) for n in kinds])[place]
        each, variance = (high - low) / moments[:, 0], (moments[:, 1] / moments[:, 0]) ** 2
    elif method == "sd":
        c4 = np.array([mean_sd(int(n)) for n in kinds])[place]
        each, variance = np.sqrt(squares / (sizes - 1)) / c4, (1 - c4**2) / c4**2
    else:
        raise InputError("bad-method", f"“{method}” is no way to estimate the spread. Take {', '.join(METHODS)}.")
    return Within(method, float(each.mean()), count * count / (2 * float(variance.sum())), count)


def moving_spread(values: Floats) -> Within:
    """The mean of the ranges of two neighbours ÷ d2. Raises InputError: too-few below two values."""
    x = np.asarray(values, float)
    if x.size < 2:
        raise InputError("too-few", "One value tells nothing about the spread. Measure two or more.")
    m = x.size - 1
    # Neighbouring ranges share a value: their covariance, 2/π·(√3/2 + π/12 − 1)·2 with σ = 1, counts too.
    own, shared = 2 - 4 / pi, 4 / pi * (sqrt(3) / 2 + pi / 12 - 1)
    variance = (own + 2 * shared * (m - 1) / m) / m / (4 / pi)
    return Within("moving range", float(np.abs(np.diff(x)).mean()) / range_moments(2)[0], 1 / (2 * variance), m)


# ---- indices ---------------------------------------------------------------------------------------------------------


def indices(
    mean: float,
    sigma: float,
    lower: float | None,
    upper: float | None,
    target: float | None = None,
    *,
    n: int | None = None,
    dof: float | None = None,
    confidence: float = 0.95,
) -> Indices:
    """Capability of a process with this mean and spread sigma > 0 against the limits.

    target: for Cpm, the middle of the limits when None. n: values behind the mean; without it no intervals. dof: of the
    spread, n − 1 when None. Raises InputError: no-spread, no-limits, limits-swapped, bad-share.
    """
    check_limits(lower, upper)
    if not sigma > 0:
        raise InputError("no-spread", "Without spread there is no capability. Measure more finely, or take more.")
    if not 0 < confidence < 1:
        raise InputError("bad-share", "The confidence lies between 0 and 1 and reaches neither.")
    nu = None if n is None else (n - 1.0 if dof is None else dof)
    toward_low = None if lower is None else _one_sided((mean - lower) / (3 * sigma), n, nu, confidence)
    toward_high = None if upper is None else _one_sided((upper - mean) / (3 * sigma), n, nu, confidence)
    nearer = min((one for one in (toward_low, toward_high) if one is not None), key=lambda one: one.value)
    both = m = None
    if lower is not None and upper is not None:
        width = (upper - lower) / (6 * sigma)
        both = Index(width, *_chi(width, nu, confidence))
        off = (mean - ((lower + upper) / 2 if target is None else target)) / sigma
        value = width / sqrt(1 + off * off)
        boyles = None if n is None else n * (1 + off * off) ** 2 / (1 + 2 * off * off)
        m = Index(value, *_chi(value, boyles, confidence))
    return Indices(both, toward_low, toward_high, nearer, m)


def _one_sided(value: float, n: int | None, nu: float | None, confidence: float) -> Index:
    """Bissell: value ± z √(1/(9n) + value²/(2ν))."""
    if n is None or nu is None or nu <= 0:
        return Index(value, None, None)
    half = float(ndtri((1 + confidence) / 2)) * sqrt(1 / (9 * n) + value * value / (2 * nu))
    return Index(value, value - half, value + half)


def _chi(value: float, nu: float | None, confidence: float) -> tuple[float | None, float | None]:
    if nu is None or nu <= 0:
        return None, None
    low, high = (sqrt(float(chdtri(nu, tail)) / nu) for tail in ((1 + confidence) / 2, (1 - confidence) / 2))
    return value * low, value * high


# ---- without a normal distribution -----------------------------------------------------------------------------------

# Fewer values do not reach the 0.135 % of a tail: its percentile would be invented.
FEWEST_PERCENTILES = 1000


def percentile_indices(values: Floats, lower: float | None, upper: float | None) -> tuple[float | None, float] | None:
    """(Pp, Ppk) from the 0.135, 50 and 99.865 percentiles of the values themselves (ISO 22514-2, from memory), or None
    with fewer than FEWEST_PERCENTILES values or without spread. Pp is None with one limit.
    """
    check_limits(lower, upper)
    x = np.asarray(values, float)
    if x.size < FEWEST_PERCENTILES:
        return None
    low, middle, high = (float(q) for q in np.quantile(x, [0.00135, 0.5, 0.99865]))
    if high == middle or low == middle:
        return None
    sides = [(middle - lower) / (middle - low)] if lower is not None else []
    sides += [(upper - middle) / (high - middle)] if upper is not None else []
    return (None if lower is None or upper is None else (upper - lower) / (high - low)), min(sides)
