"""Exact arithmetic on figures as they were typed, so that a value on a limit is on the limit."""

from decimal import Decimal
from math import isfinite

from metrology.errors import InputError


def exact(value: float, name: str) -> Decimal:
    """The decimal number a person reads and typed for this float: 0.1 is one tenth.

    Binary sums miss limits by a hair (9.9 + 0.05 is more than 9.95), which would turn a conforming value inconclusive.
    Raises InputError (not-a-number) for NaN and infinities; `name` says in the sentence which figure it is.
    """
    number = float(value)
    if not isfinite(number):
        raise InputError("not-a-number", f"The {name} is not a number. Enter it again.")
    return Decimal(repr(number))


def places(*values: float | None) -> int:
    """How many decimals the most finely given of these values has; 0 when none is given."""
    given = [Decimal(repr(float(value))).normalize().as_tuple().exponent for value in values if value is not None]
    return max([0, *(-exponent for exponent in given if isinstance(exponent, int))])
