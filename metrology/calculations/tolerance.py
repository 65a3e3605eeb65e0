"""Tolerance intervals: between which values a share of the whole series lies."""

from dataclasses import dataclass

import numpy as np

from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import amount, amounts, choice, flag, sentence, share, unit_choice, whole
from metrology.calculations.plots import Axis, Mark, Plot, Series
from metrology.calculations.problems import refuse
from metrology.calculations.said import digits, written
from metrology.statistics.tolerance_interval import (
    free_confidence,
    free_left_out,
    free_sample_size,
    one_sided_factor,
    two_sided_factor,
)
from metrology.wording import NBSP, count, number

ISO_16269 = Source("ISO 16269-6: statistical tolerance intervals; exact factors by quadrature", "from memory")
WILKS = Source("Wilks: distribution-free tolerance limits; NBS Handbook 91 (Natrella)", "from memory")
NORMAL = "The factors hold for a normal distribution. Look at the values first; else use what needs no distribution."
SIDES = {"both": "from … to …", "lower": "at least …", "upper": "at most …"}


@dataclass(frozen=True)
class Sample:
    """What a sample says: n values, their mean and standard deviation s; the values themselves where they are given."""

    n: int
    mean: float
    sd: float
    values: tuple[float, ...]


def sample_of(values: tuple[float, ...], n: int | None, mean: float | None, sd: float | None) -> Sample:
    """From the values, or from n, mean and s. Raises Refused at the field that is missing or too much."""
    summary = {"n": n, "mean": mean, "sd": sd}
    if values:
        if given := [name for name, figure in summary.items() if figure is not None]:
            raise refuse(f"/{given[0]}", "Give the values or their summary, not both. Empty this.", "both-given")
        if len(values) < 2:
            raise refuse("/values", "One value tells nothing about the spread. Give two or more.", "too-few")
        array = np.asarray(values)
        return Sample(len(values), float(array.mean()), float(array.std(ddof=1)), values)
    for name, figure in summary.items():
        if figure is None:
            said = "Give the values, or all three of their number, mean and standard deviation."
            raise refuse("/values" if not any(v is not None for v in summary.values()) else f"/{name}", said, "missing")
    assert n is not None and mean is not None and sd is not None
    return Sample(n, mean, sd, ())


# ---- interval --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class IntervalInputs:
    values: tuple[float, ...] = amounts(
        "Values", "@unit", default=(), least=0, help="Or number, mean and standard deviation."
    )
    n: int | None = whole("Number of values", default=None, lowest=2, highest=1_000_000)
    mean: float | None = amount("Mean", "@unit", default=None)
    sd: float | None = amount("Standard deviation", "@unit", default=None, lowest=0.0)
    unit: str = unit_choice()
    sides: str = choice("Interval", SIDES, default="both")
    proportion: float = share("Share of the series", default=0.95, above=0.0, below=1.0)
    confidence: float = share("Confidence", default=0.95, above=0.0, below=1.0)


@dataclass(frozen=True, kw_only=True)
class IntervalResult:
    sentence: str = sentence()
    n: int = whole("Number of values")
    mean: float = amount("Mean", "@unit")
    sd: float = amount("Standard deviation", "@unit")
    k: float = amount("Factor k", decimals=4)
    low: float | None = amount("From", "@unit")
    high: float | None = amount("To", "@unit")
    free_low: float | None = amount("From, without normality", "@unit", help="Needs the values, and enough of them.")
    free_high: float | None = amount("To, without normality", "@unit")
    free_confidence: float | None = share("Confidence of that", decimals=5)
    free_needed: int = whole("Values it needs")


def interval(inputs: IntervalInputs) -> IntervalResult:
    """Normal tolerance interval, with the distribution-free one beside it."""
    sample = sample_of(inputs.values, inputs.n, inputs.mean, inputs.sd)
    both = inputs.sides == "both"
    factor = two_sided_factor if both else one_sided_factor
    k = factor(sample.n, inputs.proportion, inputs.confidence)
    low = sample.mean - k * sample.sd if inputs.sides != "upper" else None
    high = sample.mean + k * sample.sd if inputs.sides != "lower" else None
    free_low, free_high, sure = _free(sample.values, inputs)
    return IntervalResult(
        sentence=_interval_said(inputs, sample, low, high),
        n=sample.n,
        mean=sample.mean,
        sd=sample.sd,
        k=k,
        low=low,
        high=high,
        free_low=free_low,
        free_high=free_high,
        free_confidence=sure,
        free_needed=free_sample_size(inputs.proportion, inputs.confidence, 2 if both else 1),
    )


def _free(values: tuple[float, ...], inputs: IntervalInputs) -> tuple[float | None, float | None, float | None]:
    """The narrowest interval between sorted values that has the confidence: as many left out as allowed, alike on both
    sides, one more above when their number is odd.
    """
    ordered = sorted(values)
    out = free_left_out(len(ordered), inputs.proportion, inputs.confidence) if ordered else 0
    both = inputs.sides == "both"
    if out < (2 if both else 1):
        return None, None, None
    sure = free_confidence(len(ordered), inputs.proportion, out)
    if not both:
        return (ordered[out - 1], None, sure) if inputs.sides == "lower" else (None, ordered[-out], sure)
    below = out // 2
    return ordered[below - 1], ordered[-(out - below)], sure


def _interval_said(inputs: IntervalInputs, sample: Sample, low: float | None, high: float | None) -> str:
    unit = inputs.unit
    if low is not None and high is not None:
        where = f"between {written(low, unit, unit)} and {written(high, unit, unit)}"
    elif low is not None:
        where = f"at {written(low, unit, unit)} or above"
    else:
        where = f"at {written(high or 0.0, unit, unit)} or below"
    said = (
        f"At least {digits(100 * inputs.proportion)}{NBSP}% of the series lie {where}, with "
        f"{digits(100 * inputs.confidence)}{NBSP}% confidence from {count(sample.n, 'value')}"
    )
    if sample.sd == 0:
        return said + "; the values show no spread, so measure more finely before trusting that."
    return said + ", if it is normal."


def interval_plot(inputs: IntervalInputs, result: IntervalResult) -> tuple[Plot, ...]:
    if not inputs.values:
        return ()
    places = tuple(float(i) for i in range(1, result.n + 1))
    marks = tuple(
        Mark(end, label) for end, label in ((result.low, "from"), (result.high, "to")) if end is not None
    )  # fmt: skip
    series = (Series(places, inputs.values, "points"),)
    title = "The values in their interval"
    return (Plot(title, Axis("value, in order"), Axis("value", inputs.unit), series, marks, result.sentence),)


# ---- factor ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class FactorInputs:
    n: int = whole("Number of values", lowest=2, highest=1_000_000)
    proportion: float = share("Share of the series", default=0.95, above=0.0, below=1.0)
    confidence: float = share("Confidence", default=0.95, above=0.0, below=1.0)


@dataclass(frozen=True, kw_only=True)
class FactorResult:
    sentence: str = sentence()
    one_sided: float = amount("One-sided k", decimals=5)
    two_sided: float = amount("Two-sided k", decimals=5)


def factor(inputs: FactorInputs) -> FactorResult:
    """Exact normal tolerance factors."""
    one = one_sided_factor(inputs.n, inputs.proportion, inputs.confidence)
    two = two_sided_factor(inputs.n, inputs.proportion, inputs.confidence)
    said = (
        f"For {count(inputs.n, 'value')}, {digits(100 * inputs.proportion)}{NBSP}% of the series and "
        f"{digits(100 * inputs.confidence)}{NBSP}% confidence k is {number(one, 4)} one-sided and "
        f"{number(two, 4)} two-sided."
    )
    return FactorResult(sentence=said, one_sided=one, two_sided=two)


# ---- sample size -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class SizeInputs:
    proportion: float = share("Share of the series", default=0.99, above=0.0, below=1.0)
    confidence: float = share("Confidence", default=0.95, above=0.0, below=1.0)
    two_sided: bool = flag("From the least to the greatest value", help="Else on one side only.")
    more_left_out: int = whole("Further values that may lie outside", default=0, lowest=0, highest=1000)


@dataclass(frozen=True, kw_only=True)
class SizeResult:
    sentence: str = sentence()
    n: int = whole("Values needed")
    confidence: float = share("Confidence with that number", decimals=5)


def sample_size(inputs: SizeInputs) -> SizeResult:
    """How many values a distribution-free interval needs."""
    out = (2 if inputs.two_sided else 1) + inputs.more_left_out
    n = free_sample_size(inputs.proportion, inputs.confidence, out)
    where = (
        "between the least and the greatest of them" if inputs.two_sided else "on the near side of the most extreme one"
    )
    if inputs.more_left_out:
        where += f", {inputs.more_left_out} further left out"
    said = (
        f"{count(n, 'value')} are needed for {digits(100 * inputs.proportion)}{NBSP}% of any series to lie {where}, "
        f"with {digits(100 * inputs.confidence)}{NBSP}% confidence."
    )
    return SizeResult(sentence=said, n=n, confidence=free_confidence(n, inputs.proportion, out))


EXAMPLE_VALUES = (600.2, 599.7, 600.5, 600.1, 599.9, 600.4, 600.0, 600.3, 599.8, 600.1)

CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="tolerance-interval",
        title="Tolerance interval",
        subject="Series and samples",
        asks="Between which values does a share of the whole series lie?",
        inputs=IntervalInputs,
        result=IntervalResult,
        compute=interval,
        example=IntervalInputs(values=EXAMPLE_VALUES),
        formula="""mean ± k·s; one-sided k = quantile of the non-central t distribution ÷ √n
two-sided k: ∫ P(χ² ≥ (n−1)·r(x)²/k²) φ(x√n)√n dx = confidence, with Φ(x+r) − Φ(x−r) = share
without normality: between sorted values, P(binomial(n, share) ≤ n − values left out) ≥ confidence""",
        sources=(ISO_16269, WILKS),
        cautions=(NORMAL,),
        plot=interval_plot,
    ),
    Calculation(
        name="tolerance-factor",
        title="Tolerance factors",
        subject="Series and samples",
        asks="By how many standard deviations must limits clear the mean?",
        inputs=FactorInputs,
        result=FactorResult,
        compute=factor,
        example=FactorInputs(n=10),
        formula="as for the tolerance interval, exact; tables in handbooks often hold approximations",
        sources=(ISO_16269,),
        cautions=(NORMAL,),
    ),
    Calculation(
        name="sample-size-free",
        title="Sample size without normality",
        subject="Series and samples",
        asks="How many must be measured to speak about a series whose distribution is unknown?",
        inputs=SizeInputs,
        result=SizeResult,
        compute=sample_size,
        example=SizeInputs(),
        formula="the least n with P(binomial(n, share) ≤ n − values left out) ≥ confidence",
        sources=(WILKS, ISO_16269),
        cautions=("The values must come from the series at random: not the first ones, not one mould only.",),
    ),
)
