"""Tolerance loops: a gap that is the sum of dimensions in a row, or of vectors in a plane, one after another.

Three answers are given side by side. *Worst case*: every dimension at its least favourable limit. *Root sum of
squares*: independent dimensions, their limits combined as standard deviations are. *Simulation*: the chance that the
gap lies inside its limits when each dimension is drawn as its contributor says, or from measured parts.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Protocol

import numpy as np

from metrology.bodies import Floats
from metrology.errors import InputError

SPREADS = ("normal", "uniform", "triangular", "measured")
# Corners of the tolerance box that are tried one by one for a loop that is not a plain sum.
_MOST_CORNERS = 2**16
# Assemblies summed at once: their numbers stay in the processor's cache.
_IN_CACHE = 16_384


@dataclass(frozen=True)
class Contributor:
    """One dimension of a loop, in mm or degrees.

    lower, upper: its limits. spread: "normal" (the limits lie `sds_to_limit` standard deviations from the middle),
    "uniform", "triangular" (both between the limits), or "measured" (drawn from `measured`, at least two values).
    """

    name: str
    nominal: float
    lower: float
    upper: float
    spread: str = "normal"
    sds_to_limit: float = 3.0
    measured: tuple[float, ...] = ()

    @property
    def middle(self) -> float:
        """Mean of the dimension as drawn."""
        if self.spread == "measured":
            return float(np.mean(self.measured))
        return (self.lower + self.upper) / 2

    @property
    def half(self) -> float:
        """Half the width between its limits."""
        return (self.upper - self.lower) / 2

    @property
    def sd(self) -> float:
        """Standard deviation of the dimension as drawn; of measured parts with n - 1."""
        if self.spread == "measured":
            return float(np.std(self.measured, ddof=1))
        return self.half / {"normal": self.sds_to_limit, "uniform": 3**0.5, "triangular": 6**0.5}[self.spread]

    def tightened(self, factor: float) -> "Contributor":
        """The same dimension with all that varies made smaller by the factor, about its middle."""
        middle = self.middle
        limits = (self.lower + self.upper) / 2
        measured = tuple(middle + factor * (value - middle) for value in self.measured)
        return replace(self, lower=limits - factor * self.half, upper=limits + factor * self.half, measured=measured)

    def draw(self, random: np.random.Generator, count: int) -> Floats:
        """`count` dimensions at random, (count,). Measured parts are drawn again and again (bootstrap)."""
        return self.fill(random, np.empty(count))

    def fill(self, random: np.random.Generator, into: Floats) -> Floats:
        """As `draw`, written into an array that is used again and again."""
        if self.spread == "measured":
            values = np.asarray(self.measured, dtype=np.float64)
            np.take(values, random.integers(0, len(values), len(into)), out=into)
        elif self.spread == "normal":
            random.standard_normal(out=into)
            into *= self.sd
            into += self.middle
        elif self.spread == "uniform":
            into[:] = random.uniform(self.lower, self.upper, len(into))
        elif self.lower == self.upper:
            into[:] = self.lower
        else:
            into[:] = random.triangular(self.lower, self.middle, self.upper, len(into))
        return into


class Loop(Protocol):
    """What closes: a function of the dimensions, and how fast it changes with each of them."""

    def gap(self, dimensions: Floats) -> Floats:
        """(contributors, assemblies) to (assemblies,) mm."""

    def sensitivities(self, dimensions: Floats) -> Floats:
        """d gap / d dimension at one set of dimensions, (contributors,) to (contributors,)."""


@dataclass(frozen=True)
class LinearLoop:
    """gap = constant + sum of coefficient times dimension. coefficients: (contributors,), often +1 and -1."""

    coefficients: tuple[float, ...]
    constant: float = 0.0

    def gap(self, dimensions: Floats) -> Floats:
        summed: Floats = np.asarray(self.coefficients) @ dimensions + self.constant
        return summed

    def sensitivities(self, dimensions: Floats) -> Floats:
        return np.asarray(self.coefficients, dtype=np.float64)


@dataclass(frozen=True)
class VectorLoop:
    """Vectors in a plane, head to tail. The contributors are first all lengths (mm), then all bearings (degrees).

    gap: component of the vector from the start to the end along `towards` (degrees from the x axis, anticlockwise).
    turning: bearings are turns from the vector before; otherwise from the x axis.
    """

    vectors: int
    towards: float = 0.0
    turning: bool = False

    def gap(self, dimensions: Floats) -> Floats:
        lengths, bearings = self._parts(dimensions)
        along: Floats = (lengths * np.cos(bearings - np.radians(self.towards))).sum(axis=0)
        return along

    def sensitivities(self, dimensions: Floats) -> Floats:
        lengths, bearings = self._parts(dimensions[:, None])
        bearings = bearings - np.radians(self.towards)
        by_bearing = -(lengths * np.sin(bearings))[:, 0] * np.pi / 180
        if self.turning:  # a turn carries all that follows
            by_bearing = np.cumsum(by_bearing[::-1])[::-1]
        return np.concatenate([np.cos(bearings)[:, 0], by_bearing])

    def _parts(self, dimensions: Floats) -> tuple[Floats, Floats]:
        lengths, bearings = dimensions[: self.vectors], np.radians(dimensions[self.vectors :])
        return lengths, np.cumsum(bearings, axis=0) if self.turning else bearings


def numeric_sensitivities(loop: Loop, dimensions: Floats, steps: Floats) -> Floats:
    """Central differences of the gap, (contributors,). steps: how far each dimension is moved to either side."""
    moved = np.repeat(dimensions[:, None], 2 * len(dimensions), axis=1)
    rows = np.arange(len(dimensions))
    moved[rows, 2 * rows] += steps
    moved[rows, 2 * rows + 1] -= steps
    gaps = loop.gap(moved)
    slopes: Floats = (gaps[0::2] - gaps[1::2]) / (2 * steps)
    return slopes


@dataclass(frozen=True)
class StackUp:
    """Figures of a loop before anything is drawn. All in the unit of the gap.

    nominal: gap of the nominals. middle: of the means as drawn. sensitivities: at the means. least, most: worst case.
    rss: half width of the root-sum-of-squares band about `middle`, from the limits. sd: standard deviation of the gap.
    shares: of the gap's variance that each contributor brings, (contributors,), sum 1 (0 where nothing varies).
    corners: whether the worst case was found by trying every corner of the limits rather than by the sensitivities.
    """

    nominal: float
    middle: float
    sensitivities: Floats
    least: float
    most: float
    rss: float
    sd: float
    shares: Floats
    corners: bool


def stack_up(loop: Loop, contributors: Sequence[Contributor]) -> StackUp:
    """Worst case, root sum of squares and contributions. Common practice of tolerance analysis, no source.

    Raises InputError for no contributors, limits the wrong way round or a measured spread without two values.
    """
    check(contributors)
    middle = np.array([one.middle for one in contributors])
    half = np.array([one.half for one in contributors])
    slopes = loop.sensitivities(middle)
    centre = np.array([(one.lower + one.upper) / 2 for one in contributors])
    plain = isinstance(loop, LinearLoop)
    corners = not plain and 2 ** int((half > 0).sum()) <= _MOST_CORNERS
    if corners:
        gaps = loop.gap(_corners(centre, half))
        least, most = float(gaps.min()), float(gaps.max())
    else:
        reach = float(np.abs(slopes * half).sum())
        at_centre = float(loop.gap(centre[:, None])[0])
        least, most = at_centre - reach, at_centre + reach
    variances = (slopes * np.array([one.sd for one in contributors])) ** 2
    total = float(variances.sum())
    return StackUp(
        nominal=float(loop.gap(np.array([[one.nominal] for one in contributors]))[0]),
        middle=float(loop.gap(middle[:, None])[0]),
        sensitivities=slopes,
        least=least,
        most=most,
        rss=float(np.sqrt(((slopes * half) ** 2).sum())),
        sd=total**0.5,
        shares=variances / total if total > 0 else np.zeros(len(contributors)),
        corners=corners,
    )


def draw_gaps(loop: Loop, contributors: Sequence[Contributor], assemblies: int, seed: int) -> Floats:
    """Gaps of assemblies put together at random, (assemblies,). Same seed, same gaps.

    Each contributor draws from a generator of its own, so that changing one leaves the others' numbers as they were:
    a change is judged on the same luck.
    """
    check(contributors)
    children = np.random.SeedSequence(seed).spawn(len(contributors))
    randoms = [np.random.Generator(np.random.PCG64(child)) for child in children]
    if isinstance(loop, LinearLoop):
        return _summed(loop, contributors, assemblies, randoms)
    gaps = np.empty(assemblies)
    for start in range(0, assemblies, 65_536):
        stop = min(start + 65_536, assemblies)
        drawn = [one.draw(random, stop - start) for one, random in zip(contributors, randoms, strict=True)]
        gaps[start:stop] = loop.gap(np.array(drawn))
    return gaps


def _summed(
    loop: LinearLoop, contributors: Sequence[Contributor], assemblies: int, randoms: Sequence[np.random.Generator]
) -> Floats:
    """A sum needs no more memory than the sum: little over the time of drawing the numbers."""
    pairs = list(zip(loop.coefficients, contributors, randoms, strict=True))
    centre = sum(factor * one.middle for factor, one, _ in pairs if one.spread == "normal")
    gaps = np.full(assemblies, loop.constant + centre)
    drawn = np.empty(min(_IN_CACHE, assemblies))
    for start in range(0, assemblies, _IN_CACHE):
        here = gaps[start : start + _IN_CACHE]
        part = drawn[: len(here)]
        for factor, one, random in pairs:
            if one.spread == "normal":
                random.standard_normal(out=part)
                part *= factor * one.sd
            else:
                one.fill(random, part)
                part *= factor
            here += part
    return gaps


def check(contributors: Sequence[Contributor]) -> None:
    if not contributors:
        raise InputError("no-contributors", "Give at least one dimension that adds to the gap.")
    for one in contributors:
        if one.spread not in SPREADS:
            raise InputError("spread", f"{one.name}: the spread is one of {', '.join(SPREADS)}.")
        if not np.isfinite([one.nominal, one.lower, one.upper, *one.measured]).all():
            raise InputError("not-a-number", f"{one.name}: every value must be a number.")
        if one.lower > one.upper:
            raise InputError("limits-swapped", f"{one.name}: the limits are the wrong way round; give the lower first.")
        if one.spread == "measured" and len(one.measured) < 2:
            raise InputError("too-few-measured", f"{one.name}: give at least two measured values, or another spread.")
        if not one.sds_to_limit > 0:
            raise InputError("sds-to-limit", f"{one.name}: the standard deviations to a limit must be more than 0.")


def _corners(centre: Floats, half: Floats) -> Floats:
    """Every corner of the limits, (contributors, corners); what does not vary has one value."""
    signs = np.array(list(product(*[(-1.0, 1.0) if width > 0 else (0.0,) for width in half]))).T
    placed: Floats = centre[:, None] + signs * half[:, None]
    return placed
