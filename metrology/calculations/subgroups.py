"""Values in subgroups, by any of the ways in which people have them."""

import numpy as np

from metrology.bodies import Floats, Ints
from metrology.calculations.problems import refuse


def grouped(
    values: tuple[float, ...], subgroup_size: int, samples: tuple[int, ...], subgroups: tuple[tuple[float, ...], ...]
) -> tuple[Floats, Ints]:
    """The values and the subgroup of each: from rows of subgroups, or a list with their size or each one's number.

    Raises Refused at the field that is too much, or at samples that are not as many as the values.
    """
    if subgroups:
        if values:
            raise refuse("/values", "Give the values or the rows of subgroups, not both. Empty this.", "both-given")
        array = np.asarray(subgroups, float)
        return array.ravel(), np.repeat(np.arange(array.shape[0]), array.shape[1])
    x = np.asarray(values, float)
    if not samples:
        return x, np.arange(x.size) // subgroup_size
    if len(samples) != x.size:
        said = f"{len(samples)} subgroups stand beside {x.size} values. Give one for each value."
        raise refuse("/samples", said, "unequal")
    if subgroup_size != 1:
        raise refuse("/subgroup_size", "The subgroups are given for each value. Leave their size at 1.", "both-given")
    return x, np.asarray(samples)
