"""Maturity of concrete from its temperatures, and strength as a function of it.

Temperatures in °C, durations in hours, strengths in MPa. Nurse–Saul and the equivalent age by Arrhenius as in ASTM
C1074; the adjusted age of EN 1992-1-1, B.10: all from memory.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.optimize import least_squares
from scipy.special import stdtrit

from metrology.bodies import Floats
from metrology.errors import InputError

KELVIN = 273.0  # as both practices round it
Model = Literal["logarithmic", "hyperbolic"]


def temperature_time_factor(hours: Floats, celsius: Floats, datum: float) -> float:
    """Nurse–Saul: Σ (T − T₀) Δt, °C·h. A datum of −10 °C is added, not taken away. Below the datum nothing is added."""
    return float((np.maximum(celsius - datum, 0.0) * hours).sum())


def equivalent_age(hours: Floats, celsius: Floats, reference: float, energy_over_gas: float) -> float:
    """Hours at the reference temperature with the same maturity: Σ e^(−Q (1/T − 1/T_ref)) Δt, T in kelvins.

    energy_over_gas: apparent activation energy over the gas constant, K.
    """
    rate = np.exp(-energy_over_gas * (1 / (celsius + KELVIN) - 1 / (reference + KELVIN)))
    return float((rate * hours).sum())


def adjusted_age(hours: Floats, celsius: Floats) -> float:
    """EN 1992-1-1, B.10: Σ e^(13.65 − 4000 / (273 + T)) Δt, hours at 20 °C."""
    return float((np.exp(13.65 - 4000.0 / (KELVIN + celsius)) * hours).sum())


def between_readings(at_hours: Floats, celsius: Floats) -> tuple[Floats, Floats]:
    """Durations and mean temperatures between readings of a log, (n − 1,) each. Raises InputError (log-order)."""
    hours = np.diff(at_hours)
    if len(at_hours) < 2 or (hours <= 0).any():
        raise InputError("log-order", "The readings must follow each other in time, two at least. Sort the log.")
    return hours, (celsius[:-1] + celsius[1:]) / 2


@dataclass(frozen=True)
class StrengthMaturity:
    """model and parameters (a, b) of a + b ln M, or (S_u, k, M₀) of S_u k (M − M₀) / (1 + k (M − M₀)). s: standard
    deviation of the tests about the curve, MPa, with `freedom` degrees. covariance of the parameters. low, high: of the
    maturities tested."""

    model: Model
    parameters: Floats
    covariance: Floats
    s: float | None
    freedom: int
    low: float
    high: float

    def strength(self, maturity: float) -> float:
        return float(_curve(self.model, np.array([maturity]), self.parameters)[0])

    def interval(self, maturity: float, confidence: float) -> tuple[float, float] | None:
        """For one further test at this maturity; None without a spare test."""
        if self.s is None:
            return None
        slope = _slopes(self.model, np.array([maturity]), self.parameters)[0]
        half = float(stdtrit(self.freedom, 0.5 + confidence / 2)) * float(
            np.sqrt(self.s**2 + max(float(slope @ self.covariance @ slope), 0.0))
        )
        value = self.strength(maturity)
        return value - half, value + half

    def maturity_for(self, strength: float) -> float | None:
        """The maturity at which the curve reaches a strength; None where it never does."""
        if self.model == "logarithmic":
            a, b = self.parameters
            return float(np.exp((strength - a) / b)) if b > 0 else None
        ultimate, rate, start = self.parameters
        if not 0 <= strength < ultimate:
            return None
        return float(start + strength / (rate * (ultimate - strength)))

    def beyond(self, maturity: float) -> bool:
        """Whether the curve is stretched past the maturities it was fitted to."""
        return not self.low * (1 - 1e-9) <= maturity <= self.high * (1 + 1e-9)


def fit_strength(maturity: Floats, strength: Floats, model: Model) -> StrengthMaturity:
    """Least squares. logarithmic: at least two maturities; hyperbolic: three, with a strength that levels off.

    Raises InputError: too-few-tests, no-maturity, no-growth, no-levelling.
    """
    need = 2 if model == "logarithmic" else 3
    if len(np.unique(maturity)) < need or len(maturity) < need:
        raise InputError("too-few-tests", f"This curve needs tests at {need} different maturities at least.")
    if (maturity <= 0).any():
        raise InputError("no-maturity", "Maturities must be above zero. Leave out tests at no age.")
    if model == "logarithmic":
        b, a = np.polyfit(np.log(maturity), strength, 1)
        found = np.array([a, b])
        if b <= 0:
            raise InputError("no-growth", "These strengths do not grow with maturity. Check the tests.")
    else:
        found = _hyperbola(maturity, strength)
    left = strength - _curve(model, maturity, found)
    freedom = len(maturity) - len(found)
    slopes = _slopes(model, maturity, found)
    s = float(np.sqrt(left @ left / freedom)) if freedom > 0 else None
    # Parameters of very different size: the slopes are brought to one size before they are inverted.
    size = np.sqrt((slopes**2).sum(axis=0))
    scaled = slopes / size
    covariance: Floats = np.linalg.pinv(scaled.T @ scaled) / np.outer(size, size) * (s or 0.0) ** 2
    return StrengthMaturity(model, found, covariance, s, freedom, float(maturity.min()), float(maturity.max()))


def _hyperbola(maturity: Floats, strength: Floats) -> Floats:
    scale, top = float(maturity.max()), float(strength.max())
    best: tuple[float, Floats] | None = None
    for share, half in ((1.1, 0.1), (1.3, 0.3), (1.8, 1.0)):
        begin = np.array([share, 1 / half, 0.0])
        found = least_squares(
            lambda p: _curve("hyperbolic", maturity / scale, p) - strength / top, begin,
            bounds=([0.5, 1e-6, -1.0], [20.0, 1e6, float(maturity.min()) / scale]), xtol=1e-12, ftol=1e-12, gtol=1e-12,
        )  # fmt: skip
        if best is None or found.cost < best[0]:
            best = (float(found.cost), found.x)
    assert best is not None
    ultimate, rate, start = best[1]
    if ultimate > 19.0 or rate > 0.99e6:
        raise InputError(
            "no-levelling",
            "These strengths do not level off as the curve does. Take the logarithmic curve, or later tests.",
        )
    return np.array([ultimate * top, rate / scale, start * scale])


def _curve(model: Model, maturity: Floats, parameters: Floats) -> Floats:
    if model == "logarithmic":
        logarithmic: Floats = parameters[0] + parameters[1] * np.log(maturity)
        return logarithmic
    ultimate, rate, start = parameters
    grown = rate * (maturity - start)
    hyperbolic: Floats = ultimate * grown / (1 + grown)
    return hyperbolic


def _slopes(model: Model, maturity: Floats, parameters: Floats) -> Floats:
    if model == "logarithmic":
        return np.stack([np.ones(len(maturity)), np.log(maturity)], axis=1)
    ultimate, rate, start = parameters
    grown = rate * (maturity - start)
    by_grown = ultimate / (1 + grown) ** 2
    return np.stack([grown / (1 + grown), by_grown * (maturity - start), -by_grown * rate], axis=1)
