"""The chance that a loop closes inside its limits, how sure that is, what spoils it and what would mend it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from metrology.bodies import Floats
from metrology.closure.loops import Contributor, LinearLoop, Loop, check, draw_gaps, stack_up
from metrology.errors import InputError
from metrology.statistics.tolerance_interval import clopper_pearson

ASSEMBLIES = 100_000
# What an answer that is asked for again and again looks at, on the same luck every time.
TO_SEARCH = 20_000
# Means and standard deviations that may stand behind the measured casts, and assemblies looked at for each.
_BEHIND, _EACH = 400, 2_000
_LEAST_FACTOR, _MOST_FACTOR = 1e-3, 1e2


@dataclass(frozen=True)
class GapLimits:
    """What the gap may be; None: no limit on that side. Raises InputError: no-limits, limits-swapped."""

    lower: float | None = None
    upper: float | None = None

    def __post_init__(self) -> None:
        if self.lower is None and self.upper is None:
            raise InputError("no-limits", "Give at least one limit of the gap.")
        if self.lower is not None and self.upper is not None and self.lower > self.upper:
            raise InputError("limits-swapped", "The lower limit of the gap is above the upper one. Exchange the two.")

    @property
    def ends(self) -> tuple[float, float]:
        return (
            -np.inf if self.lower is None else self.lower,
            np.inf if self.upper is None else self.upper,
        )

    def inside(self, gaps: Floats) -> "np.ndarray[tuple[int, ...], np.dtype[np.bool_]]":
        low, high = self.ends
        return (gaps >= low) & (gaps <= high)


@dataclass(frozen=True)
class ClosingChance:
    """share: of the simulated assemblies inside the limits; too_small, too_large: below and above them.

    low, high: bounds of the chance, each at the confidence asked for. surely: "simulation" when only the number of
    draws limits them, "casts" when they also carry how few casts were measured. gaps: (assemblies,).
    """

    share: float
    too_small: float
    too_large: float
    low: float
    high: float
    surely: str
    gaps: Floats


def closing_chance(
    loop: Loop,
    contributors: Sequence[Contributor],
    limits: GapLimits,
    *,
    confidence: float = 0.95,
    assemblies: int = ASSEMBLIES,
    seed: int = 1,
) -> ClosingChance:
    """The chance that the gap is inside its limits, with its bounds.

    Without measured casts the bounds are those of Clopper and Pearson for the draws. With them, means and standard
    deviations are drawn that may stand behind the casts, taken as normal (generalised pivots; see `_behind`).
    Raises InputError: confidence, and as `loops.check`.
    """
    if not 0 < confidence < 1:
        raise InputError("confidence", "The confidence must be more than 0 % and less than 100 %.")
    if assemblies < 1:
        raise InputError("assemblies", "Simulate at least one assembly.")
    gaps = draw_gaps(loop, contributors, assemblies, seed)
    low_end, high_end = limits.ends
    small, large = int((gaps < low_end).sum()), int((gaps > high_end).sum())
    inside = assemblies - small - large
    low, high = clopper_pearson(inside, assemblies, 1 - confidence, 1 - confidence)
    surely = "simulation"
    if any(one.spread == "measured" for one in contributors):
        shares = _behind(loop, contributors, limits, seed)
        low, high = (float(end) for end in np.quantile(shares, [1 - confidence, confidence]))
        surely = "casts"
    return ClosingChance(inside / assemblies, small / assemblies, large / assemblies, low, high, surely, gaps)


def normal_chance(loop: Loop, contributors: Sequence[Contributor], limits: GapLimits) -> float:
    """The chance if the gap were normal with its mean and standard deviation: a second route, by closed form."""
    found = stack_up(loop, contributors)
    if found.sd == 0:
        return float(limits.inside(np.array([found.middle]))[0])
    low, high = ((end - found.middle) / found.sd for end in limits.ends)
    return float(ndtr(high) - ndtr(low))


def _behind(loop: Loop, contributors: Sequence[Contributor], limits: GapLimits, seed: int) -> Floats:
    """Chances for means and standard deviations that may stand behind the casts, (_BEHIND,).

    Contributors that are equal, name and all, are pieces of one kind: the same mean and spread stands behind them.

    Of n casts with mean m and standard deviation s: s' = s √((n − 1)/χ²), mean' = m + z s'/√n. For one measured
    dimension and one limit the bound is that of the normal tolerance interval.
    """
    random = np.random.default_rng([seed, 2])
    means = np.empty((len(contributors), _BEHIND, 1))
    sds = np.ones((len(contributors), _BEHIND, 1))
    for row, one in enumerate(contributors):
        means[row] = one.middle
        if (first := list(contributors).index(one)) < row:
            means[row], sds[row] = means[first], sds[first]
        elif one.spread == "measured":
            n = len(one.measured)
            sds[row, :, 0] = one.sd * np.sqrt((n - 1) / random.chisquare(n - 1, _BEHIND))
            means[row, :, 0] += random.standard_normal(_BEHIND) * sds[row, :, 0] / np.sqrt(n)
    if isinstance(loop, LinearLoop) and all(one.spread in ("normal", "measured") for one in contributors):
        for row, one in enumerate(contributors):
            if one.spread == "normal":
                sds[row] = one.sd
        return _linear_shares(loop, means[:, :, 0], sds[:, :, 0], limits)
    around = np.array([_around(one, random) for one in contributors])
    shares = np.empty(_BEHIND)
    for number in range(_BEHIND):
        shares[number] = limits.inside(loop.gap(means[:, number] + sds[:, number] * around)).mean()
    return shares


def _linear_shares(loop: LinearLoop, means: Floats, sds: Floats, limits: GapLimits) -> Floats:
    slopes = np.asarray(loop.coefficients)[:, None]
    middle = (slopes * means).sum(axis=0) + loop.constant
    sd = np.sqrt(((slopes * sds) ** 2).sum(axis=0))
    low, high = limits.ends
    if not sd.all():
        return limits.inside(middle).astype(np.float64)
    shares: Floats = ndtr((high - middle) / sd) - ndtr((low - middle) / sd)
    return shares


def _around(one: Contributor, random: np.random.Generator) -> Floats:
    """How a dimension lies about its middle, (_EACH,); of a measured one in standard deviations."""
    if one.spread == "measured":
        return random.standard_normal(_EACH)
    return one.draw(random, _EACH) - one.middle


# ---- what would mend it ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Remedy:
    """One change and what it would bring. name: of the contributor. kind: "halve" its spread, or "shift" its mean by
    `shift` so that the gap lies in the middle of its limits. share: chance of closing afterwards."""

    name: str
    kind: str
    shift: float
    share: float


def remedies(loop: Loop, contributors: Sequence[Contributor], limits: GapLimits, *, seed: int = 1) -> list[Remedy]:
    """Single changes, the one that brings most first; all on the same luck. Common practice, no source.

    Equal contributors are pieces of one kind and change together. A shift is offered where both limits are given; a
    contributor that does not move the gap is left out.
    """
    found = []
    stack = stack_up(loop, contributors)
    for one in dict.fromkeys(contributors):
        rows = [row for row, other in enumerate(contributors) if other == one]
        slope = float(stack.sensitivities[rows].sum())
        if stack.sd > 0 and abs(slope) * (one.sd or one.half or 1.0) < 1e-9 * stack.sd:
            continue  # it does not move the gap
        if one.sd > 0:
            after = _share(loop, contributors, rows, one.tightened(0.5), limits, seed)
            found.append(Remedy(one.name, "halve", 0.0, after))
        if slope and limits.lower is not None and limits.upper is not None:
            shift = ((limits.lower + limits.upper) / 2 - stack.middle) / slope
            if shift:
                after = _share(loop, contributors, rows, moved(one, shift), limits, seed)
                found.append(Remedy(one.name, "shift", shift, after))
    return sorted(found, key=lambda each: -each.share)


def moved(one: Contributor, by: float) -> Contributor:
    """The same dimension with its mean and limits moved."""
    return replace(
        one,
        nominal=one.nominal + by,
        lower=one.lower + by,
        upper=one.upper + by,
        measured=tuple(value + by for value in one.measured),
    )


def _share(
    loop: Loop,
    contributors: Sequence[Contributor],
    rows: Sequence[int],
    changed: Contributor,
    limits: GapLimits,
    seed: int,
) -> float:
    after = [changed if row in rows else one for row, one in enumerate(contributors)]
    if isinstance(loop, LinearLoop) and all(one.spread == "normal" for one in after):
        return normal_chance(loop, after, limits)
    return float(limits.inside(draw_gaps(loop, after, TO_SEARCH, seed)).mean())


def factor_to_reach(
    loop: Loop,
    contributors: Sequence[Contributor],
    limits: GapLimits,
    wanted: float,
    *,
    rows: Sequence[int] | None = None,
    seed: int = 1,
) -> float | None:
    """What the spread of some contributors, or of all, may be multiplied by to reach the wanted chance.

    rows: which; None: all. More than 1 when there is room to spare, at most 100. None when even without their spread
    the chance is not reached. Found by halving, to 0.1 %: by closed form for a sum of normal dimensions, else on the
    same luck in every step. Raises InputError.
    """
    if not 0 < wanted < 1:
        raise InputError("wanted-chance", "The wanted chance must be more than 0 % and less than 100 %.")
    check(contributors)
    chosen = np.zeros((len(contributors), 1), dtype=bool)
    chosen[list(range(len(contributors)) if rows is None else rows)] = True
    middle = np.array([[one.middle] for one in contributors])
    children = np.random.SeedSequence(seed).spawn(len(contributors))
    drawn = [
        one.draw(np.random.Generator(np.random.PCG64(child)), TO_SEARCH)
        for one, child in zip(contributors, children, strict=True)
    ]
    around = np.array(drawn) - middle

    normal = isinstance(loop, LinearLoop) and all(one.spread == "normal" for one in contributors)

    def reached(factor: float) -> bool:
        if normal:
            scaled = [one.tightened(factor) if mine else one for one, mine in zip(contributors, chosen, strict=True)]
            return normal_chance(loop, scaled, limits) >= wanted
        try:
            gaps = loop.gap(middle + np.where(chosen, factor, 1.0) * around)
        except InputError:  # so wide that the formula has no value any more
            return False
        return bool(limits.inside(gaps).mean() >= wanted)

    if not reached(_LEAST_FACTOR):
        return None
    low, high = _LEAST_FACTOR, 1.0
    while reached(high):
        if high >= _MOST_FACTOR:
            return _MOST_FACTOR
        low, high = high, min(2 * high, _MOST_FACTOR)
    while high / low > 1.001:
        between = (low * high) ** 0.5
        low, high = (between, high) if reached(between) else (low, between)
    return low
