"""Control charts of measured values: means with ranges or standard deviations, single values with moving ranges.

Limits lie three standard deviations of the plotted value from its centre line, with constants of
`chart_constants`. They are set from the subgroups of phase I and held against all that follow (phase II).
ISO 7870-2 and ASTM E2587 (from memory).
"""

from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats, Ints
from metrology.errors import InputError
from metrology.statistics.chart_constants import mean_sd, range_moments
from metrology.statistics.run_rules import hits

KINDS = ("xbar-r", "xbar-s", "i-mr")
# From this many values in a subgroup on, the range wastes what they tell.
LARGEST_RANGE = 10


@dataclass(frozen=True)
class Line:
    """One chart of k points. points, centre, lower, upper: (k,); hits: places (from 0) where a rule holds, by rule. A
    moving range has no first point: NaN there.
    """

    points: Floats
    centre: Floats
    lower: Floats
    upper: Floats
    hits: dict[str, Ints]


@dataclass(frozen=True)
class ControlChart:
    """kind: of KINDS. sizes: (k,) of the subgroups. centre, sigma: of single values, from phase I. location: the chart
    of means or values; spread: of ranges, standard deviations or moving ranges, mean_spread their mean in phase I (of
    the subgroups of the commonest size). Both charts are None without spread.
    """

    kind: str
    sizes: Ints
    phase_one: Ints
    centre: float
    sigma: float
    mean_spread: float
    location: Line | None
    spread: Line | None


def control_chart(
    values: Floats,
    groups: Ints,
    *,
    kind: str | None = None,
    phase_one: int | None = None,
    left_out: Ints | None = None,
    centre: float | None = None,
    sigma: float | None = None,
    run_length: int = 8,
    printed: bool = False,
) -> ControlChart:
    """The chart of values in order of time.

    values, groups: (n,), the subgroup of each value, rising. kind: by the size of the subgroups when None. phase_one:
    the limits come from so many first subgroups, from all when None. left_out: (m,) subgroups (from 0) with a known
    cause that count for no limit. centre, sigma: known beforehand, of single values. printed: d2, d3 and c4 rounded as
    tables print them.

    Raises InputError: too-few, bad-chart, mixed-sizes, bad-phase, bad-sigma.
    """
    x = np.asarray(values, float)
    _, starts, sizes = np.unique(np.asarray(groups), return_index=True, return_counts=True)
    kind = kind or _usual(sizes)
    _check(kind, sizes, sigma)
    mine = _phase_one(sizes.size, phase_one, left_out)
    mean = np.add.reduceat(x, starts) / sizes
    in_phase = np.repeat(np.isin(np.arange(sizes.size), mine), sizes)
    middle = float(x[in_phase].mean()) if centre is None else centre
    plotted = _spreads(kind, x, starts, sizes)
    constant, deviation_of_spread = _constants(kind, sizes, printed)
    # A moving range counts when both its values belong to phase I.
    telling = mine[np.isin(mine - 1, mine)] if kind == "i-mr" else mine
    if sigma is None:
        if telling.size == 0:
            raise InputError("bad-phase", "No two neighbours remain for a moving range. Leave fewer out.")
        sigma = float(np.mean(plotted[telling] / constant[telling]))
    alike = plotted[telling][sizes[telling] == np.bincount(sizes[mine]).argmax()]
    mean_spread = float(alike.mean()) if alike.size else 0.0
    chart = ControlChart(kind, sizes, mine, middle, sigma, mean_spread, None, None)
    if sigma <= 1e-13 * abs(middle):
        return chart
    deviation = sigma / np.sqrt(sizes)
    location = Line(
        mean,
        np.full(sizes.size, middle),
        middle - 3 * deviation,
        middle + 3 * deviation,
        hits((mean - middle) / deviation, run_length),
    )
    line = _spread_line(plotted, constant, deviation_of_spread, sigma)
    return ControlChart(kind, sizes, mine, middle, sigma, mean_spread, location, line)


def _usual(sizes: Ints) -> str:
    if sizes.max(initial=1) == 1:
        return "i-mr"
    return "xbar-r" if sizes.max() <= LARGEST_RANGE else "xbar-s"


def _check(kind: str, sizes: Ints, sigma: float | None) -> None:
    if kind not in KINDS:
        raise InputError("bad-chart", f"“{kind}” is no chart. Take one of {', '.join(KINDS)}.")
    if sizes.size < 2:
        raise InputError("too-few", "A chart needs two points or more. Go on measuring.")
    if kind == "i-mr" and sizes.max() > 1:
        raise InputError("mixed-sizes", "A chart of single values has one value a subgroup. Take a chart of means.")
    if kind != "i-mr" and sizes.min() < 2:
        raise InputError("mixed-sizes", "A chart of means needs two values or more in every subgroup.")
    if sigma is not None and not sigma > 0:
        raise InputError("bad-sigma", "The standard deviation is above zero.")


def _phase_one(k: int, first: int | None, left_out: Ints | None) -> Ints:
    if first is not None and not 2 <= first <= k:
        raise InputError("bad-phase", f"Phase I has 2 to {k} of the subgroups; {first} is not possible.")
    mine = np.arange(k if first is None else first)
    if left_out is not None:
        mine = np.setdiff1d(mine, left_out)
    if mine.size < 2:
        raise InputError("bad-phase", "Two subgroups or more must remain for the limits. Leave fewer out.")
    return mine


def _spreads(kind: str, x: Floats, starts: Ints, sizes: Ints) -> Floats:
    if kind == "i-mr":
        return np.concatenate([[np.nan], np.abs(np.diff(x))])
    if kind == "xbar-r":
        ranges: Floats = np.maximum.reduceat(x, starts) - np.minimum.reduceat(x, starts)
        return ranges
    mean = np.add.reduceat(x, starts) / sizes
    squares = np.add.reduceat((x - np.repeat(mean, sizes)) ** 2, starts)
    deviations: Floats = np.sqrt(squares / (sizes - 1))
    return deviations


def _constants(kind: str, sizes: Ints, printed: bool) -> tuple[Floats, Floats]:
    """(mean, standard deviation) of the spread of each subgroup, with σ = 1."""
    kinds, place = np.unique(np.full_like(sizes, 2) if kind == "i-mr" else sizes, return_inverse=True)
    if kind == "xbar-s":
        c4 = np.array([round(mean_sd(int(n)), 4) if printed else mean_sd(int(n)) for n in kinds])[place]
        return c4, np.sqrt(1 - c4 * c4)
    moments = np.array([range_moments(int(n)) for n in kinds])[place]
    if printed:
        moments = np.round(moments, 3)
    return moments[:, 0], moments[:, 1]


def _spread_line(plotted: Floats, constant: Floats, deviation: Floats, sigma: float) -> Line:
    """Only points beyond a limit tell here: ranges are not normal, so the other rules would cry wolf."""
    lower, upper = sigma * np.maximum(constant - 3 * deviation, 0), sigma * (constant + 3 * deviation)
    with np.errstate(invalid="ignore"):
        out = (plotted > upper) | (plotted < lower)
    return Line(plotted, sigma * constant, lower, upper, {"beyond-limits": np.flatnonzero(out).astype(np.int64)})
