"""Numbers as people read them: a real minus sign, and a no-break space before the unit."""

from collections.abc import Sequence
from datetime import date

NBSP = "\u00a0"
MINUS = "\u2212"


def number(value: float, decimals: int = 1, *, signed: bool = False) -> str:
    """1.8 as "1.8", −0.05 with two decimals as "−0.05". Zero never has a sign. signed: + before positive values."""
    text = f"{abs(value):.{decimals}f}"
    if float(text) == 0:
        return text
    return (MINUS if value < 0 else "+" if signed else "") + text


def quantity(value: float, unit: str, decimals: int = 1, *, signed: bool = False) -> str:
    """A number that never parts from its unit."""
    return number(value, decimals, signed=signed) + (NBSP + unit if unit else "")


def limits(lower: float | None, upper: float | None, unit: str, decimals: int = 1) -> str:
    """\"±1.0 mm", "599.0 to 601.0 mm", "45.0 MPa or more", "5.0 % or less"."""
    if lower is not None and upper is not None:
        if lower == -upper and upper > 0:
            return "±" + quantity(upper, unit, decimals)
        return f"{number(lower, decimals)} to {quantity(upper, unit, decimals)}"
    if lower is not None:
        return quantity(lower, unit, decimals) + " or more"
    if upper is not None:
        return quantity(upper, unit, decimals) + " or less"
    return "no limit"


def count(n: int, one: str, many: str | None = None) -> str:
    """\"1 cast", "3 casts"."""
    return f"{n}{NBSP}{one if n == 1 else many or one + 's'}"


def listed(items: Sequence[str], most: int = 4) -> str:
    """\"A", "A and B", "A, B and C", "A, B, C and 2 more"."""
    names = list(items)
    if len(names) > most:
        names = [*names[: most - 1], f"{len(names) - most + 1} more"]
    if len(names) < 2:
        return "".join(names)
    return ", ".join(names[:-1]) + " and " + names[-1]


def day(on: date) -> str:
    """ "9 Apr 2026", on every platform and in every locale."""
    months = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
    return f"{on.day}{NBSP}{months[on.month - 1]}{NBSP}{on.year}"
