"""Statistical tolerance intervals: between which values a share of a whole series lies, with a stated confidence.

Normal factors are exact: the one-sided one is a quantile of the non-central t distribution, the two-sided one the root
of its integral (ISO 16269-6 and Krishnamoorthy & Mathew, from memory), both by quadrature. Distribution-free intervals
and sample sizes follow from the binomial distribution of how many values lie within (Wilks; ISO 16269-6, from memory).
"""

from collections.abc import Callable
from functools import lru_cache
from math import inf, sqrt

import numpy as np
from scipy.optimize import brentq
from scipy.special import bdtr, betaincinv, chdtrc, chdtri, ndtr, ndtri

from metrology.bodies import Floats
from metrology.errors import InputError

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(64)
_REACH = 8.5
MOST_ITEMS = 10_000_000


def one_sided_factor(n: int, share: float, confidence: float, dof: int | None = None) -> float:
    """k such that mean + k·s lies above at least this share with this confidence, n values, s on dof (n − 1).

    n must be 2 or more, share and confidence between 0 and 1, both excluded. Raises InputError: too-few, bad-share.
    """
    nu = _check(n, share, confidence, dof)
    z, root = float(ndtri(share)), sqrt(n)
    s, weight = _spread_nodes(nu)

    def off(k: float) -> float:
        return float(np.sum(weight * ndtr(root * (k * s - z)))) - confidence

    return _root(off, z)


def two_sided_factor(n: int, share: float, confidence: float, dof: int | None = None) -> float:
    """k such that mean ± k·s holds at least this share with this confidence, n values, s on dof (n − 1).

    Raises InputError: too-few, bad-share.
    """
    nu = _check(n, share, confidence, dof)
    reach = _REACH / sqrt(n)
    x = reach * (_NODES + 1) / 2
    weight = _WEIGHTS * reach * sqrt(n / (2 * np.pi)) * np.exp(-0.5 * n * x * x)
    needed = nu * _half_width(x, share) ** 2

    def off(k: float) -> float:
        return float(np.sum(weight * chdtrc(nu, needed / (k * k)))) - confidence

    return _root(off, float(ndtri((1 + share) / 2)), least=1e-9)


def _half_width(x: Floats, share: float) -> Floats:
    """r with Φ(x + r) − Φ(x − r) = share, for x ≥ 0: Newton's way from r = x + z, where the curve bends one way."""
    r = x + float(ndtri((1 + share) / 2))
    for _ in range(60):
        # The difference of the tails keeps its digits where both are near one.
        miss = (1 - share) - (ndtr(-x - r) + ndtr(x - r))
        slope = (np.exp(-0.5 * (x + r) ** 2) + np.exp(-0.5 * (x - r) ** 2)) / sqrt(2 * np.pi)
        step = miss / np.maximum(slope, 1e-300)
        r = r - np.clip(step, -0.5, 0.5)
        if float(np.max(np.abs(step))) < 1e-13:
            break
    return r


@lru_cache(maxsize=64)
def _spread_nodes(nu: int) -> tuple[Floats, Floats]:
    """Nodes s and weights for means over the distribution of s/σ on nu degrees of freedom."""
    low, high = (sqrt(float(chdtri(nu, p)) / nu) for p in (1 - 1e-16, 1e-17))
    # Few degrees of freedom: s may be near zero, where a great factor decides. Panels shrink towards it.
    edges = np.linspace(low, high, 7) if nu > 30 else np.concatenate([[0.0], high * 2.0 ** np.arange(-18.0, 1.0)])
    half = np.diff(edges)[:, None] / 2
    s: Floats = ((edges[1:, None] + edges[:-1, None]) / 2 + half * _NODES).ravel()
    with np.errstate(divide="ignore"):
        log = (nu - 1) * np.log(s) - nu * (s * s - 1) / 2
    weight = np.exp(log - log.max()) * (half * _WEIGHTS).ravel()
    return s, weight / weight.sum()


def _root(off: Callable[[float], float], start: float, least: float = -inf) -> float:
    """The k at which a rising function crosses zero, near `start`."""
    low, high, width = start, start, 0.5
    while off(high) < 0:
        low, high, width = high, high + width, 2 * width
        if high > 1e12:
            raise InputError("no-factor", "With so few values no factor gives this confidence. Take more.")
    width = 0.5
    while off(low) > 0:
        low, high, width = max(low - width, least), low, 2 * width
        if low <= least:
            return least
    return float(brentq(off, low, high, xtol=1e-13, rtol=1e-14))


def _check(n: int, share: float, confidence: float, dof: int | None) -> int:
    nu = n - 1 if dof is None else dof
    if n < 1 or nu < 1:
        raise InputError("too-few", "At least two values are needed to know a spread.")
    if not (0 < share < 1 and 0 < confidence < 1):
        raise InputError("bad-share", "Share and confidence lie between 0 and 1 and reach neither.")
    return nu


# ---- how much of a series conforms -----------------------------------------------------------------------------------


def share_below(distance: float, n: int, confidence: float) -> float:
    """Lower confidence bound on the share of a normal series below a limit that lies `distance` standard deviations s
    above the mean of n values: the share whose one-sided factor is that distance.
    """
    return _share_for(lambda share: one_sided_factor(n, share, confidence), distance)


def share_between(distance: float, n: int, confidence: float) -> float:
    """The same for two limits, the nearer of which lies `distance` standard deviations from the mean: the share whose
    two-sided factor is that distance. On the safe side when the mean lies off the middle. 0 for a distance below zero.
    """
    if distance <= 0:
        return 0.0
    return _share_for(lambda share: two_sided_factor(n, share, confidence), distance)


def _share_for(factor: Callable[[float], float], distance: float) -> float:
    """On the scale of normal quantiles, where factors are nearly straight."""

    def off(z: float) -> float:
        return factor(float(ndtr(z))) - distance

    low, high = -8.0, 8.0
    if off(high) <= 0:
        return float(ndtr(high))
    if off(low) >= 0:
        return 0.0
    return float(ndtr(brentq(off, low, high, xtol=1e-10)))


# ---- distribution-free -----------------------------------------------------------------------------------------------


def free_confidence(n: int, share: float, left_out: int) -> float:
    """Confidence that the interval between two of n sorted values holds at least this share.

    left_out: how many of the n + 1 gaps lie outside it: 1 for everything below the greatest value, 2 from the least to
    the greatest, 3 with one more value left out on a side, and so on.
    """
    return float(bdtr(n - left_out, n, share)) if left_out <= n else 0.0


def free_sample_size(share: float, confidence: float, left_out: int) -> int:
    """The fewest values for which that interval has the confidence. Raises InputError: bad-share, too-many."""
    if not (0 < share < 1 and 0 < confidence < 1):
        raise InputError("bad-share", "Share and confidence lie between 0 and 1 and reach neither.")
    return _fewest(lambda n: free_confidence(n, share, left_out) >= confidence, left_out)


def free_left_out(n: int, share: float, confidence: float) -> int:
    """The most gaps that may be left out of n values; 0 when even all of them are too few."""
    low, high = 0, n
    while low < high:
        middle = (low + high + 1) // 2
        if free_confidence(n, share, middle) >= confidence:
            low = middle
        else:
            high = middle - 1
    return low


# ---- pass and fail ---------------------------------------------------------------------------------------------------


def run_size(share: float, confidence: float, failures: int) -> int:
    """The fewest trials of which at most so many fail, to show this share with this confidence (success run)."""
    if not (0 < share < 1 and 0 < confidence < 1):
        raise InputError("bad-share", "Share and confidence lie between 0 and 1 and reach neither.")
    return _fewest(lambda n: float(bdtr(failures, n, 1 - share)) <= 1 - confidence + 1e-15, failures + 1)


def clopper_pearson(count: int, n: int, low_tail: float, high_tail: float) -> tuple[float, float]:
    """Exact interval for a share, of which `count` in n were seen; tails are the error allowed on each side.

    With none seen the lower end is 0, with all seen the upper end is 1. Raises InputError: bad-count.
    """
    if not 0 <= count <= n or n < 1:
        raise InputError("bad-count", f"{count} of {n} is not possible. Give a count from 0 to the number of trials.")
    low = float(betaincinv(count, n - count + 1, low_tail)) if count and low_tail > 0 else 0.0
    high = float(betaincinv(count + 1, n - count, 1 - high_tail)) if count < n and high_tail > 0 else 1.0
    return low, high


def _fewest(enough: Callable[[int], bool], least: int) -> int:
    high = max(least, 1)
    while not enough(high):
        high *= 2
        if high > MOST_ITEMS:
            raise InputError("too-many", f"More than {MOST_ITEMS} values would be needed. Ask for less.")
    low = max(least - 1, high // 2)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high
