"""The value of a profile of a surface: one figure for how wide a zone about the nominal must be to hold the surface."""

import numpy as np

from metrology.bodies import Floats


def profile_of_surface(deviation: Floats, lower: float, upper: float) -> float:
    """Width in mm of the least zone of the stated disposition that holds everything measured; NaN where nothing was.

    deviation: (s,) signed mm, positive outside; NaN where not measured. lower, upper: edges of the zone asked for, mm,
    lower < upper. The zone grows or shrinks by the same amount g on both sides, so its value is
    (upper − lower) + 2 g with g = max(deviation − upper, lower − deviation): for a zone equally disposed about the
    nominal twice the largest deviation (ISO 1101; ASME Y14.5.1 for zones that are not; both from memory). It conforms
    when it is at most upper − lower. Never less than 0.
    """
    found = deviation[~np.isnan(deviation)]
    if not len(found):
        return float("nan")
    growth = max(float(found.max()) - upper, lower - float(found.min()))
    return max(upper - lower + 2.0 * growth, 0.0)
