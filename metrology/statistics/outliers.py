"""Grubbs' test for one outlier among normal values.

G = largest |x − mean| ÷ s. Its critical value is (n−1)/√n · √(t²/(n−2+t²)) with t the upper α/n quantile of Student's t
on n − 2 degrees of freedom when the side is named beforehand, α/(2n) when it is not (Grubbs; ASTM E178, from memory).
"""

from dataclasses import dataclass
from math import sqrt

import numpy as np
from scipy.special import stdtr, stdtrit

from metrology.bodies import Floats
from metrology.errors import InputError


@dataclass(frozen=True)
class Grubbs:
    """index: of the value furthest from the mean (on the side asked for). g: its distance in s. critical: at `alpha`.
    p: bound on the chance of a g as large without an outlier. outlier: g is above the critical value.
    """

    index: int
    g: float
    critical: float
    p: float
    outlier: bool


def critical_g(n: int, alpha: float = 0.05, two_sided: bool = True) -> float:
    """The G that chance exceeds with probability alpha. Raises InputError: too-few below 3 values, bad-share."""
    if n < 3:
        raise InputError("too-few", "Grubbs' test needs three values or more.")
    if not 0 < alpha < 1:
        raise InputError("bad-share", "The level lies between 0 and 1 and reaches neither.")
    t = -float(stdtrit(n - 2, alpha / (2 * n if two_sided else n)))
    return (n - 1) / sqrt(n) * sqrt(t * t / (n - 2 + t * t))


def grubbs(values: Floats, alpha: float = 0.05, side: str = "both") -> Grubbs:
    """values: (n,). side: "both", "high" or "low". Raises InputError: too-few, no-spread, bad-share."""
    x = np.asarray(values, float)
    n = x.size
    critical = critical_g(n, alpha, side == "both")
    s = float(x.std(ddof=1))
    if x.max() == x.min() or s == 0:
        raise InputError("no-spread", "All values are the same, so none lies out. Measure more finely.")
    off = (x - x.mean()) / s
    far = np.abs(off) if side == "both" else off if side == "high" else -off
    index = int(np.argmax(far))
    g = float(far[index])
    room = (n - 1) ** 2 - n * g * g
    if g <= 0:
        p = 1.0
    elif room <= 1e-12 * n * n:
        p = 0.0
    else:
        t = sqrt(n * (n - 2) * g * g / room)
        p = min(1.0, (2 * n if side == "both" else n) * float(stdtr(n - 2, -t)))
    return Grubbs(index, g, critical, p, g > critical)
