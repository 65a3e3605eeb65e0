"""Fresh concrete: evaporation of its surface water, its pressure on forms, and what to weigh for a batch."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from metrology.amounts.quantities import convert
from metrology.bodies import Floats
from metrology.errors import InputError

_GRAVITY = 9.80665  # m/s²
# ACI 347 is written in pounds, feet and degrees Fahrenheit; its constants stay as they are.
_PSF = convert(1.0, "psf", "kPa")
_FAST, _FASTEST, _HIGH_FT = 7.0, 15.0, 14.0


def evaporation(concrete_c: float, air_c: float, humidity: float, wind_km_h: float) -> float:
    """kg/m²·h of water from a wet surface: Uno 1998, 5 ((T_c + 18)^2.5 − r (T_a + 18)^2.5) (V + 4) × 10⁻⁶.

    Temperatures above −18 °C; humidity a share; wind at some 0.5 m over the surface. Negative: dew.
    """
    steam = (concrete_c + 18) ** 2.5 - humidity * (air_c + 18) ** 2.5
    return float(5 * steam * (wind_km_h + 4) * 1e-6)


@dataclass(frozen=True)
class FormPressure:
    """kPa. by_formula: None where only the head counts. head: None without a height. governs: which of them it is."""

    pressure: float
    by_formula: float | None
    head: float | None
    least: float
    weight: float
    governs: Literal["head", "least", "formula"]


def form_pressure(
    wall: bool,
    rate_m_h: float,
    celsius: float,
    density: float,
    chemistry: float,
    height_m: float | None,
    weight: float | None = None,
) -> FormPressure:
    """Lateral pressure after ACI 347. density: kg/m³. Raises InputError (no-height) where only the head can tell."""
    rate, fahrenheit = convert(rate_m_h, "m/h", "ft/h"), convert(celsius, "°C", "°F")
    coefficient = weight_coefficient(density) if weight is None else weight
    head = None if height_m is None else density * _GRAVITY * height_m / 1000
    least = 600 * coefficient * _PSF
    high = wall and height_m is not None and convert(height_m, "m", "ft") > _HIGH_FT
    by_formula: float | None = None
    if not wall or rate < _FAST:
        by_formula = 150 + 9000 * rate / fahrenheit
    if wall and (high or rate >= _FAST):
        by_formula = 150 + 43400 / fahrenheit + 2800 * rate / fahrenheit if rate <= _FASTEST else None
    if by_formula is not None:
        by_formula *= coefficient * chemistry * _PSF
    if by_formula is None:
        if head is None:
            raise InputError("no-height", "At this rate only the full head of concrete counts. Enter its height.")
        return FormPressure(head, None, head, least, coefficient, "head")
    wanted = max(by_formula, least)
    if head is not None and head <= wanted:
        return FormPressure(head, by_formula, head, least, coefficient, "head")
    return FormPressure(wanted, by_formula, head, least, coefficient, "formula" if by_formula >= least else "least")


def weight_coefficient(density: float) -> float:
    """C_w by the density in kg/m³: 1 between 140 and 150 lb/ft³."""
    pounds = convert(density, "kg/m³", "lb/ft³")
    if pounds < 140:
        return max(0.8, 0.5 * (1 + pounds / 145))
    return 1.0 if pounds <= 150 else pounds / 145


@dataclass(frozen=True)
class Material:
    """parts: by mass. kind: binder, water, aggregate or other. moisture, absorption: of an aggregate, by dry mass."""

    parts: float
    kind: str
    moisture: float = 0.0
    absorption: float = 0.0


@dataclass(frozen=True)
class Weights:
    """rows: (n, 4): share of the mix, mass in the mix, mass to weigh, water it brings beyond its absorption, kg.

    water: of the mix, free; add_water: what is left to add. ratio: parts in words, the binder as 1.
    """

    rows: Floats
    water: float
    add_water: float
    water_binder: float | None
    ratio: str


def weighed(materials: Sequence[Material], total: float) -> Weights:
    """What to weigh of each for a batch of `total` kg. Aggregates are saturated and surface dry in the mix.

    Raises InputError: no-parts, two-waters, too-wet.
    """
    parts = np.array([one.parts for one in materials], dtype=np.float64)
    if parts.sum() <= 0:
        raise InputError("no-parts", "All parts are zero. Enter the parts by mass.")
    waters = [k for k, one in enumerate(materials) if one.kind == "water"]
    if len(waters) > 1:
        raise InputError("two-waters", "Water stands in the mix twice. Put it into one row.")
    shares = parts / parts.sum()
    mix = shares * total
    wet = np.array([(1 + one.moisture) / (1 + one.absorption) if one.kind == "aggregate" else 1.0 for one in materials])
    weigh = mix * wet
    brings = weigh - mix
    water = float(mix[waters].sum())
    add = water - float(brings.sum())
    if waters:
        weigh[waters[0]] = add
    if add < -1e-9 * total and waters:
        raise InputError(
            "too-wet", "The aggregates bring more water than the mix has. Let them drain, or check the moisture."
        )
    binder = float(sum(mix[k] for k, one in enumerate(materials) if one.kind == "binder"))
    base = binder if binder > 0 else float(mix.max())
    ratio = " : ".join(f"{one / base:.3g}" for one in mix)
    rows = np.stack([shares, mix, weigh, brings], axis=1)
    return Weights(rows, water, max(add, 0.0), water / binder if binder > 0 and waters else None, ratio)
