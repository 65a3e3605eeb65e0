"""Conformity of compressive strength after EN 206, clause 8.2.1 and annex B.

Limits of a single result (f_ck − 4), of the standard deviation (0.63 and 1.37 times, of 15 results) and its estimate
from ranges (0.886 × mean range): READ in guidance on the standard's rules. The margins 1.48 σ and 4 MPa and the table
of identity tests: from memory, the standard is not in hand.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from metrology.errors import InputError

SINGLE, INITIAL_MEAN, FACTOR = 4.0, 4.0, 1.48
INITIAL_GROUP, CONTINUOUS_LEAST, FOR_SIGMA = 3, 15, 35
SIGMA_LOW, SIGMA_HIGH = 0.63, 1.37
Production = Literal["initial", "continuous", "identity"]
_HAIR = 1e-9


@dataclass(frozen=True)
class StrengthConformity:
    """MPa. result: pass, fail or missing. code: conforms, single-too-low, mean-too-low, too-few-results or
    sigma-changed. mean_wanted: None where no mean is judged. means: the ones judged. sigma: used for them."""

    result: Literal["pass", "fail", "missing"]
    code: str
    lowest: float
    single_wanted: float
    means: tuple[float, ...]
    mean_wanted: float | None
    sigma: float | None
    last_sd: float | None


def conformity(
    results: Sequence[float], fck: float, production: Production, sigma: float | None = None
) -> StrengthConformity:
    """Judge test results in the order they were sampled.

    initial: means of each three in a row, and each single result. continuous: the mean of all (15 or more) with sigma,
    the standard deviation of the production known from 35 results or more. identity: one to six results of a delivery.
    Raises InputError: no-results, bad-strength, no-sigma, too-many-results.
    """
    tests = np.asarray(results, dtype=np.float64)
    if not len(tests):
        raise InputError("no-results", "Enter at least one test result.")
    if not (np.isfinite(tests).all() and (tests > 0).all() and fck > 0):
        raise InputError("bad-strength", "Strengths must be above zero. Check them.")
    single = fck - SINGLE
    lowest = float(tests.min())
    wanted: float | None
    used, last_sd, few = None, None, False
    if production == "initial":
        means = tuple(float(tests[k : k + 3].mean()) for k in range(len(tests) - 2))
        wanted, few = fck + INITIAL_MEAN, len(tests) < INITIAL_GROUP
    elif production == "continuous":
        if sigma is None or sigma <= 0:
            raise InputError(
                "no-sigma", "Continuous production needs the standard deviation of the production, from 35 results."
            )
        few, used = len(tests) < CONTINUOUS_LEAST, sigma
        means = (float(tests.mean()),)
        wanted = fck + FACTOR * sigma
        last_sd = float(tests[-CONTINUOUS_LEAST:].std(ddof=1)) if not few else None
    else:
        if len(tests) > 6:
            raise InputError("too-many-results", "Identity tests judge one to six results. Split them by delivery.")
        wanted = None if len(tests) == 1 else fck + (1.0 if len(tests) < 5 else 2.0)
        means = () if wanted is None else (float(tests.mean()),)
    changed = last_sd is not None and used is not None and not SIGMA_LOW * used <= last_sd <= SIGMA_HIGH * used
    low_mean = wanted is not None and any(mean < wanted - _HAIR for mean in means)
    result: Literal["pass", "fail", "missing"]
    if lowest < single - _HAIR:
        result, code = "fail", "single-too-low"
    elif few:
        result, code = "missing", "too-few-results"
    elif low_mean:
        result, code = "fail", "mean-too-low"
    elif changed:
        result, code = "missing", "sigma-changed"
    else:
        result, code = "pass", "conforms"
    return StrengthConformity(result, code, lowest, single, means, wanted, used, last_sd)


def sigma_of(results: Sequence[float]) -> tuple[float, float | None]:
    """The standard deviation of results, and its estimate from the mean range of neighbours (0.886 × it), MPa.

    Raises InputError (too-few-results) below two.
    """
    tests = np.asarray(results, dtype=np.float64)
    if len(tests) < 2:
        raise InputError("too-few-results", "A standard deviation needs at least two results.")
    return float(tests.std(ddof=1)), float(0.886 * np.abs(np.diff(tests)).mean())
