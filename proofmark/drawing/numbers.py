"""Numbers as they are written on a sheet: real minus sign, decimals as asked, no-break space before the unit."""

import math
from decimal import Decimal

MINUS = "\u2212"
NBSP = "\u00a0"
Number = int | float | Decimal


def is_number(value: object) -> bool:
    """Whether it can be drawn: an int, float or Decimal that is finite."""
    return isinstance(value, int | float | Decimal) and not isinstance(value, bool) and math.isfinite(value)


def decimals_of(*values: Number | None, most: int = 4) -> int:
    """How many decimals are needed to write every one of the values exactly, at most `most`."""
    needed = 0
    for value in values:
        if value is None or not is_number(value):
            continue
        digits = f"{Decimal(str(value)):.{most}f}".rstrip("0")
        needed = max(needed, len(digits.partition(".")[2]))
    return needed


def written(value: Number, decimals: int | None = None, *, sign: bool = False) -> str:
    """1.8, −0.35, with sign=True also +0.7. Without decimals: as many as the value has, at most 4.

    Never writes a minus before zero. A value that is not finite is written "not a number".
    """
    if not is_number(value):
        return "not a number"
    places = decimals_of(value) if decimals is None else decimals
    text = f"{Decimal(str(value)):.{places}f}"
    negative, digits = text.startswith("-"), text.lstrip("-")
    if not digits.strip("0."):
        return digits
    return (MINUS if negative else "+" if sign else "") + digits


def with_unit(value: Number, unit: str, decimals: int | None = None, *, sign: bool = False) -> str:
    """The number and its unit, which never part. A degree sign stands close; unit "1" or "" adds nothing."""
    number = written(value, decimals, sign=sign)
    if unit in ("", "1"):
        return number
    return number + ("" if unit == "°" else NBSP) + unit
