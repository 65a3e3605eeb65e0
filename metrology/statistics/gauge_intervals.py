"""Confidence intervals of a gauge study by generalised pivots.

Each mean square times its degrees of freedom over a drawn χ² value stands for its expectation; what follows from such
draws by the same formulas is spread like what is not known of the true components (Weerahandi 1993; Burdick, Borror and
Montgomery 2005, from memory). Draws below zero count as zero. The seed is fixed: same study, same interval.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import chdtri, ndtr, ndtri

from metrology.bodies import Floats
from metrology.errors import InputError
from metrology.statistics.gauge import (
    APPRAISERS,
    INTERACTION,
    NDC_FACTOR,
    PARTS,
    REPEATABILITY,
    Study,
    mean_squares,
    raw_components,
)

DRAWS = 10_000
_SEED = 20_231


@dataclass(frozen=True)
class Interval:
    low: float
    high: float


@dataclass(frozen=True)
class Intervals:
    """Of standard deviations, and of the share of the total; None where the study cannot tell or there is no spread.
    ndc: before it is cut; its upper end is None where the gauge may have no spread at all.
    """

    repeatability: Interval
    reproducibility: Interval | None
    grr: Interval
    part: Interval | None
    total: Interval
    grr_of_total: Interval | None
    ndc: tuple[float, float | None] | None


def intervals(study: Study, confidence: float = 0.95) -> Intervals | None:
    """Two-sided, of a study by analysis of variance; None for one from ranges. Raises InputError: bad-share."""
    if not 0 < confidence < 1:
        raise InputError("bad-share", "The confidence lies between 0 and 1 and reaches neither.")
    means = mean_squares(study.reduced or study.table)
    if not means:
        return None
    names = tuple(means)
    drawn = _pivots(tuple(means[name][1] for name in names))
    raw = raw_components({name: means[name][0] * drawn[i] for i, name in enumerate(names)}, study.shape)
    nothing = np.zeros(DRAWS)
    kept = {name: np.maximum(raw.get(name, nothing), 0) for name in (REPEATABILITY, APPRAISERS, INTERACTION, PARTS)}
    between = kept[APPRAISERS] + kept[INTERACTION]
    grr = kept[REPEATABILITY] + between
    total = grr + kept[PARTS]
    told = PARTS in means
    spread = bool((total > 0).all())
    share = grr / total if told and spread else nothing
    stacked = np.stack([kept[REPEATABILITY], between, grr, kept[PARTS], total, share])
    low, high = np.sqrt(np.quantile(stacked, [(1 - confidence) / 2, (1 + confidence) / 2], axis=1)).tolist()
    ends = [Interval(*pair) for pair in zip(low, high, strict=True)]
    of_total = ends[5] if told and spread else None
    return Intervals(
        repeatability=ends[0],
        reproducibility=ends[1] if APPRAISERS in means else None,
        grr=ends[2],
        part=ends[3] if told else None,
        total=ends[4],
        grr_of_total=of_total,
        ndc=_categories(of_total) if of_total else None,
    )


def _categories(share: Interval) -> tuple[float, float | None]:
    """ndc = 1.41 √(1/share² − 1) falls as the share rises."""

    def of(part: float) -> float | None:
        return NDC_FACTOR * max(0.0, 1 / (part * part) - 1) ** 0.5 if part > 0 else None

    low = of(share.high)
    return (0.0 if low is None else low), of(share.low)


@lru_cache(maxsize=32)
def _pivots(dofs: tuple[int, ...]) -> Floats:
    """(sources, DRAWS): degrees of freedom ÷ χ², the same for studies of the same shape.

    Each χ² is taken once from each of as many equally likely steps, in an order of its own: few draws tell much.
    """
    rng = np.random.default_rng(_SEED)
    # The cube root of χ² is nearly straight over the normal quantile: a few exact values and lines between them do.
    z = ndtri((np.arange(DRAWS) + 0.5) / DRAWS)
    nodes = np.linspace(z[0], z[-1], 257)
    tails = ndtr(-nodes)
    return np.stack([dof / rng.permutation(np.interp(z, nodes, np.cbrt(chdtri(dof, tails)))) ** 3 for dof in dofs])


def forget_draws() -> None:
    """Let the next study of any shape draw afresh, for timing."""
    _pivots.cache_clear()
