"""Kinds of quantity and their units, with exact factors; what a person may choose for any field.

Factors are exact by definition: inch 25.4 mm, pound 0.45359237 kg, standard gravity 9.80665 m/s², US gallon 231 cubic
inches (NIST SP 811, from memory); everything else follows by arithmetic on whole fractions.
"""

from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from math import isfinite

from metrology.errors import UnitError

# A length written as 5'-7 3/8". Not a factor but a notation: see metrology/amounts/feet_inches.py.
FEET_INCHES = "ft-in"

_INCH = Fraction("25.4")  # mm
_FOOT = 12 * _INCH
_YARD = 3 * _FOOT
_POUND = Fraction("0.45359237")  # kg
_GRAVITY = Fraction("9.80665")  # m/s²
_POUND_FORCE = _POUND * _GRAVITY  # N
_FOOT_M = _FOOT / 1000
_PI = Fraction("3.14159265358979323846264338327950288")


@dataclass(frozen=True)
class Unit:
    """base = factor × value + offset, in the base unit of its dimension."""

    symbol: str
    name: str
    factor: Fraction
    offset: Fraction = Fraction(0)


@dataclass(frozen=True)
class Dimension:
    """A kind of quantity. units: the first is the base."""

    name: str
    units: tuple[Unit, ...]

    def unit(self, symbol: str) -> Unit:
        """Raises UnitError (unknown-unit), naming what is known here."""
        plain = ALIASES.get(symbol, symbol)
        for unit in self.units:
            if unit.symbol == plain:
                return unit
        known = ", ".join(unit.symbol for unit in self.units)
        raise UnitError("unknown-unit", f"“{symbol}” is not a unit of {self.name} known here. Choose one of {known}.")


def _units(*rows: tuple[str, str, Fraction | int | str]) -> tuple[Unit, ...]:
    return tuple(Unit(symbol, name, Fraction(factor)) for symbol, name, factor in rows)


_ALL = (
    Dimension(
        "length",
        _units(
            ("mm", "millimetres", 1),
            ("cm", "centimetres", 10),
            ("m", "metres", 1000),
            ("km", "kilometres", 10**6),
            ("µm", "micrometres", "0.001"),
            ("nm", "nanometres", "0.000001"),
            ("in", "inches", _INCH),
            ("ft", "feet", _FOOT),
            (FEET_INCHES, "feet and inches", _FOOT),
            ("yd", "yards", _YARD),
            ("US survey ft", "US survey feet", Fraction(1200 * 1000, 3937)),
        ),
    ),
    Dimension(
        "area",
        _units(
            ("m²", "square metres", 1),
            ("cm²", "square centimetres", "0.0001"),
            ("mm²", "square millimetres", "0.000001"),
            ("in²", "square inches", (_INCH / 1000) ** 2),
            ("ft²", "square feet", _FOOT_M**2),
            ("yd²", "square yards", (_YARD / 1000) ** 2),
        ),
    ),
    Dimension(
        "volume",
        _units(
            ("m³", "cubic metres", 1),
            ("L", "litres", "0.001"),
            ("cm³", "cubic centimetres", "0.000001"),
            ("mm³", "cubic millimetres", "0.000000001"),
            ("in³", "cubic inches", (_INCH / 1000) ** 3),
            ("ft³", "cubic feet", _FOOT_M**3),
            ("yd³", "cubic yards", (_YARD / 1000) ** 3),
            ("US gal", "US gallons", 231 * (_INCH / 1000) ** 3),
        ),
    ),
    Dimension(
        "mass",
        _units(
            ("kg", "kilograms", 1),
            ("g", "grams", "0.001"),
            ("t", "tonnes", 1000),
            ("oz", "ounces", _POUND / 16),
            ("lb", "pounds", _POUND),
            ("short ton", "short tons", 2000 * _POUND),
        ),
    ),
    Dimension(
        "force",
        _units(
            ("N", "newtons", 1),
            ("kN", "kilonewtons", 1000),
            ("kgf", "kilogram-force", _GRAVITY),
            ("lbf", "pound-force", _POUND_FORCE),
            ("kip", "kips", 1000 * _POUND_FORCE),
        ),
    ),
    Dimension(
        "stress",
        _units(
            ("MPa", "megapascals", 1),
            ("kPa", "kilopascals", "0.001"),
            ("Pa", "pascals", "0.000001"),
            ("GPa", "gigapascals", 1000),
            ("psi", "pounds per square inch", _POUND_FORCE / _INCH**2),
            ("ksi", "kips per square inch", 1000 * _POUND_FORCE / _INCH**2),
            ("psf", "pounds per square foot", _POUND_FORCE / _FOOT**2),
        ),
    ),
    Dimension(
        "density",
        _units(
            ("kg/m³", "kilograms per cubic metre", 1),
            ("g/cm³", "grams per cubic centimetre", 1000),
            ("lb/ft³", "pounds per cubic foot", _POUND / _FOOT_M**3),
            ("lb/yd³", "pounds per cubic yard", _POUND / (3 * _FOOT_M) ** 3),
        ),
    ),
    Dimension(
        "unit weight",
        _units(
            ("kN/m³", "kilonewtons per cubic metre", 1),
            ("lbf/ft³", "pounds-force per cubic foot", _POUND_FORCE / 1000 / _FOOT_M**3),
        ),
    ),
    Dimension(
        "temperature",
        (
            Unit("°C", "degrees Celsius", Fraction(1)),
            Unit("°F", "degrees Fahrenheit", Fraction(5, 9), Fraction(-160, 9)),
            Unit("K", "kelvins", Fraction(1), Fraction("-273.15")),
        ),
    ),
    Dimension(
        "temperature difference",
        _units(("K", "kelvins", 1), ("°C", "degrees Celsius", 1), ("°F", "degrees Fahrenheit", Fraction(5, 9))),
    ),
    Dimension(
        "maturity",
        _units(
            ("°C·h", "degree-hours Celsius", 1),
            ("°C·d", "degree-days Celsius", 24),
            ("°F·h", "degree-hours Fahrenheit", Fraction(5, 9)),
        ),
    ),
    Dimension("time", _units(("s", "seconds", 1), ("min", "minutes", 60), ("h", "hours", 3600), ("d", "days", 86400))),
    Dimension(
        "angle",
        _units(
            ("°", "degrees", 1),
            ("′", "minutes of arc", Fraction(1, 60)),
            ("″", "seconds of arc", Fraction(1, 3600)),
            ("gon", "gons", "0.9"),
            ("rad", "radians", 180 / _PI),
            ("mrad", "milliradians", 180 / _PI / 1000),
        ),
    ),
    Dimension(
        "speed",
        _units(
            ("m/s", "metres per second", 1),
            ("km/h", "kilometres per hour", Fraction(1000, 3600)),
            ("mph", "miles per hour", 5280 * _FOOT_M / 3600),
            ("ft/s", "feet per second", _FOOT_M),
            ("m/h", "metres per hour", Fraction(1, 3600)),
            ("ft/h", "feet per hour", _FOOT_M / 3600),
        ),
    ),
    Dimension(
        "evaporation rate",
        _units(
            ("kg/m²·h", "kilograms per square metre and hour", 1),
            ("lb/ft²·h", "pounds per square foot and hour", _POUND / _FOOT_M**2),
        ),
    ),
    Dimension(
        "share",
        _units(("1", "a fraction", 1), ("%", "percent", "0.01"), ("‰", "per mille", "0.001"), ("ppm", "ppm", "1e-6")),
    ),
)  # fmt: skip
DIMENSIONS: dict[str, Dimension] = {dimension.name: dimension for dimension in _ALL}

# How units are written where a keyboard has only plain letters.
ALIASES: dict[str, str] = {
    "um": "µm", "μm": "µm", "m2": "m²", "cm2": "cm²", "mm2": "mm²", "in2": "in²", "ft2": "ft²", "yd2": "yd²",
    "m3": "m³", "cm3": "cm³", "mm3": "mm³", "in3": "in³", "ft3": "ft³", "yd3": "yd³", "l": "L", "gal": "US gal",
    "kg/m3": "kg/m³", "g/cm3": "g/cm³", "lb/ft3": "lb/ft³", "lb/yd3": "lb/yd³", "kN/m3": "kN/m³",
    "lbf/ft3": "lbf/ft³", "N/mm2": "MPa", "N/mm²": "MPa", "pcf": "lb/ft³", "degC": "°C", "C": "°C", "degF": "°F",
    "F": "°F", "deg": "°", "arcmin": "′", "arcsec": "″", "percent": "%", "C.h": "°C·h", "degC.h": "°C·h",
    "C.d": "°C·d", "degC.d": "°C·d", "F.h": "°F·h", "degF.h": "°F·h", "kg/m2.h": "kg/m²·h", "lb/ft2.h": "lb/ft²·h",
    "day": "d", "days": "d", "hour": "h", "hours": "h", "yard": "yd", "inch": "in", "foot": "ft", "lbs": "lb",
    "ton": "short ton", "tonne": "t", "ft_us": "US survey ft", "feet-inches": FEET_INCHES, "ft in": FEET_INCHES,
}  # fmt: skip


def dimension(name: str) -> Dimension:
    """Raises UnitError (unknown-dimension)."""
    try:
        return DIMENSIONS[name]
    except KeyError:
        known = ", ".join(DIMENSIONS)
        raise UnitError("unknown-dimension", f"“{name}” is not a kind of quantity. Choose one of {known}.") from None


@cache
def dimension_of(symbol: str) -> Dimension:
    """The kind of quantity a unit belongs to; for °C, °F and K that is temperature. Raises UnitError (unknown-unit)."""
    plain = ALIASES.get(symbol, symbol)
    for candidate in _ALL:
        if any(unit.symbol == plain for unit in candidate.units):
            return candidate
    raise UnitError(
        "unknown-unit", f"“{symbol}” is not a unit known here. Write mm, in, kg, lb, MPa, psi and the like."
    )


def convert(value: float | Fraction, source: str, target: str, kind: str | None = None) -> float:
    """A figure in another unit, exact but for the last rounding to a float.

    kind: the dimension's name, needed only for a difference of temperatures. A float counts as the decimal that it
    prints as: 0.1 is one tenth. Raises UnitError: unknown-unit, other-dimension, not-a-number.
    """
    group = dimension(kind) if kind else dimension_of(source)
    if not kind and not any(unit.symbol == ALIASES.get(target, target) for unit in group.units):
        other = dimension_of(target)
        raise UnitError(
            "other-dimension", f"{source} measures {group.name} and {target} measures {other.name}: choose one kind."
        )
    one, two = group.unit(source), group.unit(target)
    if isinstance(value, float) and not isfinite(value):
        raise UnitError("not-a-number", "The figure is not a number. Enter it again.")
    if one == two:
        return float(value)
    figure = value if isinstance(value, Fraction) else Fraction(repr(float(value)))
    return float((figure * one.factor + one.offset - two.offset) / two.factor)
