"""Capability of a process against its limits, with the evidence on which the indices rest."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import ndtr

from metrology.bodies import Floats
from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.capability_words import advice, capability_said, judged
from metrology.calculations.conformity import check_limits
from metrology.calculations.fields import (
    amount,
    amounts,
    choice,
    grid,
    sentence,
    share,
    text,
    unit_choice,
    whole,
    wholes,
)
from metrology.calculations.plots import Axis, Mark, Plot, curve
from metrology.calculations.problems import refuse
from metrology.calculations.subgroups import grouped
from metrology.statistics.capability import Index, Indices, Within, indices, percentile_indices, within_spread
from metrology.statistics.chart_constants import LARGEST_SUBGROUP
from metrology.statistics.normality import Normality, normality
from metrology.statistics.outliers import Grubbs, grubbs
from metrology.statistics.tolerance_interval import clopper_pearson

INDICES = Source("ISO 22514-2; intervals of Chou and others (1990), Bissell (1990), Boyles (1991)", "from memory")
NORMALITY = Source("D'Agostino and Stephens: Anderson–Darling; Royston: Shapiro–Wilk, AS R94", "from memory")
GRUBBS = Source("Grubbs (1969); ASTM E178", "from memory")
WITHIN = {"range": "mean range ÷ d2", "sd": "mean s ÷ c4", "pooled": "pooled standard deviation"}
DOF = {"total": "n − 1 of all values, as published", "within": "those of the spread within subgroups"}


@dataclass(frozen=True, kw_only=True)
class CapabilityInputs:
    values: tuple[float, ...] = amounts(
        "Values in order of making", "@unit", default=(), least=0, help="Or rows of subgroups, or a summary."
    )
    subgroup_size: int = whole("Values in a subgroup", default=1, lowest=1, highest=LARGEST_SUBGROUP)
    samples: tuple[int, ...] = wholes(
        "Subgroup of each value", default=(), least=0, help="Its number, where subgroups differ in size."
    )
    subgroups: tuple[tuple[float, ...], ...] = grid(
        "Subgroups", "@unit", default=(), least=0, most=20_000, help="A row for each, instead of the values."
    )
    n: int | None = whole("Number of values", default=None, lowest=2, highest=1_000_000)
    mean: float | None = amount("Mean", "@unit", default=None)
    sd: float | None = amount("Standard deviation of all values", "@unit", default=None, lowest=0.0)
    sd_within: float | None = amount("Standard deviation within subgroups", "@unit", default=None, lowest=0.0)
    unit: str = unit_choice()
    lower: float | None = amount("Lower limit", "@unit", default=None)
    upper: float | None = amount("Upper limit", "@unit", default=None)
    target: float | None = amount("Target", "@unit", default=None, help="The middle of the limits when empty.")
    within: str = choice("Spread within subgroups", WITHIN, default="range", help="Single values: moving range.")
    confidence: float = share("Confidence", default=0.95, above=0.0, below=1.0)
    interval_dof: str = choice("Degrees of freedom of Cp and Cpk", DOF, default="total")
    wanted: float = amount("Index wanted", default=1.33, above=0.0, help="1.33 is common practice, no source.")
    alpha: float = share("Level of the tests", default=0.05, above=0.0, below=1.0, help="Normality and outliers.")


@dataclass(frozen=True, kw_only=True)
class CapabilityResult:
    sentence: str = sentence()
    verdict: str = text("Index wanted", help="Of Ppk, by its interval.")
    cp: float | None = amount("Cp", decimals=4)
    cp_low: float | None = amount("Cp, from", decimals=4)
    cp_high: float | None = amount("Cp, to", decimals=4)
    cpk: float | None = amount("Cpk", decimals=4)
    cpk_low: float | None = amount("Cpk, from", decimals=4)
    cpk_high: float | None = amount("Cpk, to", decimals=4)
    cpl: float | None = amount("Cpk towards the lower limit", decimals=4)
    cpu: float | None = amount("Cpk towards the upper limit", decimals=4)
    cpm: float | None = amount("Cpm", decimals=4, help="With the spread within subgroups.")
    cpm_low: float | None = amount("Cpm, from", decimals=4)
    cpm_high: float | None = amount("Cpm, to", decimals=4)
    pp: float | None = amount("Pp", decimals=4)
    pp_low: float | None = amount("Pp, from", decimals=4)
    pp_high: float | None = amount("Pp, to", decimals=4)
    ppk: float | None = amount("Ppk", decimals=4)
    ppk_low: float | None = amount("Ppk, from", decimals=4)
    ppk_high: float | None = amount("Ppk, to", decimals=4)
    ppl: float | None = amount("Ppk towards the lower limit", decimals=4)
    ppu: float | None = amount("Ppk towards the upper limit", decimals=4)
    cpm_overall: float | None = amount("Cpm with the spread of all values", decimals=4)
    n: int | None = whole("Number of values")
    mean: float = amount("Mean", "@unit")
    sd: float = amount("Standard deviation of all values", "@unit")
    sd_within: float | None = amount("Standard deviation within subgroups", "@unit")
    within: str | None = text("How that was found")
    share_outside: float | None = share("Estimated share outside the limits", decimals=7, help="Normal distribution.")
    conforming: int | None = whole("Values inside the limits")
    share_conforming_low: float | None = share("At least this share conforms, counted only", decimals=5)
    normality: str | None = text("Normal distribution")
    anderson_darling: float | None = amount("Anderson–Darling A²", decimals=4)
    anderson_darling_adjusted: float | None = amount("A², adjusted for n", decimals=4)
    anderson_darling_p: float | None = amount("Its p-value", decimals=4)
    shapiro_wilk: float | None = amount("Shapiro–Wilk W", decimals=4)
    shapiro_wilk_p: float | None = amount("Its p-value", decimals=4)
    outlier: float | None = amount("Outlier", "@unit", help="None when no value lies out by Grubbs' test.")
    grubbs_g: float | None = amount("Grubbs G", decimals=4)
    grubbs_critical: float | None = amount("Critical G", decimals=4)
    pp_percentile: float | None = amount("Pp by percentiles", decimals=4, help="From 1000 values on.")
    ppk_percentile: float | None = amount("Ppk by percentiles", decimals=4)
    advice: str | None = text("What to do now")


@dataclass(frozen=True)
class _Process:
    """What is known of a process: mean and spreads, and the values where they are given."""

    n: int | None
    mean: float
    sd: float
    within: Within | None
    values: Floats


def capability(inputs: CapabilityInputs) -> CapabilityResult:
    """Indices with intervals, normality, outliers, and the count inside the limits."""
    check_limits(inputs.lower, inputs.upper)
    process = _process(inputs)
    within = process.within
    short = _indices(inputs, process, within.sigma, within.dof) if within else None
    overall = _indices(inputs, process, process.sd, None)
    x = process.values
    shape = normality(x, inputs.alpha) if x.size else None
    out = grubbs(x, inputs.alpha) if x.size >= 3 and process.sd > 0 else None
    outlier = float(x[out.index]) if out and out.outlier else None
    good = int(_inside(x, inputs).sum()) if x.size else None
    low = clopper_pearson(good, x.size, 1 - inputs.confidence, 0.0)[0] if good is not None else None
    percentiles = percentile_indices(x, inputs.lower, inputs.upper) if x.size else None
    verdict = judged(overall.nearer if overall else None, inputs.wanted)
    return CapabilityResult(
        sentence=capability_said(
            overall.nearer if overall else None,
            verdict=verdict,
            wanted=inputs.wanted,
            confidence=inputs.confidence,
            normality=shape,
            outlier=outlier,
            unit=inputs.unit,
            conforming=good,
            n=process.n,
            share_low=low,
        ),
        verdict=verdict,
        **_figures(short, ("cp", "cpk", "cpm", "cpl", "cpu")),
        **_figures(overall, ("pp", "ppk", "", "ppl", "ppu")),
        cpm_overall=overall.m.value if overall and overall.m else None,
        n=process.n,
        mean=process.mean,
        sd=process.sd,
        sd_within=within.sigma if within else None,
        within=None if within is None else WITHIN.get(within.method, within.method),
        share_outside=_outside(inputs, process) if process.sd > 0 else None,
        conforming=good,
        share_conforming_low=low,
        **_evidence(shape, out),
        outlier=outlier,
        pp_percentile=percentiles[0] if percentiles else None,
        ppk_percentile=percentiles[1] if percentiles else None,
        advice=advice(shape, outlier, process.sd),
    )


def _process(inputs: CapabilityInputs) -> _Process:
    summary = {"n": inputs.n, "mean": inputs.mean, "sd": inputs.sd, "sd_within": inputs.sd_within}
    x, groups = grouped(inputs.values, inputs.subgroup_size, inputs.samples, inputs.subgroups)
    if x.size:
        if given := [name for name, figure in summary.items() if figure is not None]:
            raise refuse(f"/{given[0]}", "Give the values or their summary, not both. Empty this.", "both-given")
        if x.size < 2:
            raise refuse("/values", "One value tells nothing about the spread. Give two or more.", "too-few")
        # Equal values have a mean that is off by a rounding, and so a spread of nothing but that.
        spread = float(x.std(ddof=1)) if x.max() > x.min() else 0.0
        return _Process(x.size, float(x.mean()), spread, within_spread(x, groups, inputs.within), x)
    if inputs.mean is None:
        raise refuse("/values", "Give the values, or at least their mean and standard deviation.", "missing")
    sd = inputs.sd if inputs.sd is not None else inputs.sd_within
    if sd is None:
        raise refuse("/sd", "Give the standard deviation as well.", "missing")
    short = inputs.sd_within if inputs.sd_within is not None else sd
    within = Within("as given", short, 0.0 if inputs.n is None else inputs.n - 1.0, 0)
    return _Process(inputs.n, inputs.mean, sd, within, np.empty(0))


def _indices(inputs: CapabilityInputs, process: _Process, sigma: float, dof: float | None) -> Indices | None:
    if not sigma > 1e-13 * max(abs(process.mean), 1e-300):
        return None
    within = inputs.interval_dof == "within" and process.n is not None
    return indices(
        process.mean,
        sigma,
        inputs.lower,
        inputs.upper,
        inputs.target,
        n=process.n,
        dof=dof if within else None,
        confidence=inputs.confidence,
    )


def _figures(found: Indices | None, names: tuple[str, str, str, str, str]) -> dict[str, Any]:
    """Figures of the result by name: both limits, the nearer one, target, lower, upper; no name, no figure."""
    figures: dict[str, Any] = {}
    wanted: tuple[Index | None, ...] = (None,) * 5
    if found:
        wanted = (found.both, found.nearer, found.m, found.lower, found.upper)
    for name, index, has_interval in zip(names, wanted, (True, True, True, False, False), strict=True):
        if not name:
            continue
        figures[name] = index.value if index else None
        if has_interval:
            figures[f"{name}_low"] = index.low if index else None
            figures[f"{name}_high"] = index.high if index else None
    return figures


def _evidence(shape: Normality | None, out: Grubbs | None) -> dict[str, Any]:
    return {
        "normality": shape.word if shape else None,
        "anderson_darling": shape.a2 if shape else None,
        "anderson_darling_adjusted": shape.a2_star if shape else None,
        "anderson_darling_p": shape.a2_p if shape else None,
        "shapiro_wilk": shape.w if shape else None,
        "shapiro_wilk_p": shape.w_p if shape else None,
        "grubbs_g": out.g if out else None,
        "grubbs_critical": out.critical if out else None,
    }


def _inside(x: Floats, inputs: CapabilityInputs) -> np.ndarray:
    low = -np.inf if inputs.lower is None else inputs.lower
    high = np.inf if inputs.upper is None else inputs.upper
    return (x >= low) & (x <= high)


def _outside(inputs: CapabilityInputs, process: _Process) -> float:
    below = 0.0 if inputs.lower is None else float(ndtr((inputs.lower - process.mean) / process.sd))
    above = 0.0 if inputs.upper is None else float(ndtr((process.mean - inputs.upper) / process.sd))
    return below + above


def capability_plot(inputs: CapabilityInputs, result: CapabilityResult) -> tuple[Plot, ...]:
    """The estimated normal distribution over the histogram of the values, against the limits."""
    if result.sd == 0:
        return ()
    x = result.mean + result.sd * np.linspace(-4, 4, 121)
    y = np.exp(-0.5 * ((x - result.mean) / result.sd) ** 2) / (result.sd * np.sqrt(2 * np.pi))
    series = [curve(x, y)]
    values = grouped(inputs.values, inputs.subgroup_size, inputs.samples, inputs.subgroups)[0]
    if values.size >= 8:
        heights, edges = np.histogram(values, bins=min(40, max(5, round(2 * values.size ** (1 / 3)))), density=True)
        series.insert(0, curve((edges[1:] + edges[:-1]) / 2, heights, "bars", "second"))
    marks: tuple[Mark, ...] = ()
    if inputs.lower is not None:
        marks += (Mark(inputs.lower, "lower", "x", "below"),)
    if inputs.upper is not None:
        marks += (Mark(inputs.upper, "upper", "x", "above"),)
    if inputs.target is not None:
        marks += (Mark(inputs.target, "target", "x", heavy=False),)
    axes = Axis("value", inputs.unit), Axis("density", low=0.0)
    return (Plot("The values against their limits", *axes, tuple(series), marks, result.sentence),)


# Lengths of sixteen casts in pour order, invented.
EXAMPLE = (
    600.2,
    599.7,
    600.5,
    600.1,
    599.9,
    600.4,
    600.0,
    600.3,
    599.8,
    600.1,
    600.2,
    600.6,
    599.9,
    600.0,
    600.4,
    600.2,
)

CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="capability",
        title="Capability",
        subject="Gauges and process",
        asks="How well does the process keep its limits?",
        inputs=CapabilityInputs,
        result=CapabilityResult,
        compute=capability,
        example=CapabilityInputs(values=EXAMPLE, lower=598.5, upper=601.5),
        formula="""Cp = (U − L) ÷ 6σ, Cpk = min(U − mean, mean − L) ÷ 3σ, Cpm = (U − L) ÷ 6√(σ² + (mean − target)²)
σ within subgroups: mean range ÷ d2, mean s ÷ c4 or pooled; single values: mean moving range ÷ d2(2)
Pp, Ppk: the same with the standard deviation of all values
intervals: Cp √(χ²(n−1) ÷ (n−1)); Cpk ± z √(1 ÷ 9n + Cpk² ÷ 2(n−1)); Cpm by χ² with Boyles' degrees of freedom""",
        sources=(INDICES, NORMALITY, GRUBBS),
        cautions=(
            "An index says nothing about a process that is not stable. Look at its control chart first.",
            "From ranges of few subgroups the intervals of Cp and Cpk are too narrow; Pp and Ppk decide here.",
        ),
        plot=capability_plot,
    ),
)
