"""Does one measured value conform to its limits, given the uncertainty of the measurement?

Decision rule of ISO 14253-1 (from memory, not in hand): conformity is proven inside the limits reduced by the guard
band on each side, nonconformity is proven outside the limits widened by it, and between the two neither is proven.
The guard band here is the expanded uncertainty U as given.
"""

from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

import numpy as np

from metrology.amounts.decimals import exact
from metrology.bodies import Ints
from metrology.errors import InputError

Result = Literal["conforms", "does not conform", "inconclusive"]


@dataclass(frozen=True)
class Conformity:
    """The decision on one value; all figures in the unit of the value.

    result: conforms, does not conform or inconclusive. margin: distance from the value to the nearer acceptance
    limit; positive inside, negative outside. guard: the guard band taken off each limit (= U). lower_acceptance,
    upper_acceptance: limits within which a value conforms; None where there is no limit. They may cross: then nothing
    can conform. note: a sentence when the limits are too narrow for this uncertainty, else empty.
    """

    result: Result
    margin: float
    guard: float
    lower_acceptance: float | None
    upper_acceptance: float | None
    note: str


def check_limits(lower: float | None, upper: float | None) -> tuple[Decimal | None, Decimal | None]:
    """Both limits as exact decimals. Raises InputError: not-a-number, no-limits, limits-swapped."""
    low = None if lower is None else exact(lower, "lower limit")
    high = None if upper is None else exact(upper, "upper limit")
    if low is None and high is None:
        raise InputError("no-limits", "There is no limit to compare with. Give a lower limit, an upper limit or both.")
    if low is not None and high is not None and low > high:
        raise InputError(
            "limits-swapped",
            f"The lower limit {low} is above the upper limit {high}. Exchange the two, or correct the wrong one.",
        )
    return low, high


def check_uncertainty(uncertainty: float) -> Decimal:
    """U as an exact decimal. Raises InputError: not-a-number, negative-uncertainty."""
    guard = exact(uncertainty, "uncertainty")
    if guard < 0:
        raise InputError("negative-uncertainty", f"The uncertainty {guard} is negative. Give U as zero or more.")
    return guard


def decide(value: float, lower: float | None, upper: float | None, uncertainty: float) -> Conformity:
    """Decide on one value. All arguments in one unit; uncertainty is the expanded uncertainty U (k as agreed).

    A value on an acceptance limit conforms; a value on a limit widened by U is inconclusive. The comparison is exact
    in decimals as typed. Either limit may be None (one-sided), not both. Raises InputError: not-a-number, no-limits,
    limits-swapped, negative-uncertainty.
    """
    low, high = check_limits(lower, upper)
    guard = check_uncertainty(uncertainty)
    measured = exact(value, "measured value")
    inside: list[Decimal] = []
    outside: list[Decimal] = []
    if low is not None:
        inside.append(measured - (low + guard))
        outside.append((low - guard) - measured)
    if high is not None:
        inside.append((high - guard) - measured)
        outside.append(measured - (high + guard))
    margin = min(inside)
    result: Result = "conforms" if margin >= 0 else "does not conform" if max(outside) > 0 else "inconclusive"
    return Conformity(
        result=result,
        margin=float(margin),
        guard=float(guard),
        lower_acceptance=None if low is None else float(low + guard),
        upper_acceptance=None if high is None else float(high - guard),
        note=_note(low, high, guard),
    )


# Steps in place of a limit that is not there.
NO_LOWER, NO_UPPER = -(2**60), 2**60


def decide_steps(values: Ints, lower: Ints, upper: Ints, guard: Ints) -> Ints:
    """`decide` for many values at once, by the same rule and as exactly: all in whole steps of one decimal place.

    values, lower, upper, guard: (n,) or one for all, such as ten-thousandths of a millimetre; NO_LOWER and NO_UPPER
    where there is no limit. Gives (n,): 0 conforms, 1 inconclusive, 2 does not conform.
    """
    margin = np.minimum(values - (lower + guard), (upper - guard) - values)
    beyond = np.maximum((lower - guard) - values, values - (upper + guard))
    decided: Ints = np.where(margin >= 0, 0, np.where(beyond > 0, 2, 1)).astype(np.int64)
    return decided


def _note(low: Decimal | None, high: Decimal | None, guard: Decimal) -> str:
    if low is None or high is None or high - low > 2 * guard or guard == 0:
        return ""
    if high - low == 2 * guard:
        return (
            "The guard bands meet: only a value exactly half way between the limits can conform. Measure more finely."
        )
    return "The guard bands overlap: no value can be shown to conform. Use an instrument with a smaller uncertainty."
