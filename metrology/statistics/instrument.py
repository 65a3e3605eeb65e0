"""Is an instrument fine enough for a tolerance?"""

from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from metrology.amounts.decimals import exact, places
from metrology.errors import InputError
from metrology.statistics.conformity import check_limits, check_uncertainty
from metrology.wording import NBSP, number, quantity

# Common practice, no source: U at most a quarter of the tolerance half-width. A project setting may replace it.
WORST_RATIO = 0.25


@dataclass(frozen=True)
class Fitness:
    """result: pass, fail or not applicable. ratio: U over the tolerance half-width, None when not applicable.

    half_width: mm or the unit of the limits, None when not applicable. largest: the largest U that would pass.
    """

    result: Literal["pass", "fail", "not applicable"]
    code: str
    ratio: float | None
    half_width: float | None
    largest: float | None
    sentence: str


def fitness(
    uncertainty: float,
    lower: float | None,
    upper: float | None,
    worst_ratio: float = WORST_RATIO,
    *,
    nominal: float | None = None,
    unit: str = "mm",
) -> Fitness:
    """Compare the expanded uncertainty U with the tolerance half-width; a ratio equal to worst_ratio passes.

    Two limits: half-width = (upper − lower) / 2. One limit: the distance from the nominal to it; without a nominal
    the rule does not apply. All lengths in one unit. Raises InputError: not-a-number, no-limits, limits-swapped,
    negative-uncertainty, bad-ratio, no-tolerance (the limits leave no width, or the nominal lies on the only limit or
    beyond it).
    """
    low, high = check_limits(lower, upper)
    u = check_uncertainty(uncertainty)
    worst = exact(worst_ratio, "largest ratio")
    if worst <= 0:
        raise InputError("bad-ratio", f"The largest ratio {worst} must be above zero. A quarter is usual: 0.25.")
    if low is not None and high is not None:
        half = (high - low) / 2
    elif nominal is None:
        sentence = "Not applicable: with one limit and no nominal there is no tolerance width to compare with."
        return Fitness("not applicable", "one-sided", None, None, None, sentence)
    else:
        middle = exact(nominal, "nominal")
        half = high - middle if high is not None else middle - low if low is not None else middle
    if half <= 0:
        raise InputError(
            "no-tolerance",
            "The limits leave no tolerance. Correct the limits or the nominal before judging an instrument.",
        )
    largest = worst * half
    good = u <= largest
    ratio = float(u / half)
    comparison = "at most" if good else "more than"
    sentence = (
        f"The instrument is sure to {_plain(u, unit)}: {number(100 * ratio, 0)}{NBSP}% of the tolerance half-width of "
        f"{_plain(half, unit)}, {comparison} the {number(100 * float(worst), 0)}{NBSP}% allowed."
    )
    if not good:
        sentence += f" Use one that is sure to {_plain(largest, unit)} or better."
    return Fitness(
        "pass" if good else "fail",
        "fine-enough" if good else "too-coarse",
        ratio,
        float(half),
        float(largest),
        sentence,
    )


def _plain(value: Decimal, unit: str) -> str:
    """With the decimals the figure has, at most four."""
    return quantity(float(value), unit, min(4, places(float(value))))
