"""One value from repeated readings with one instrument: their mean, and how sure it is."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, sqrt

import numpy as np
from scipy.special import ndtr

from metrology.errors import InputError
from metrology.statistics.uncertainty import combine, coverage_factor, from_readings


@dataclass(frozen=True)
class Repeated:
    """All figures in the unit of the readings. sd: of one reading, None for a single one. dof: effective degrees of
    freedom, inf when the readings add nothing. factor: the coverage factor used. uncertainty: expanded, of the mean.
    """

    n: int
    mean: float
    sd: float | None
    dof: float
    factor: float
    uncertainty: float


def repeated(readings: Sequence[float], instrument: float, k: float) -> Repeated:
    """The mean of the readings with its expanded uncertainty: the instrument's and that of the spread together.

    instrument: the instrument's expanded uncertainty U, unit of the readings; k: the factor behind it. The spread
    gives a type A uncertainty s/√n (JCGM 100, 4.2), the instrument U/k with infinite degrees of freedom; the factor
    covers the same share as k with the effective degrees of freedom (annex G). One reading: U as it is. What varies
    from reading to reading may be in U already: then it counts twice, on the safe side. Raises InputError:
    no-reading, not-a-number, negative-uncertainty, coverage-factor.
    """
    values = np.asarray(readings, dtype=np.float64)
    if values.size == 0:
        raise InputError("no-reading", "There is no reading. Give at least one.")
    if not np.isfinite(values).all():
        raise InputError("not-a-number", "A reading is not a number. Enter it again.")
    if not instrument >= 0:
        raise InputError("negative-uncertainty", "The instrument's U is negative. Give zero or more.")
    if not k > 0:
        raise InputError("coverage-factor", "The coverage factor must be above zero. 2 is usual.")
    if values.size == 1:
        return Repeated(1, float(values[0]), None, inf, k, instrument)
    mean, standard, dof = from_readings(readings)
    sd = standard * sqrt(values.size)
    if np.ptp(values) == 0:
        return Repeated(int(values.size), float(values[0]), 0.0, inf, k, instrument)
    both = combine([1.0, 1.0], [instrument / k, standard], [inf, float(dof)])
    factor = coverage_factor(float(ndtr(k) - ndtr(-k)), both.dof)
    return Repeated(int(values.size), mean, sd, both.dof, factor, factor * both.uncertainty)
