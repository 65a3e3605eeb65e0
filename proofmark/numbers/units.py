"""Which units a page offers and answers in."""

from collections.abc import Mapping

from metrology.amounts.customary import US_UNITS
from metrology.amounts.feet_inches import write_length
from metrology.amounts.quantities import DIMENSIONS, FEET_INCHES, Dimension, convert, dimension_of
from metrology.errors import UnitError

METRIC, US = "metric", "us"
CUSTOMARY = {
    "in", "ft", FEET_INCHES, "yd", "US survey ft", "in²", "ft²", "yd²", "in³", "ft³", "yd³", "US gal", "oz", "lb",
    "lbf", "short ton", "kip", "psi", "ksi", "psf", "lb/ft³", "lb/yd³", "lbf/ft³", "°F", "°F·h", "mph", "ft/s", "ft/h",
    "lb/ft²·h",
}  # fmt: skip


def kind_of(unit: str, kind: str = "") -> Dimension | None:
    """The dimension of a unit, None for plain numbers and words."""
    try:
        return DIMENSIONS[kind] if kind else dimension_of(unit)
    except UnitError:
        return None


def first_unit(unit: str, shown: str, kind: str, system: str) -> str:
    """The unit that a field is offered in. shown: what the calculation prefers."""
    if system == US and (customary := customary_unit(unit, kind)):
        return customary
    return shown or unit


def customary_unit(unit: str, kind: str) -> str:
    if kind == "temperature difference":
        return "°F"
    return US_UNITS.get(unit, "")


def answer_unit(unit: str, kind: str, chosen: Mapping[str, str], system: str) -> str:
    """The unit in which a figure of the answer is shown.

    unit: of the calculation. chosen: dimension → the unit of the first field of that kind. Who typed feet reads feet;
    among metric units the calculation knows better (millimetres for a gap, metres for a radius).
    """
    group = kind_of(unit, kind)
    if group is None or unit in ("", "1") or unit in CUSTOMARY:
        return unit
    typed = chosen.get(group.name, "")
    if typed in CUSTOMARY or (not typed and system == US):
        if group.name == "length":
            if typed == "ft" and unit == "mm":
                return "in"
            return typed if typed and typed != "yd" else US_UNITS.get(unit, unit)
        return customary_unit(unit, kind) or typed or unit
    return unit


def axis_unit(unit: str) -> str:
    """Feet-and-inches is no scale to draw along: feet for metres, inches for millimetres."""
    return "in" if unit == FEET_INCHES else unit


def typed(value: float, unit: str, target: str, kind: str) -> str:
    """A figure as a person would type it into a field whose unit is `target`."""
    if target == FEET_INCHES:
        return write_length(convert(float(value), unit, "mm", "length"))
    # Ten digits of what was converted, so that 50 % is not 50.000000000000004 %.
    text = repr(float(value)) if target == unit else f"{convert(float(value), unit, target, kind or None):.10g}"
    text = text.removesuffix(".0")
    return text.replace("-", "\u2212", 1) if text.startswith("-") else text
