"""What a pair of limits must be like, wherever limits are typed, pasted or imported."""

from decimal import Decimal

from metrology.wording import MINUS, NBSP

from .errors import Unusable


def shown(value: Decimal) -> str:
    """A decimal as it was meant: no trailing zeros, a real minus sign."""
    plain = Decimal(str(value)).normalize() if value else Decimal(0)
    return format(plain, "f").replace("-", MINUS)


def check_limits(lower: Decimal | None, upper: Decimal | None, unit: str = "", *, both: bool = False) -> None:
    """Refuse limits that are missing or swapped. both: one limit alone is not enough. Raises Unusable."""
    tail = f"{NBSP}{unit}" if unit and unit != "1" else ""
    if lower is None and upper is None:
        raise Unusable("Give a lower limit, an upper limit or both.", code="no-limit", field="lower")
    if both and (lower is None or upper is None):
        missing = "lower" if lower is None else "upper"
        raise Unusable(f"Give the {missing} limit too.", code="one-limit", field=missing)
    if lower is not None and upper is not None and lower > upper:
        raise Unusable(
            f"The lower limit, {shown(lower)}{tail}, is above the upper limit, {shown(upper)}{tail}. "
            f"Did you mean {shown(upper)} to {shown(lower)}{tail}? Then swap the two.",
            code="limits-swapped",
            field="lower",
        )


def check_against_nominal(nominal: Decimal | None, lower: Decimal | None, upper: Decimal | None) -> None:
    """Refuse limits that were written as deviations: nominal 600, limits −0.5 and 0.5. Raises Unusable."""
    if nominal is None or lower is None or upper is None:
        return
    if lower <= 0 <= upper and lower != upper and nominal > upper:
        raise Unusable(
            f"Limits are values, not deviations: with a nominal of {shown(nominal)} write "
            f"{shown(nominal + lower)} and {shown(nominal + upper)}.",
            code="limits-as-deviations",
            field="lower",
        )
