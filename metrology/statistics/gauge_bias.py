"""Bias and linearity of a gauge against reference values.

Bias is the mean reading minus the reference: positive reads too high. Linearity is how the bias changes along the
range, a straight line by least squares through every single bias (AIAG MSA, 4th edition, and NIST/SEMATECH e-Handbook
2.4.5, both from memory). Intervals by Student's t.
"""

from dataclasses import dataclass
from math import sqrt

import numpy as np
from scipy.special import stdtr, stdtrit

from metrology.bodies import Floats
from metrology.errors import InputError


@dataclass(frozen=True)
class Bias:
    """Of n readings of one reference, or of all together. sd: of the biases. low, high: interval of the bias. t, p:
    against no bias; None without spread.
    """

    reference: float | None
    n: int
    bias: float
    sd: float
    low: float
    high: float
    t: float | None
    p: float | None

    @property
    def told(self) -> bool:
        """Whether the interval leaves out zero."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True)
class Coefficient:
    value: float
    error: float
    low: float
    high: float
    t: float | None
    p: float | None

    @property
    def told(self) -> bool:
        return self.low > 0 or self.high < 0


@dataclass(frozen=True)
class Linearity:
    """bias = intercept + slope · reference. s: residual standard deviation. r2: None without spread of the bias.
    reference_mean, reference_squares: of the line's own interval.
    """

    slope: Coefficient
    intercept: Coefficient
    s: float
    r2: float | None
    n: int
    at: tuple[Bias, ...]
    overall: Bias
    reference_mean: float
    reference_squares: float
    confidence: float

    def band(self, reference: Floats) -> tuple[Floats, Floats, Floats]:
        """(low, fitted, high) of the mean bias at references."""
        fitted = self.intercept.value + self.slope.value * reference
        lever = np.sqrt(1 / self.n + (reference - self.reference_mean) ** 2 / self.reference_squares)
        half = _t(self.n - 2, self.confidence) * self.s * lever
        return fitted - half, fitted, fitted + half


def bias_of(biases: Floats, reference: float | None = None, confidence: float = 0.95) -> Bias:
    """biases: (n,) readings minus reference. Raises InputError: too-few below two, bad-share."""
    _check(confidence)
    x = np.asarray(biases, float)
    if x.size < 2:
        raise InputError("too-few", "Read each reference twice or more, to tell a bias from chance.")
    mean = float(x.mean())
    sd = float(x.std(ddof=1)) if np.ptp(x) > 0 else 0.0
    error = sd / sqrt(x.size)
    half = _t(x.size - 1, confidence) * error
    t = mean / error if error > 0 else None
    p = None if t is None else 2 * float(stdtr(x.size - 1, -abs(t)))
    return Bias(reference, x.size, mean, sd, mean - half, mean + half, t, p)


def linearity_of(references: Floats, readings: Floats, confidence: float = 0.95) -> Linearity:
    """references, readings: (n,) side by side. Raises InputError: unequal, too-few, one-reference, bad-share."""
    _check(confidence)
    x, y = np.asarray(references, float), np.asarray(readings, float)
    if x.shape != y.shape:
        raise InputError("unequal", "Give a reference value for every reading.")
    n = x.size
    if n < 3:
        raise InputError("too-few", "A line needs three readings or more.")
    squares = float(np.sum((x - x.mean()) ** 2))
    if np.ptp(x) == 0:
        raise InputError("one-reference", "All readings are of one reference, so nothing tells how the bias changes.")
    bias = y - x
    slope = float(np.sum((x - x.mean()) * (bias - bias.mean()))) / squares
    intercept = float(bias.mean() - slope * x.mean())
    residual = bias - intercept - slope * x
    # What is left of readings that follow the line exactly is rounding.
    least = 1e-13 * max(float(np.abs(y).max()), float(np.abs(x).max()))
    left = float(np.sum(residual**2)) if float(np.abs(residual).max()) > least else 0.0
    about = float(np.sum((bias - bias.mean()) ** 2)) if float(np.ptp(bias)) > least else 0.0
    s = sqrt(left / (n - 2))
    at = []
    for reference in np.unique(x):
        own = bias[x == reference]
        if own.size > 1:
            at.append(bias_of(own, float(reference), confidence))
    return Linearity(
        _coefficient(slope, s / sqrt(squares), n - 2, confidence),
        _coefficient(intercept, s * sqrt(1 / n + float(x.mean()) ** 2 / squares), n - 2, confidence),
        s,
        1 - left / about if about > 0 else None,
        n,
        tuple(at),
        bias_of(bias, None, confidence),
        float(x.mean()),
        squares,
        confidence,
    )


def _coefficient(value: float, error: float, dof: int, confidence: float) -> Coefficient:
    half = _t(dof, confidence) * error
    t = value / error if error > 0 else None
    return Coefficient(
        value, error, value - half, value + half, t, None if t is None else 2 * float(stdtr(dof, -abs(t)))
    )


def _t(dof: int, confidence: float) -> float:
    return float(stdtrit(dof, (1 + confidence) / 2))


def _check(confidence: float) -> None:
    if not 0 < confidence < 1:
        raise InputError("bad-share", "The confidence lies between 0 and 1 and reaches neither.")
