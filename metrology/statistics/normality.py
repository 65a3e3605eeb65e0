"""Evidence for and against a normal distribution: Anderson–Darling and Shapiro–Wilk.

Anderson–Darling with mean and standard deviation estimated, A* = A²(1 + 0.75/n + 2.25/n²) and its p-values by
D'Agostino and Stephens (from memory); Shapiro–Wilk by Royston's approximation AS R94 (from memory). The tests hold both
against another library. No test shows that values are normal: it only finds evidence against that, or does not.
"""

from dataclasses import dataclass
from math import asin, exp, log, pi, sqrt

import numpy as np
from scipy.special import log_ndtr, ndtr, ndtri

from metrology.bodies import Floats

FEWEST_ANDERSON, FEWEST_SHAPIRO, MOST_SHAPIRO = 8, 3, 5000


@dataclass(frozen=True)
class Normality:
    """a2, a2_star: Anderson–Darling; w: Shapiro–Wilk; each with its p-value, None where n is out of its reach.

    word: "no evidence against normality", "not normal", "too few values to tell" or "no spread".
    """

    a2: float | None
    a2_star: float | None
    a2_p: float | None
    w: float | None
    w_p: float | None
    word: str

    @property
    def refuted(self) -> bool:
        return self.word == "not normal"


def normality(values: Floats, alpha: float = 0.05) -> Normality:
    """values: (n,) finite. alpha: below this p-value of either test the values are called not normal. With fewer than
    FEWEST_ANDERSON values and nothing found, the word is "too few values to tell".
    """
    x = np.sort(np.asarray(values, float))
    n = x.size
    if n < FEWEST_SHAPIRO:
        return Normality(None, None, None, None, None, "too few values to tell")
    if x[-1] == x[0]:
        return Normality(None, None, None, None, None, "no spread")
    a2, a2_star, a2_p = anderson_darling(x) if n >= FEWEST_ANDERSON else (None, None, None)
    w, w_p = shapiro_wilk(x) if n <= MOST_SHAPIRO else (None, None)
    if any(p is not None and p < alpha for p in (a2_p, w_p)):
        word = "not normal"
    else:
        word = "no evidence against normality" if n >= FEWEST_ANDERSON else "too few values to tell"
    return Normality(a2, a2_star, a2_p, w, w_p, word)


def anderson_darling(x: Floats) -> tuple[float, float, float]:
    """(A², A*, p) of sorted values with spread."""
    n = x.size
    z = (x - x.mean()) / x.std(ddof=1)
    i = np.arange(1, n + 1)
    a2 = float(-n - np.mean((2 * i - 1) * (log_ndtr(z) + log_ndtr(-z[::-1]))))
    a = a2 * (1 + 0.75 / n + 2.25 / n**2)
    return a2, a, anderson_p(a)


def anderson_p(a: float) -> float:
    """The p-value of an adjusted A*."""
    if a < 0.2:
        p = 1 - exp(-13.436 + 101.14 * a - 223.73 * a * a)
    elif a < 0.34:
        p = 1 - exp(-8.318 + 42.796 * a - 59.938 * a * a)
    elif a < 0.6:
        p = exp(0.9177 - 4.279 * a - 1.38 * a * a)
    else:
        # The parabola turns upwards again far out: held at its least from there on.
        a_held = min(a, 13.0)
        p = exp(1.2937 - 5.709 * a_held + 0.0186 * a_held * a_held)
    return min(1.0, max(0.0, p))


def shapiro_wilk(x: Floats) -> tuple[float, float]:
    """(W, p) of sorted values with spread, 3 to 5000 of them."""
    n = x.size
    a = _weights(n)
    centred = x - x.mean()
    w = min(1.0, float((a @ centred) ** 2 / (centred @ centred)))
    if n == 3:
        return w, max(0.0, 6 / pi * (asin(sqrt(w)) - asin(sqrt(0.75))))
    if w >= 1:
        return 1.0, 1.0
    if n <= 11:
        turn = -2.273 + 0.459 * n
        if log(1 - w) >= turn:
            return w, 1e-99
        y = -log(turn - log(1 - w))
        mean = 0.5440 - 0.39978 * n + 0.025054 * n**2 - 0.0006714 * n**3
        sd = exp(1.3822 - 0.77857 * n + 0.062767 * n**2 - 0.0020322 * n**3)
    else:
        size, y = log(n), log(1 - w)
        mean = -1.5861 - 0.31082 * size - 0.083751 * size**2 + 0.0038915 * size**3
        sd = exp(-0.4803 - 0.082676 * size + 0.0030302 * size**2)
    return w, float(ndtr(-(y - mean) / sd))


def _weights(n: int) -> Floats:
    """Royston's weights of the sorted values, of unit length."""
    if n == 3:
        return np.array([-sqrt(0.5), 0.0, sqrt(0.5)])
    m = ndtri((np.arange(1, n + 1) - 0.375) / (n + 0.25))
    squares = float(m @ m)
    u = 1 / sqrt(n)
    last = m[-1] / sqrt(squares) + np.polyval([-2.706056, 4.434685, -2.071190, -0.147981, 0.221157, 0.0], u)
    a: Floats
    if n <= 5:
        a = m / sqrt((squares - 2 * m[-1] ** 2) / (1 - 2 * last**2))
    else:
        next_last = m[-2] / sqrt(squares) + np.polyval([-3.582633, 5.682633, -1.752461, -0.293762, 0.042981, 0.0], u)
        rest = squares - 2 * m[-1] ** 2 - 2 * m[-2] ** 2
        a = m / sqrt(rest / (1 - 2 * last**2 - 2 * next_last**2))
        a[-2], a[1] = next_last, -next_last
    a[-1], a[0] = last, -last
    return a
