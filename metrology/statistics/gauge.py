"""Crossed gauge studies: how much of the spread of readings is the gauge's, the appraisers', the parts'.

Every appraiser reads every part equally often. Variance components by analysis of variance with random parts and
appraisers, or from ranges (AIAG MSA, 4th edition, and Burdick, Borror and Montgomery, both from memory). A component
that comes out negative is set to zero and named.
"""

from dataclasses import dataclass
from math import sqrt

import numpy as np
from scipy.special import fdtrc

from metrology.bodies import Floats
from metrology.errors import InputError
from metrology.statistics.chart_constants import mean_range, mean_range_of

# Interactions whose p-value is above this are pooled with the repeatability (AIAG MSA examples, from memory).
POOLING_LEVEL = 0.25
STUDY_WIDTH = 6.0
# AIAG MSA (from memory) writes 1.41, not √2.
NDC_FACTOR = 1.41

PARTS, APPRAISERS, INTERACTION, REPEATABILITY = "part", "appraiser", "interaction", "repeatability"


@dataclass(frozen=True)
class Source:
    """One row of an analysis of variance. ms, f, p: None where there is nothing to divide by or compare with."""

    name: str
    dof: int
    ss: float
    ms: float | None
    f: float | None = None
    p: float | None = None


@dataclass(frozen=True)
class Components:
    """Variances in the squared unit of the readings, none below zero. zeroed: which of them came out negative. untold:
    which of them the study cannot tell (one appraiser, one part, one reading each); they count as zero.
    """

    repeatability: float
    appraiser: float
    interaction: float
    part: float
    zeroed: tuple[str, ...] = ()
    untold: tuple[str, ...] = ()

    @property
    def reproducibility(self) -> float:
        return self.appraiser + self.interaction

    @property
    def grr(self) -> float:
        return self.repeatability + self.reproducibility

    @property
    def total(self) -> float:
        return self.grr + self.part

    @property
    def ndc(self) -> float | None:
        """Number of distinct categories before it is cut to a whole number; None where the gauge shows no spread."""
        return NDC_FACTOR * sqrt(self.part / self.grr) if self.grr > 0 else None


@dataclass(frozen=True)
class Study:
    """shape: (parts, appraisers, readings each). table: with the interaction; reduced: with it pooled, empty when it is
    not. components: what follows.
    """

    method: str
    shape: tuple[int, int, int]
    mean: float
    table: tuple[Source, ...]
    reduced: tuple[Source, ...]
    components: Components

    @property
    def pooled(self) -> bool:
        return bool(self.reduced)


def whole_categories(ndc: float | None) -> int | None:
    """Cut to a whole number, at least 1: one category is a gauge that tells no part from another."""
    return None if ndc is None else max(1, int(ndc))


def of_tolerance(sd: float, tolerance: float, width: float = STUDY_WIDTH) -> float:
    """Share of the tolerance that `width` standard deviations take. Raises InputError: no-tolerance."""
    if not tolerance > 0:
        raise InputError("no-tolerance", "The limits leave no tolerance, so there is nothing to take a share of.")
    return width * sd / tolerance


def checked(readings: Floats) -> Floats:
    """(parts, appraisers, readings each) as floats. Raises InputError: bad-shape, too-few."""
    x = np.asarray(readings, float)
    if x.ndim != 3:
        raise InputError("bad-shape", "Readings stand by part, appraiser and repeat.")
    p, a, r = x.shape
    if p * a * r < 2 or (r == 1 and min(p, a) == 1):
        raise InputError("too-few", "These readings cannot tell a spread. Let each part be read twice or more.")
    return x


# ---- analysis of variance --------------------------------------------------------------------------------------------


def anova_study(readings: Floats, pooling_level: float | None = POOLING_LEVEL) -> Study:
    """readings: (parts, appraisers, readings each), all there. pooling_level: an interaction with a p-value above it is
    pooled with the repeatability; 0: always, None: never pooled. With one reading each the interaction cannot be told
    apart from the repeatability and is pooled always. Raises InputError: bad-shape, too-few, bad-share.
    """
    x = checked(readings)
    if pooling_level is not None and not 0 <= pooling_level <= 1:
        raise InputError("bad-share", "The level for pooling lies between 0 and 1.")
    squares = _squares(x)
    p, a, r = x.shape
    table = _table(squares, x.shape, pooled=False)
    crossed = squares[INTERACTION][1] > 0
    chance = next((row.p for row in table if row.name == INTERACTION), None)
    pooled = crossed and (
        r == 1
        or pooling_level == 0
        or (pooling_level is not None and chance is not None and chance > pooling_level)
        or _silent(squares)
    )
    reduced = _table(squares, x.shape, pooled=True) if pooled else ()
    return Study(
        "anova", (p, a, r), float(x.mean()), table, reduced, components_of(mean_squares(reduced or table), x.shape)
    )


def _squares(x: Floats) -> dict[str, tuple[float, int]]:
    """Sum of squares and degrees of freedom of each source."""
    p, a, r = x.shape
    mean, by_part, by_appraiser, cell = x.mean(), x.mean(axis=(1, 2)), x.mean(axis=(0, 2)), x.mean(axis=2)
    cross = cell - by_part[:, None] - by_appraiser[None, :] + mean
    found = {
        PARTS: (a * r * float(np.sum((by_part - mean) ** 2)), p - 1),
        APPRAISERS: (p * r * float(np.sum((by_appraiser - mean) ** 2)), a - 1),
        INTERACTION: (r * float(np.sum(cross**2)), (p - 1) * (a - 1)),
        REPEATABILITY: (float(np.sum((x - cell[:, :, None]) ** 2)), p * a * (r - 1)),
    }
    # Equal readings have means that are off by a rounding: squares of nothing but that are nothing.
    least = x.size * (1e-13 * float(np.abs(x).max())) ** 2
    return {name: (ss if ss > least else 0.0, dof) for name, (ss, dof) in found.items()}


def _silent(squares: dict[str, tuple[float, int]]) -> bool:
    """Neither the readings of one cell nor the interaction differ: nothing to compare."""
    return squares[REPEATABILITY][0] == 0 and squares[INTERACTION][0] == 0


def _table(squares: dict[str, tuple[float, int]], shape: tuple[int, int, int], *, pooled: bool) -> tuple[Source, ...]:
    rows = dict(squares)
    if pooled:
        (ss_cross, dof_cross), (ss, dof) = rows.pop(INTERACTION), rows[REPEATABILITY]
        rows[REPEATABILITY] = (ss + ss_cross, dof + dof_cross)
    mean = {name: ss / dof if dof else None for name, (ss, dof) in rows.items()}
    error = REPEATABILITY if rows[REPEATABILITY][1] else INTERACTION
    against = INTERACTION if rows.get(INTERACTION, (0.0, 0))[1] else REPEATABILITY
    compared = {PARTS: against, APPRAISERS: against, INTERACTION: error if error != INTERACTION else None}
    found = []
    for name, (ss, dof) in rows.items():
        if dof == 0:
            continue
        f, chance = _compare(mean[name], dof, mean, rows, compared.get(name))
        found.append(Source(name, dof, ss, mean[name], f, chance))
    found.append(Source("total", shape[0] * shape[1] * shape[2] - 1, sum(ss for ss, _ in rows.values()), None))
    return tuple(found)


def _compare(
    ms: float | None,
    dof: int,
    mean: dict[str, float | None],
    rows: dict[str, tuple[float, int]],
    against: str | None,
) -> tuple[float | None, float | None]:
    below = mean.get(against) if against else None
    if against is None or ms is None or not below:
        return None, None
    f = ms / below
    return f, float(fdtrc(dof, rows[against][1], f))


def mean_squares(table: tuple[Source, ...]) -> dict[str, tuple[float, int]]:
    """Mean square and degrees of freedom of each source that has any."""
    return {row.name: (row.ms, row.dof) for row in table if row.ms is not None}


def components_of(means: dict[str, tuple[float, int]], shape: tuple[int, int, int]) -> Components:
    """Variance components from the mean squares of a balanced study with random parts and appraisers."""
    raw = raw_components({name: np.array(ms) for name, (ms, _) in means.items()}, shape)
    negative = tuple(name for name, value in raw.items() if value < 0)
    names = (REPEATABILITY, APPRAISERS, INTERACTION, PARTS)
    kept = {name: max(0.0, float(raw.get(name, 0.0))) for name in names}
    p, a, _ = shape
    untold = tuple(name for name, told in ((APPRAISERS, a > 1), (PARTS, p > 1)) if not told)
    return Components(
        kept[REPEATABILITY], kept[APPRAISERS], kept[INTERACTION], kept[PARTS], zeroed=negative, untold=untold
    )


def raw_components(means: dict[str, Floats], shape: tuple[int, int, int]) -> dict[str, Floats]:
    """Components as they come out, negative or not, from mean squares of any one shape."""
    p, a, r = shape
    error = means.get(REPEATABILITY, means.get(INTERACTION))
    assert error is not None
    raw = {REPEATABILITY: error}
    below = error
    if INTERACTION in means and REPEATABILITY in means:
        below = means[INTERACTION]
        raw[INTERACTION] = (below - error) / r
    if APPRAISERS in means:
        raw[APPRAISERS] = (means[APPRAISERS] - below) / (p * r)
    if PARTS in means:
        raw[PARTS] = (means[PARTS] - below) / (a * r)
    return raw


# ---- ranges ----------------------------------------------------------------------------------------------------------


def average_range_study(readings: Floats) -> Study:
    """Averages and ranges (AIAG MSA, from memory): repeatability from the mean range of each appraiser's readings of a
    part ÷ d2, appraisers and parts from the ranges of their averages ÷ d2*. Interaction is not looked at. Raises
    InputError: bad-shape, too-few, one-reading.
    """
    x = checked(readings)
    p, a, r = x.shape
    if r < 2:
        raise InputError("one-reading", "With one reading each, averages and ranges cannot tell the repeatability.")
    repeatability = float(np.ptp(x, axis=2).mean()) / mean_range(r)
    appraiser = part = 0.0
    if a > 1:
        between = float(np.ptp(x.mean(axis=(0, 2)))) / mean_range_of(a, 1)
        appraiser = between**2 - repeatability**2 / (p * r)
    if p > 1:
        part = (float(np.ptp(x.mean(axis=(1, 2)))) / mean_range_of(p, 1)) ** 2
    zeroed = (APPRAISERS,) if appraiser < 0 else ()
    untold = tuple(name for name, told in ((APPRAISERS, a > 1), (PARTS, p > 1)) if not told)
    found = Components(repeatability**2, max(0.0, appraiser), 0.0, part, zeroed, (*untold, INTERACTION))
    return Study("average-range", (p, a, r), float(x.mean()), (), (), found)


def short_range_study(readings: Floats) -> Study:
    """The short way (AIAG MSA, from memory): each of two appraisers or more reads each part once; the mean range over
    the appraisers ÷ d2* is the gauge as a whole. Repeatability and reproducibility are not told apart: all counts as
    repeatability. Raises InputError: bad-shape, too-few, not-once.
    """
    x = checked(readings)
    p, a, r = x.shape
    if r != 1 or a < 2:
        raise InputError("not-once", "The short way needs one reading of each part by two appraisers or more.")
    grr = float(np.ptp(x[:, :, 0], axis=1).mean()) / mean_range_of(a, p)
    part = (float(np.ptp(x.mean(axis=(1, 2)))) / mean_range_of(p, 1)) ** 2 if p > 1 else 0.0
    untold = (APPRAISERS, INTERACTION) if p > 1 else (APPRAISERS, INTERACTION, PARTS)
    return Study("range", (p, a, r), float(x.mean()), (), (), Components(grr**2, 0.0, 0.0, part, (), untold))
