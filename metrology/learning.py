"""Learning curves: how the hours of a unit fall as units are made. Hours in any unit of time; units counted from 1.

Crawford: the hours of unit x are T₁ x^b. Wright: the average over the first x units is T₁ x^b. b = log₂ of the rate.
Crawford's total is summed unit by unit, never by the integral; Wright's unit is the difference of two totals.
"""

from dataclasses import dataclass
from math import log2
from typing import Literal

import numpy as np
from scipy.special import stdtrit

from metrology.bodies import Floats
from metrology.errors import InputError

Model = Literal["crawford", "wright"]
MOST_UNITS = 1_000_000


def slope_of(rate: float) -> float:
    """b of a learning rate: 0.8 means that each doubling takes the hours to 80 %. Raises InputError (rate)."""
    if not 0 < rate <= 2:
        raise InputError("rate", "A learning rate lies above 0 % and up to 200 %; 80 % is a common one.")
    return log2(rate)


def units(model: Model, first: float, slope: float, upto: int) -> Floats:
    """Hours of each unit 1 … upto, (upto,)."""
    if not 1 <= upto <= MOST_UNITS:
        raise InputError("units", f"Count from 1 to {MOST_UNITS} units.")
    number = np.arange(1, upto + 1, dtype=np.float64)
    if model == "crawford":
        crawford: Floats = first * number**slope
        return crawford
    totals = first * number ** (slope + 1)
    wright: Floats = np.diff(totals, prepend=0.0)
    return wright


def total(model: Model, first: float, slope: float, upto: int) -> float:
    """Hours of units 1 … upto together: for Crawford the exact sum, smallest first; for Wright T₁ x^(1 + b)."""
    if model == "wright":
        return float(first * float(upto) ** (slope + 1))
    return float(units(model, first, slope, upto)[::-1].sum())


@dataclass(frozen=True)
class Learned:
    """A straight line of ln hours over ln unit, by least squares. slope_se, ln_first_se: standard errors, None with two
    trials. s: standard deviation of ln hours about the line. covariance of (ln T₁, b)."""

    model: Model
    first: float
    slope: float
    slope_se: float | None
    s: float | None
    freedom: int
    covariance: Floats
    low: float
    high: float

    @property
    def rate(self) -> float:
        return float(2**self.slope)

    def rate_interval(self, confidence: float) -> tuple[float, float] | None:
        if self.slope_se is None:
            return None
        half = float(stdtrit(self.freedom, 0.5 + confidence / 2)) * self.slope_se
        return float(2 ** (self.slope - half)), float(2 ** (self.slope + half))

    def interval(self, number: float, confidence: float, *, one: bool) -> tuple[float, float] | None:
        """Of the curve at a unit, or (one) of one further unit there, as a factor on hours, symmetric in ln."""
        if self.s is None:
            return None
        at = np.array([1.0, np.log(number)])
        variance = max(float(at @ self.covariance @ at), 0.0) + (self.s**2 if one else 0.0)
        half = float(stdtrit(self.freedom, 0.5 + confidence / 2)) * float(np.sqrt(variance))
        middle = self.first * number**self.slope
        return float(middle * np.exp(-half)), float(middle * np.exp(half))

    def beyond(self, number: float) -> bool:
        return number > self.high


def fit(model: Model, number: Floats, hours: Floats) -> Learned:
    """number: (n,) which unit each trial was. hours: (n,) of that unit; for Wright of units 1 … n in a row, since the
    average needs them all.

    Raises InputError: too-few-trials, no-hours, not-in-a-row.
    """
    if len(number) < 2 or len(np.unique(number)) < 2:
        raise InputError("too-few-trials", "A curve needs the hours of at least two different units.")
    if not (np.isfinite(hours).all() and (hours > 0).all() and (number >= 1).all()):
        raise InputError("no-hours", "Every trial needs hours above zero, and units are counted from 1.")
    values = hours
    if model == "wright":
        if not np.array_equal(number, np.arange(1, len(number) + 1)):
            raise InputError(
                "not-in-a-row",
                "Wright's average needs the hours of every unit from 1 on. Fill the gaps, or take Crawford.",
            )
        values = np.cumsum(hours) / number
    x, y = np.log(number), np.log(values)
    away = x - x.mean()
    slope = float(away @ y / (away @ away))
    level = float(y.mean() - slope * x.mean())
    left = y - level - slope * x
    freedom = len(x) - 2
    s = float(np.sqrt(left @ left / freedom)) if freedom > 0 else None
    design = np.stack([np.ones(len(x)), x], axis=1)
    covariance: Floats = np.linalg.inv(design.T @ design) * (s or 0.0) ** 2
    slope_se = float(np.sqrt(covariance[1, 1])) if s is not None else None
    return Learned(
        model, float(np.exp(level)), slope, slope_se, s, freedom, covariance, float(number.min()), float(number.max())
    )
