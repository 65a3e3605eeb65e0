"""From a scale model to full size and back: lengths only, by geometric similarity."""

from decimal import Decimal

from metrology.conformity import check_limits
from metrology.decimals import exact
from metrology.errors import InputError


def gap_at_scale(
    lower: float | None, upper: float | None, scale_denominator: float
) -> tuple[float | None, float | None]:
    """Limits of a gap on a model built 1 : scale_denominator, in the unit of the full-size limits.

    A limit of 6 mm is 0.6 mm on a 1:10 model. None stays None. A denominator below 1 is an enlarged model.
    Raises InputError: not-a-number, no-limits, limits-swapped, bad-scale.
    """
    low, high = check_limits(lower, upper)
    denominator = _denominator(scale_denominator)
    return (
        None if low is None else float(low / denominator),
        None if high is None else float(high / denominator),
    )


def full_size(length: float, scale_denominator: float) -> float:
    """What a length measured on the model stands for at full size, same unit. Raises InputError: see gap_at_scale."""
    return float(exact(length, "length") * _denominator(scale_denominator))


def _denominator(scale_denominator: float) -> Decimal:
    denominator = exact(scale_denominator, "scale")
    if denominator <= 0:
        raise InputError(
            "bad-scale", f"A scale of 1:{denominator} is not possible. Enter a number above zero, such as 10."
        )
    return denominator
