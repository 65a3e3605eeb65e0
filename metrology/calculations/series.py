"""What measured or tried pieces say about the whole series."""

from dataclasses import dataclass
from math import ceil, exp, floor, log, log10

import numpy as np
from scipy.special import log_ndtr, ndtr

from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.conformity import check_limits, said_limits
from metrology.calculations.conformity_risk import percent
from metrology.calculations.fields import amount, amounts, choice, sentence, share, text, unit_choice, whole
from metrology.calculations.plots import Axis, Mark, Plot, curve
from metrology.calculations.problems import refuse
from metrology.calculations.said import digits
from metrology.calculations.tolerance import EXAMPLE_VALUES, ISO_16269, NORMAL, Sample, sample_of
from metrology.statistics.tolerance_interval import clopper_pearson, run_size, share_below, share_between
from metrology.wording import NBSP, count, number

BINOMIAL = Source("Clopper and Pearson: exact limits of a binomial share", "from memory")
RANDOM = "The pieces must stand for the series: same mould, mix and hands, picked without looking."


# ---- series bound ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class BoundInputs:
    values: tuple[float, ...] = amounts(
        "Values", "@unit", default=(), least=0, help="Or number, mean and standard deviation."
    )
    n: int | None = whole("Number of values", default=None, lowest=2, highest=1_000_000)
    mean: float | None = amount("Mean", "@unit", default=None)
    sd: float | None = amount("Standard deviation", "@unit", default=None, lowest=0.0)
    unit: str = unit_choice()
    lower: float | None = amount("Lower limit", "@unit", default=None)
    upper: float | None = amount("Upper limit", "@unit", default=None)
    guard: float = amount("Guard band", "@unit", default=0.0, lowest=0.0, help="Taken off each limit first.")
    confidence: float = share("Confidence", default=0.95, above=0.0, below=1.0)
    series: int = whole("Pieces in the series", default=100, lowest=1, highest=1_000_000)


@dataclass(frozen=True, kw_only=True)
class BoundResult:
    sentence: str = sentence()
    share_low: float | None = share("At least this share conforms", decimals=5, help="Normal; none without spread.")
    share_estimate: float | None = share("Best estimate of the share", decimals=6)
    chance_all_low: float | None = share("Chance that all conform, at least", decimals=5)
    chance_all_estimate: float | None = share("Best estimate of that chance", decimals=5)
    free_share_low: float | None = share("At least this share, counted only", decimals=5, help="Without normality.")
    free_chance_all_low: float | None = share("Chance that all conform, counted only", decimals=5)
    conforming: int | None = whole("Values that conform")
    n: int = whole("Number of values")
    mean: float = amount("Mean", "@unit")
    sd: float = amount("Standard deviation", "@unit")
    distance: float | None = amount("Nearer limit, in standard deviations", decimals=3)


def bound(inputs: BoundInputs) -> BoundResult:
    """Lower confidence bound on the conforming share of a series, and the chance that all of N pieces conform."""
    sample = sample_of(inputs.values, inputs.n, inputs.mean, inputs.sd)
    check_limits(inputs.lower, inputs.upper)
    low = None if inputs.lower is None else inputs.lower + inputs.guard
    high = None if inputs.upper is None else inputs.upper - inputs.guard
    if low is not None and high is not None and low >= high:
        raise refuse("/guard", "The guard bands leave nothing between the limits. Measure more finely.", "no-room")
    share_low, estimate, distance = _normal(sample, low, high, inputs.confidence)
    good, free = _counted(sample, low, high, inputs.confidence)
    pieces = inputs.series
    chance = None if share_low is None else _all(share_low, pieces)
    return BoundResult(
        sentence=_bound_said(inputs, share_low, free, chance),
        share_low=share_low,
        share_estimate=None if estimate is None else exp(estimate),
        chance_all_low=chance,
        chance_all_estimate=None if estimate is None else exp(pieces * estimate),
        free_share_low=free,
        free_chance_all_low=None if free is None else _all(free, pieces),
        conforming=good,
        n=sample.n,
        mean=sample.mean,
        sd=sample.sd,
        distance=distance,
    )


def _normal(
    sample: Sample, low: float | None, high: float | None, confidence: float
) -> tuple[float | None, float | None, float | None]:
    """(bound, logarithm of the best estimate, distance of the nearer limit in s); None where there is no spread."""
    if sample.sd == 0:
        return None, None, None
    below = None if low is None else (sample.mean - low) / sample.sd
    above = None if high is None else (high - sample.mean) / sample.sd
    distance = min(d for d in (below, above) if d is not None)
    if below is not None and above is not None:
        outside = float(ndtr(-below) + ndtr(-above))
        estimate = log(max(1 - outside, 1e-300)) if outside > 1e-12 else -outside
        return share_between(distance, sample.n, confidence), estimate, distance
    return share_below(distance, sample.n, confidence), float(log_ndtr(distance)), distance


def _counted(
    sample: Sample, low: float | None, high: float | None, confidence: float
) -> tuple[int | None, float | None]:
    if not sample.values:
        return None, None
    array = np.asarray(sample.values)
    fine = np.ones(array.size, bool)
    if low is not None:
        fine &= array >= low
    if high is not None:
        fine &= array <= high
    good = int(fine.sum())
    return good, clopper_pearson(good, sample.n, 1 - confidence, 0.0)[0]


def _all(share_low: float, pieces: int) -> float:
    return share_low**pieces


def at_least(p: float) -> str:
    """A lower bound in percent, cut and not rounded, with two digits of what is missing to 100 %."""
    missing = 100 * (1 - p)
    places = 2 if missing <= 0 else min(10, max(1, ceil(-log10(missing)) + 1))
    cut = floor(100 * p * 10**places + 1e-9 * p) / 10**places
    return f"{number(cut, places)}{NBSP}%"


def _bound_said(inputs: BoundInputs, share_low: float | None, free: float | None, chance: float | None) -> str:
    limits = said_limits(inputs.lower, inputs.upper, inputs.unit)
    sure = f"{digits(100 * inputs.confidence)}{NBSP}% confidence"
    if share_low is None or chance is None:
        said = "The values show no spread: too coarse for a normal distribution"
        counted = f"; by counting alone at least {at_least(free)} conform with {sure}" if free is not None else ""
        return said + counted + "."
    said = f"At least {at_least(share_low)} of the series conform to {limits}, with {sure}; "
    pieces = count(inputs.series, "piece")
    if chance < 0.001:
        return said + f"that all {pieces} conform cannot be promised."
    return said + f"the chance that all {pieces} conform is at least {at_least(chance)}."


def bound_plot(inputs: BoundInputs, result: BoundResult) -> tuple[Plot, ...]:
    """The estimated distribution against the limits."""
    if result.sd == 0:
        return ()
    x = result.mean + result.sd * np.linspace(-4, 4, 121)
    y = np.exp(-0.5 * ((x - result.mean) / result.sd) ** 2) / (result.sd * np.sqrt(2 * np.pi))
    marks: tuple[Mark, ...] = ()
    if inputs.lower is not None:
        marks += (Mark(inputs.lower, "lower", "x", "below"),)
    if inputs.upper is not None:
        marks += (Mark(inputs.upper, "upper", "x", "above"),)
    for value in inputs.values[:40]:
        marks += (Mark(value, "", "x", heavy=False),)
    title = "The estimated distribution and its values"
    return (Plot(title, Axis("value", inputs.unit), Axis("density", low=0.0), (curve(x, y),), marks, result.sentence),)


# ---- success run -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class RunInputs:
    reliability: float = share("Share that must succeed", default=0.9, above=0.0, below=1.0)
    confidence: float = share("Confidence", default=0.9, above=0.0, below=1.0)
    failures: int = whole("Failures allowed", default=0, lowest=0, highest=10_000)


@dataclass(frozen=True, kw_only=True)
class RunResult:
    sentence: str = sentence()
    n: int = whole("Trials needed")
    shown: float = share("Share shown by that many trials", decimals=4, help="With the failures allowed.")


def success_run(inputs: RunInputs) -> RunResult:
    """How many trials show a share with a confidence."""
    n = run_size(inputs.reliability, inputs.confidence, inputs.failures)
    shown = clopper_pearson(n - inputs.failures, n, 1 - inputs.confidence, 0.0)[0]
    failed = "no failure" if inputs.failures == 0 else f"at most {count(inputs.failures, 'failure')}"
    said = (
        f"{count(n, 'trial')} with {failed} show that at least {digits(100 * inputs.reliability)}{NBSP}% succeed, with "
        f"{digits(100 * inputs.confidence)}{NBSP}% confidence."
    )
    return RunResult(sentence=said, n=n, shown=shown)


# ---- passes and failures ---------------------------------------------------------------------------------------------

ENDS = {"both": "both ends", "lower": "lower end only", "upper": "upper end only"}


@dataclass(frozen=True, kw_only=True)
class ShareInputs:
    seen: int = whole("How often it was seen", lowest=0, highest=100_000_000)
    trials: int = whole("Trials", lowest=1, highest=100_000_000)
    confidence: float = share("Confidence", default=0.95, above=0.0, below=1.0)
    ends: str = choice("Interval", ENDS, default="both")


@dataclass(frozen=True, kw_only=True)
class ShareResult:
    sentence: str = sentence()
    share_seen: float = share("Share seen", decimals=4)
    low: float = share("From", decimals=4)
    high: float = share("To", decimals=4)
    note: str | None = text("Note")


def share_seen(inputs: ShareInputs) -> ShareResult:
    """Exact confidence interval for a share of passes or failures."""
    if inputs.seen > inputs.trials:
        raise refuse("/seen", "More often than there were trials. Correct one of the two.", "bad-count")
    error = 1 - inputs.confidence
    tails = {"both": (error / 2, error / 2), "lower": (error, 0.0), "upper": (0.0, error)}[inputs.ends]
    low, high = clopper_pearson(inputs.seen, inputs.trials, *tails)
    seen = inputs.seen / inputs.trials
    where = {"both": f"between {percent(low)} and {percent(high)}", "lower": f"at least {percent(low)}",
             "upper": f"at most {percent(high)}"}[inputs.ends]  # fmt: skip
    said = (
        f"Seen in {inputs.seen} of {count(inputs.trials, 'trial')}, {percent(seen)}; the true share is {where}, with "
        f"{digits(100 * inputs.confidence)}{NBSP}% confidence."
    )
    note = None
    if inputs.ends == "both" and inputs.seen in (0, inputs.trials):
        note = "Seen never or always, one end is certain: ask for one end only to use the whole confidence there."
    return ShareResult(sentence=said, share_seen=seen, low=low, high=high, note=note)


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="series-bound",
        title="Will the series conform",
        subject="Series and samples",
        asks="What share of the whole series conforms, and what is the chance that all of it does?",
        inputs=BoundInputs,
        result=BoundResult,
        compute=bound,
        example=BoundInputs(values=EXAMPLE_VALUES, lower=598.5, upper=601.5, guard=0.12, series=48),
        formula="""the share whose exact factor k(n, share, confidence) equals the distance of the nearer limit ÷ s
chance that all N conform = share^N; counted only: Clopper–Pearson lower limit of conforming ÷ n""",
        sources=(ISO_16269, BINOMIAL),
        cautions=(NORMAL, RANDOM),
        plot=bound_plot,
    ),
    Calculation(
        name="success-run",
        title="Trials without failure",
        subject="Series and samples",
        asks="How many trials must succeed to show a share with confidence?",
        inputs=RunInputs,
        result=RunResult,
        compute=success_run,
        example=RunInputs(),
        formula="""the least n with P(binomial(n, 1 − share) ≤ failures) ≤ 1 − confidence
without failures: shareⁿ ≤ 1 − confidence""",
        sources=(Source("Binomial distribution", "definition"),),
        cautions=(RANDOM,),
    ),
    Calculation(
        name="share-interval",
        title="Share of passes or failures",
        subject="Series and samples",
        asks="What is the true share, when something was seen so often in so many trials?",
        inputs=ShareInputs,
        result=ShareResult,
        compute=share_seen,
        example=ShareInputs(seen=4, trials=20, confidence=0.9),
        formula="quantiles of the beta distribution: B(error; seen, n − seen + 1) and B(1 − error; seen + 1, n − seen)",
        sources=(BINOMIAL,),
        cautions=(RANDOM,),
    ),
)
