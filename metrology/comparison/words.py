"""What a comparison says, in one plain sentence each."""

import numpy as np

from metrology.bodies import Floats
from metrology.wording import limits, quantity

_HALF_RIGHT_ANGLE = float(np.cos(np.pi / 4)) - 1e-9
_WAYS = (("too far forward", "too far back"), ("too far left", "too far right"), ("too high", "too low"))


def direction(value: float, normal: Floats) -> str:
    """Where the surface went: "too high" on a top face and "too low" on a bottom face are both outside nominal.

    value: mm, positive outside. normal: (3,) unit, outward. Within 45° of an axis the axis names the way (+X forward,
    +Y left, +Z up); elsewhere "outside nominal" or "inside nominal".
    """
    axis = int(np.argmax(np.abs(normal)))
    if abs(normal[axis]) < _HALF_RIGHT_ANGLE:
        return "outside nominal" if value > 0 else "inside nominal"
    return _WAYS[axis][0 if value * normal[axis] > 0 else 1]


def length(value: float, near: float | None = None) -> str:
    """Millimetres with one decimal or two; three where two would hide which side of `near` the value lies."""
    if near is not None and value != near and round(value, 2) == round(near, 2):
        return quantity(value, "mm", 3)
    return quantity(value, "mm", 1 if round(value, 1) == round(value, 2) else 2)


def band(lower: float, upper: float) -> str:
    """ "±1.0 mm", "−0.5 to 1.25 mm"."""
    decimals = next(d for d in (1, 2, 3) if d == 3 or all(abs(round(x, d) - x) < 1e-9 for x in (lower, upper)))
    return limits(lower, upper, "mm", decimals)


def share(value: float, needed: float | None = None) -> str:
    """Per cent, rounded down; with a decimal where rounding would hide that it falls short of what is needed."""
    decimals = 1 if needed is not None and needed - 0.01 < value < needed else 0
    step = 10.0**decimals
    return quantity(np.floor(100 * value * step + 1e-9) / step, "%", decimals)


def sides_words(undecided: float) -> str:
    """What is said of surface whose points cannot be credited to one side, a share of it all; begins with a blank."""
    return (
        f" On {share(max(undecided, 0.01))} of the surface the scan cannot tell the two sides of a thin wall or narrow "
        "slot apart: that counts as not measured. Scan both sides with less noise."
    )


def place_words(name: str | None, at: Floats) -> str:
    """ "at the top face", or the coordinates where no region has a name."""
    if name is None:
        return f"at x {quantity(at[0], '', 0)}, y {quantity(at[1], '', 0)}, z {quantity(at[2], 'mm', 0)}"
    return f"at {name}" if name.lower().startswith("the ") else f"at the {name}"


def found_words(value: float, normal: Floats, where: str, limit: float | None = None) -> str:
    """ "0.71 mm too high at the seat"."""
    size = length(abs(value), None if limit is None else abs(limit))
    return f"{size} {direction(value, normal)} {where}"


def verdict_sentence(
    result: str,
    code: str,
    *,
    found: str,
    lower: float,
    upper: float,
    high_side: bool,
    uncertainty: float,
    coverage: float,
    needed: float,
    where: str | None = None,
) -> str:
    """The sentence for a result. found: from `found_words`. where: the place that was not measured enough, if named."""
    measured = "the surface" if where is None else where
    if code == "not-measured":
        return f"Not measured: too few scan points lie on {measured}."
    if code == "outside":
        limit = upper if high_side else lower
        usual = lower <= 0 <= upper
        said = f"The limit is {length(abs(limit))}." if usual else f"The limits are {band(lower, upper)}."
        return f"Does not conform: {found}. {said}"
    if code == "coverage":
        return (
            f"Inconclusive: only {share(coverage, needed)} of {measured} was measured and {share(needed)} is needed. "
            f"The worst that was seen is {found}; the limits are {band(lower, upper)}. Scan what is missing."
        )
    if code == "uncertainty":
        return (
            f"Inconclusive: {found} is too close to the limits of {band(lower, upper)} to tell with an uncertainty of "
            f"{length(uncertainty)}. Measure again with less uncertainty."
        )
    guard = f" after a {length(uncertainty)} guard band" if uncertainty > 0 else ""
    return (
        f"Conforms: all of the measured surface lies within {band(lower, upper)}{guard}; worst {found}. "
        f"{share(coverage, needed)} of {measured} was measured."
    )
