"""Does the gap measured between two parts lie within its limits, on a model or at full size?"""

from dataclasses import dataclass

from metrology.amounts.decimals import places
from metrology.closure.scaling import gap_at_scale
from metrology.statistics.conformity import Conformity, decide
from metrology.wording import limits, quantity


@dataclass(frozen=True)
class Fit:
    """A gap judged. gap, lower, upper: mm as measured, at the scale of the model. sentence: the finding in words."""

    conformity: Conformity
    gap: float
    lower: float | None
    upper: float | None
    sentence: str


def judge_gap(
    gap: float, lower: float | None, upper: float | None, uncertainty: float, scale_denominator: float = 1.0
) -> Fit:
    """Judge a gap by the decision rule of `metrology.statistics.conformity`, all in mm.

    gap, uncertainty: as measured, on the model itself. lower, upper: full-size limits; on a 1:n model they are divided
    by n. A negative gap is an overlap.
    Raises InputError: not-a-number, no-limits, limits-swapped, negative-uncertainty, bad-scale.
    """
    low, high = gap_at_scale(lower, upper, scale_denominator)
    conformity = decide(gap, low, high, uncertainty)
    return Fit(conformity, float(gap), low, high, _sentence(conformity, gap, low, high, scale_denominator))


def _sentence(conformity: Conformity, gap: float, low: float | None, high: float | None, scale: float) -> str:
    decimals = min(4, places(gap, low, high, conformity.guard))
    what = f"{'gap' if gap >= 0 else 'overlap'} of {quantity(abs(gap), 'mm', decimals)}"
    allowed = limits(low, high, "mm", decimals)
    at_scale = "" if scale == 1 else f" at 1:{scale:g}"
    if conformity.result == "conforms":
        kept = f" after a {quantity(conformity.guard, 'mm', decimals)} guard band" if conformity.guard else ""
        return f"The {what} conforms: {allowed}{at_scale}{kept}."
    tight = low is not None and (high is None or gap - low < high - gap)
    limit = low if tight else high
    beyond = abs(gap - limit) if limit is not None else 0.0
    if conformity.result == "does not conform":
        direction = "too tight" if tight else "too wide"
        return f"The {what} is {quantity(beyond, 'mm', decimals)} {direction}; allowed is {allowed}{at_scale}."
    sure = quantity(conformity.guard, "mm", decimals)
    side = "lower" if tight else "upper"
    sentence = (
        f"The {what} is too near the {side} limit to tell: allowed is {allowed}{at_scale}, and the measurement is sure "
        f"to {sure}."
    )
    return f"{sentence} {conformity.note}".rstrip()
