"""Rounding a figure before it is compared with a limit, when a specification asks for it.

ASTM E29 (from memory): by the absolute method a figure is compared as it is; by the rounding method it is first rounded
to the last place of the limit, half way to the even digit. ISO 80000-1 (from memory) knows both ways for half way.
"""

from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal
from typing import Literal

from metrology.amounts.decimals import exact
from metrology.errors import InputError

HalfWay = Literal["even", "up"]


def rounded(value: float, step: float, half_way: HalfWay = "even") -> float:
    """The multiple of `step` nearest to the value as it is written in decimals: 2.45 is half way between 2.4 and 2.5.

    half_way: to the even multiple, or away from zero ("up"). Raises InputError: not-a-number, bad-step.
    """
    figure, unit = exact(value, "figure"), exact(step, "step")
    if unit <= 0:
        raise InputError("bad-step", f"The step {unit} must be above zero, such as 0.1, 0.5 or 10.")
    rule = ROUND_HALF_EVEN if half_way == "even" else ROUND_HALF_UP
    return float((figure / unit).quantize(Decimal(1), rounding=rule) * unit)


def last_place(*limits: float | None) -> float:
    """The step of the last decimal that any of the limits has: 0.1 for 12.5, 1 for 12, 0.01 for 12.5 and 16.25."""
    given = [exact(limit, "limit").normalize().as_tuple().exponent for limit in limits if limit is not None]
    deepest = min([0, *(exponent for exponent in given if isinstance(exponent, int))])
    return float(Decimal(1).scaleb(deepest))
