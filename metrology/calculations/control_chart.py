"""Control charts: is a process stable, and where not?"""

from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats, Ints
from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import (
    amount,
    amounts,
    choice,
    flag,
    grid,
    sentence,
    table,
    text,
    unit_choice,
    whole,
    wholes,
)
from metrology.calculations.plots import Axis, Mark, Plot, Series, curve
from metrology.calculations.problems import refuse
from metrology.calculations.subgroups import grouped
from metrology.statistics.chart_constants import LARGEST_SUBGROUP, chart_constants
from metrology.statistics.control_charts import ControlChart, Line, control_chart
from metrology.statistics.run_rules import SETS, Rule, rules
from metrology.wording import listed

CHARTS = {
    "auto": "by the size of the subgroups",
    "xbar-r": "means and ranges",
    "xbar-s": "means and standard deviations",
    "i-mr": "single values and moving ranges",
}
RULES = {
    "western-electric": "Western Electric, four rules",
    "nelson": "Nelson, eight rules",
    "limits-only": "points beyond the limits only",
}
ON_SPREAD = "spread-beyond-limits"
CHARTS_SOURCE = Source("ISO 7870-2 and ASTM E2587: control charts; constants by integration", "from memory")
RULES_SOURCE = Source("Western Electric handbook (1956); Nelson, J. Quality Technology 16 (1984)", "from memory")


@dataclass(frozen=True, kw_only=True)
class ChartInputs:
    values: tuple[float, ...] = amounts(
        "Values in order of making", "@unit", default=(), least=0, help="Or rows of subgroups."
    )
    subgroup_size: int = whole("Values in a subgroup", default=1, lowest=1, highest=LARGEST_SUBGROUP)
    samples: tuple[int, ...] = wholes(
        "Subgroup of each value", default=(), least=0, help="Its number, rising, where subgroups differ in size."
    )
    subgroups: tuple[tuple[float, ...], ...] = grid(
        "Subgroups", "@unit", default=(), least=0, most=20_000, help="A row for each, instead of the values."
    )
    unit: str = unit_choice()
    chart: str = choice("Chart", CHARTS, default="auto")
    rules: str = choice("Run rules", RULES, default="western-electric")
    run_length: int | None = whole(
        "Run on one side", default=None, lowest=2, highest=100, help="8 by Western Electric, 9 by Nelson."
    )
    phase_one: int | None = whole(
        "Subgroups of phase I", default=None, lowest=2, help="The first so many set the limits; empty: all."
    )
    leave_out: tuple[int, ...] = wholes(
        "Subgroups with a known cause", default=(), least=0, lowest=1, help="They count for no limit; from 1."
    )
    centre: float | None = amount("Centre line known beforehand", "@unit", default=None)
    sigma: float | None = amount("Standard deviation known beforehand", "@unit", default=None, above=0.0)
    printed: bool = flag("Constants rounded as tables print them", help="d2 1.128 instead of 1.128379.")


@dataclass(frozen=True)
class Signal:
    """One point that tells, and why."""

    point: int = whole("Subgroup")
    rule: str = text("Rule")
    says: str = text("What it saw")


@dataclass(frozen=True, kw_only=True)
class ChartResult:
    sentence: str = sentence()
    chart: str = text("Chart")
    n: int = whole("Number of values")
    subgroups: int = whole("Subgroups")
    phase_one: int = whole("Subgroups that set the limits")
    centre: float = amount("Centre line", "@unit")
    sigma: float = amount("Standard deviation within subgroups", "@unit")
    lower: float | None = amount("Lower control limit", "@unit", help="None where it differs by subgroup.")
    upper: float | None = amount("Upper control limit", "@unit")
    mean_range: float | None = amount("Mean range", "@unit", help="Of phase I; moving ranges for single values.")
    mean_sd: float | None = amount("Mean standard deviation", "@unit", help="Of phase I.")
    spread_centre: float | None = amount("Centre line of the spread", "@unit")
    spread_lower: float | None = amount("Lower control limit of the spread", "@unit")
    spread_upper: float | None = amount("Upper control limit of the spread", "@unit")
    d2: float | None = amount("Constant d2", decimals=6)
    c4: float | None = amount("Constant c4", decimals=6)
    stable: bool = flag("No rule saw anything")
    signals: tuple[Signal, ...] = table("Signals", Signal)
    beyond_limits: tuple[int, ...] = wholes("Beyond a limit")
    two_of_three: tuple[int, ...] = wholes("2 of 3 beyond 2 standard deviations")
    four_of_five: tuple[int, ...] = wholes("4 of 5 beyond 1 standard deviation")
    run_on_one_side: tuple[int, ...] = wholes("Run on one side")
    trend: tuple[int, ...] = wholes("6 rising or falling")
    alternating: tuple[int, ...] = wholes("14 up and down in turn")
    near_centre: tuple[int, ...] = wholes("15 within 1 standard deviation")
    away_from_centre: tuple[int, ...] = wholes("8 beyond 1 standard deviation")
    spread_beyond: tuple[int, ...] = wholes("Spread beyond a limit")
    points: tuple[float, ...] = amounts("Plotted values", "@unit")
    spreads: tuple[float, ...] = amounts("Plotted spreads", "@unit", help="Moving ranges begin at the second value.")


def chart(inputs: ChartInputs) -> ChartResult:
    """The chart, its limits from phase I, and the points at which the rules hold."""
    x, groups = _ordered(inputs)
    chosen = rules(inputs.rules, inputs.run_length)
    made = _made(inputs, x, groups)
    location, spread = made.location, made.spread
    found: dict[str, tuple[int, ...]] = _named(location.hits) if location else dict.fromkeys(SETS["nelson"][0], ())
    out = _named(spread.hits)["beyond-limits"] if spread else ()
    signals = _signals(chosen, found, out)
    constants = chart_constants(int(max(2, made.sizes.max())))
    points = np.add.reduceat(x, np.unique(groups, return_index=True)[1]) / made.sizes
    return ChartResult(
        sentence=_said(made, signals),
        chart=CHARTS[made.kind],
        n=x.size,
        subgroups=made.sizes.size,
        phase_one=made.phase_one.size,
        centre=made.centre,
        sigma=made.sigma,
        lower=_common(location.lower) if location else None,
        upper=_common(location.upper) if location else None,
        mean_range=None if made.kind == "xbar-s" else made.mean_spread,
        mean_sd=made.mean_spread if made.kind == "xbar-s" else None,
        spread_centre=_common(spread.centre) if spread else None,
        spread_lower=_common(spread.lower) if spread else None,
        spread_upper=_common(spread.upper) if spread else None,
        d2=None if made.kind == "xbar-s" else round(constants.d2, 3) if inputs.printed else constants.d2,
        c4=None if made.kind != "xbar-s" else round(constants.c4, 4) if inputs.printed else constants.c4,
        stable=not signals and location is not None,
        signals=signals,
        spread_beyond=out,
        points=tuple(points.tolist()),
        spreads=tuple(spread.points[~np.isnan(spread.points)].tolist()) if spread else (),
        **{name.replace("-", "_"): places for name, places in found.items()},
    )


def _ordered(inputs: ChartInputs) -> tuple[Floats, Ints]:
    x, groups = grouped(inputs.values, inputs.subgroup_size, inputs.samples, inputs.subgroups)
    if x.size < 2:
        raise refuse("/values", "A chart needs two values or more. Give them in the order of making.", "too-few")
    if (np.diff(groups) < 0).any():
        raise refuse("/samples", "The subgroups are not in order. Sort the values by their subgroup.", "not-in-order")
    if inputs.subgroup_size > 1 and x.size % inputs.subgroup_size and not inputs.subgroups:
        said = f"{x.size} values do not fill subgroups of {inputs.subgroup_size}. Complete the last or leave it out."
        raise refuse("/subgroup_size", said, "unequal")
    return x, groups


def _made(inputs: ChartInputs, x: Floats, groups: Ints) -> ControlChart:
    if inputs.leave_out and max(inputs.leave_out) > np.unique(groups).size:
        raise refuse("/leave_out", "There is no subgroup of that number. Count from 1.", "bad-phase")
    return control_chart(
        x,
        groups,
        kind=None if inputs.chart == "auto" else inputs.chart,
        phase_one=inputs.phase_one,
        left_out=np.array(inputs.leave_out, dtype=np.int64) - 1 if inputs.leave_out else None,
        centre=inputs.centre,
        sigma=inputs.sigma,
        run_length=inputs.run_length or SETS[inputs.rules][1],
        printed=inputs.printed,
    )


def _named(found: dict[str, Ints]) -> dict[str, tuple[int, ...]]:
    return {name: tuple((places + 1).tolist()) for name, places in found.items()}


def _signals(chosen: tuple[Rule, ...], found: dict[str, tuple[int, ...]], out: tuple[int, ...]) -> tuple[Signal, ...]:
    seen = [Signal(point, rule.name, rule.says) for rule in chosen for point in found[rule.name]]
    seen += [Signal(point, ON_SPREAD, "its spread beyond a limit") for point in out]
    return tuple(sorted(seen, key=lambda one: one.point))


def _common(line: Floats) -> float | None:
    """The one level of a line, None where subgroups of other sizes have others."""
    return float(line[0]) if np.ptp(line) <= 1e-12 * max(1.0, float(np.abs(line).max())) else None


def _said(made: ControlChart, signals: tuple[Signal, ...]) -> str:
    what = "values" if made.kind == "i-mr" else "subgroups"
    if made.location is None:
        return "The values show no spread, so there are no limits: measure more finely."
    of_phase = f"limits from {made.phase_one.size} of {made.sizes.size} {what}"
    if not signals:
        return f"Nothing tells against a stable process in {made.sizes.size} {what}; {of_phase}."
    first = signals[0]
    where = sorted({one.point for one in signals})
    noun = what[:-1] if len(where) == 1 else what
    side = ""
    if first.rule in ("beyond-limits", "run-on-one-side", "two-of-three", "four-of-five"):
        side = " too high," if made.location.points[first.point - 1] > made.centre else " too low,"
    return (
        f"The process is not stable at {noun} {listed([str(point) for point in where], 6)}: first at {first.point},"
        f"{side} {first.says}; {of_phase}."
    )


def chart_plot(inputs: ChartInputs, result: ChartResult) -> tuple[Plot, ...]:
    """Both charts; points of signals carry their number."""
    made = _made(inputs, *_ordered(inputs))
    if made.location is None or made.spread is None:
        return ()
    places = sorted({one.point for one in result.signals if one.rule != ON_SPREAD})
    says = str(result.sentence)
    what = "value" if made.kind == "i-mr" else "mean"
    other = {"i-mr": "moving range", "xbar-r": "range", "xbar-s": "standard deviation"}[made.kind]
    split = float(inputs.phase_one) + 0.5 if inputs.phase_one and inputs.phase_one < made.sizes.size else None
    return (
        _drawn(f"Chart of {what}s", what, inputs.unit, made.location, places, split, says),
        _drawn(f"Chart of {other}s", other, inputs.unit, made.spread, list(result.spread_beyond), split, says),
    )


def _drawn(title: str, what: str, unit: str, line: Line, places: list[int], split: float | None, says: str) -> Plot:
    at = np.arange(1, line.points.size + 1)
    there = ~np.isnan(line.points)
    series = [curve(at[there], line.points[there], "line"), curve(at[there], line.points[there], "points")]
    if places:
        xs = tuple(float(place) for place in places)
        ys = tuple(float(line.points[place - 1]) for place in places)
        series.append(Series(xs, ys, "points", "second", "signal", tuple(str(place) for place in places)))
    marks: tuple[Mark, ...] = ()
    lower, centre, upper = _common(line.lower), _common(line.centre), _common(line.upper)
    if centre is not None:
        marks += (Mark(centre, "centre", heavy=False),)
    if lower is not None and upper is not None:
        marks += (Mark(upper, "upper", forbidden="above"),)
        if lower != 0 or line.points.min() < 0:
            marks += (Mark(lower, "lower", forbidden="below"),)
    else:
        series += [curve(at, line.lower, "steps", "third", "limits"), curve(at, line.upper, "steps", "third")]
    if split is not None:
        marks += (Mark(split, "end of phase I", "x", heavy=False),)
    # Room for the names of the lines behind the last point.
    order = Axis("subgroup, in order", low=0.0, high=float(line.points.size) * 1.12 + 0.5)
    return Plot(title, order, Axis(what, unit), tuple(series), marks, says)


# Seat depths of ten casts in pour order, invented; the mould was reworked after the seventh.
EXAMPLE = (12.4, 12.3, 12.6, 12.5, 12.4, 12.6, 12.3, 13.1, 12.9, 13.0)

CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="control-chart",
        title="Control chart",
        subject="Gauges and process",
        asks="Is the process stable, and where not?",
        inputs=ChartInputs,
        result=ChartResult,
        compute=chart,
        example=ChartInputs(values=EXAMPLE, phase_one=7),
        formula="""limits: centre ± 3σ/√n; σ = mean range ÷ d2, mean s ÷ c4, or mean moving range ÷ d2(2), of phase I
ranges: σ (d2 ± 3 d3); standard deviations: σ (c4 ± 3 √(1 − c4²)); none below 0
rules hold at the last point of their pattern; for ranges only points beyond a limit tell""",
        sources=(CHARTS_SOURCE, RULES_SOURCE),
        cautions=(
            "Control limits are what the process does, never what the drawing allows.",
            "Leave a point out of the limits only with its cause written down.",
        ),
        plot=chart_plot,
    ),
)
