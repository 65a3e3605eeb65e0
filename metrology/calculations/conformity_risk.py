"""How probable it is that an item conforms, and what a decision rule risks over a series."""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.conformity import CAUTION, check_limits, said_limits
from metrology.calculations.fields import amount, sentence, share, unit_choice
from metrology.calculations.plots import Axis, Mark, Plot, curve
from metrology.calculations.problems import refuse
from metrology.calculations.said import digits, written
from metrology.statistics.conformance import acceptance_limits, conformance_probability, global_risks, with_prior
from metrology.wording import NBSP

JCGM_106 = Source("JCGM 106:2012, clauses 7 to 9", "from memory")


def percent(p: float) -> str:
    """Never 100 % or 0 % for what is only nearly so."""
    if 0.9999 < p < 1:
        return f"more than 99.99{NBSP}%"
    if 0 < p < 0.0001:
        return f"less than 0.01{NBSP}%"
    return f"{digits(100 * p, 4)}{NBSP}%"


# ---- probability -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class ProbabilityInputs:
    value: float = amount("Measured value", "@unit")
    u: float = amount("Standard uncertainty u", "@unit", lowest=0.0)
    lower: float | None = amount("Lower limit", "@unit", default=None)
    upper: float | None = amount("Upper limit", "@unit", default=None)
    unit: str = unit_choice()
    process_mean: float | None = amount("Mean of the process", "@unit", default=None, help="When it is known.")
    process_sd: float | None = amount("Standard deviation of the process", "@unit", default=None, above=0.0)
    wanted: float = share("Wanted probability", default=0.95, above=0.0, below=1.0)


@dataclass(frozen=True, kw_only=True)
class ProbabilityResult:
    sentence: str = sentence()
    probability: float = share("Probability that it conforms", decimals=4)
    consumer_risk: float = share("Risk if it is accepted", decimals=4, help="That it does not conform.")
    producer_risk: float = share("Risk if it is refused", decimals=4, help="That it conforms.")
    estimate: float = amount("Best estimate", "@unit")
    estimate_u: float = amount("Its standard uncertainty", "@unit")
    accept_low: float | None = amount("Wanted probability from", "@unit", help="Without the process.")
    accept_high: float | None = amount("Wanted probability to", "@unit")


def probability(inputs: ProbabilityInputs) -> ProbabilityResult:
    """Conformance probability of one measured item and its two specific risks."""
    check_limits(inputs.lower, inputs.upper)
    if (inputs.process_mean is None) != (inputs.process_sd is None):
        path = "/process_sd" if inputs.process_sd is None else "/process_mean"
        raise refuse(path, "Give both mean and standard deviation of the process, or neither.", "half-a-process")
    estimate, u = inputs.value, inputs.u
    if inputs.process_mean is not None and inputs.process_sd is not None:
        estimate, u = with_prior(inputs.value, inputs.u, inputs.process_mean, inputs.process_sd)
    p = conformance_probability(estimate, u, inputs.lower, inputs.upper)
    ends = acceptance_limits(inputs.u, inputs.lower, inputs.upper, inputs.wanted)
    said = (
        f"The item conforms with a probability of {percent(p)}; wanted is {percent(inputs.wanted)}, "
        f"limits {said_limits(inputs.lower, inputs.upper, inputs.unit)}."
    )
    if ends is None:
        said += " No measured value would reach it: measure more finely."
    low, high = ends or (None, None)
    return ProbabilityResult(
        sentence=said,
        probability=p,
        consumer_risk=1 - p,
        producer_risk=p,
        estimate=estimate,
        estimate_u=u,
        accept_low=low,
        accept_high=high,
    )


def probability_plot(inputs: ProbabilityInputs, result: ProbabilityResult) -> tuple[Plot, ...]:
    if result.estimate_u == 0:
        return ()
    x = result.estimate + result.estimate_u * np.linspace(-4, 4, 121)
    y = np.exp(-0.5 * ((x - result.estimate) / result.estimate_u) ** 2) / (result.estimate_u * np.sqrt(2 * np.pi))
    marks: tuple[Mark, ...] = ()
    if inputs.lower is not None:
        marks += (Mark(inputs.lower, "lower", "x", "below"),)
    if inputs.upper is not None:
        marks += (Mark(inputs.upper, "upper", "x", "above"),)
    curves = (curve(x, y, "line", label=""),)
    return (
        Plot(
            "Where the true value may lie",
            Axis("value", inputs.unit),
            Axis("density", low=0.0),
            curves,
            marks,
            result.sentence,
        ),
    )


# ---- risks of a rule -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class RiskInputs:
    lower: float | None = amount("Lower limit", "@unit", default=None)
    upper: float | None = amount("Upper limit", "@unit", default=None)
    unit: str = unit_choice()
    process_mean: float = amount("Mean of the process", "@unit")
    process_sd: float | None = amount("Standard deviation of the process", "@unit", default=None, above=0.0)
    conforming: float | None = share(
        "Or: share of items that conform", default=None, above=0.0, below=1.0, help="Instead of the standard deviation."
    )
    u: float | None = amount("Standard uncertainty u", "@unit", default=None, lowest=0.0)
    ratio: float | None = amount("Or: process spread over u", default=None, above=0.0, help="Instead of u.")
    guard: float = amount("Guard band", "@unit", default=0.0, help="Taken off each limit; negative widens.")


@dataclass(frozen=True, kw_only=True)
class RiskResult:
    sentence: str = sentence()
    consumer: float = share("Accepted that do not conform", decimals=5, help="Of all items: global consumer’s risk.")
    producer: float = share("Refused that conform", decimals=5, help="Of all items: global producer’s risk.")
    consumer_of_accepted: float | None = share("Do not conform among the accepted", decimals=5)
    producer_of_refused: float | None = share("Conform among the refused", decimals=5)
    accepted: float = share("Accepted", decimals=4)
    conforming: float = share("Conform", decimals=4)
    process_sd: float = amount("Standard deviation of the process", "@unit")
    u: float = amount("Standard uncertainty", "@unit")


def risk(inputs: RiskInputs) -> RiskResult:
    """Global consumer's and producer's risk of a rule, over all items of a normal process."""
    check_limits(inputs.lower, inputs.upper)
    sd = _process_sd(inputs)
    u = _measurement_u(inputs, sd)
    found = global_risks(inputs.process_mean, sd, u, inputs.lower, inputs.upper, inputs.guard)
    refused = 1 - found.accepted
    guard = written(inputs.guard, inputs.unit, inputs.unit)
    said = (
        f"Of all items {percent(found.consumer)} are accepted though they do not conform, and "
        f"{percent(found.producer)} are refused though they conform; guard band {guard}."
    )
    return RiskResult(
        sentence=said,
        consumer=found.consumer,
        producer=found.producer,
        consumer_of_accepted=found.consumer / found.accepted if found.accepted > 0 else None,
        producer_of_refused=found.producer / refused if refused > 0 else None,
        accepted=found.accepted,
        conforming=found.conforming,
        process_sd=sd,
        u=u,
    )


def _process_sd(inputs: RiskInputs) -> float:
    if (inputs.process_sd is None) == (inputs.conforming is None):
        raise refuse(
            "/process_sd",
            "Give the standard deviation of the process or the share that conforms, one of them.",
            "one-of-two",
        )
    if inputs.process_sd is not None:
        return inputs.process_sd
    assert inputs.conforming is not None
    return _sd_from_share(inputs, inputs.conforming)


def _sd_from_share(inputs: RiskInputs, wanted: float) -> float:
    """The spread at which this share conforms; bisection, since the mean may lie off the middle."""
    low = -np.inf if inputs.lower is None else inputs.lower
    high = np.inf if inputs.upper is None else inputs.upper
    nearest = min(inputs.process_mean - low, high - inputs.process_mean)
    if nearest <= 0 or (not np.isfinite(high - low) and wanted <= 0.5):
        raise refuse(
            "/conforming", "No spread gives this share about this mean. Give the standard deviation.", "no-spread"
        )
    small, great = nearest / 40, 1e6 * nearest
    for _ in range(200):
        middle = np.sqrt(small * great)
        share_now = ndtr((high - inputs.process_mean) / middle) - ndtr((low - inputs.process_mean) / middle)
        small, great = (middle, great) if share_now > wanted else (small, middle)
    return float(np.sqrt(small * great))


def _measurement_u(inputs: RiskInputs, sd: float) -> float:
    if (inputs.u is None) == (inputs.ratio is None):
        raise refuse("/u", "Give the standard uncertainty or the ratio of spreads, one of them.", "one-of-two")
    if inputs.u is not None:
        return inputs.u
    assert inputs.ratio is not None
    return sd / inputs.ratio


def risk_plot(inputs: RiskInputs, result: RiskResult) -> tuple[Plot, ...]:
    """Both risks over the guard band."""
    if result.u == 0:
        return ()
    guards = np.linspace(-2 * result.u, 4 * result.u, 49)
    rows = [
        global_risks(inputs.process_mean, result.process_sd, result.u, inputs.lower, inputs.upper, float(g))
        for g in guards
    ]
    return (
        Plot(
            "What a guard band does",
            Axis("guard band", inputs.unit),
            Axis("share of all items", "%", low=0.0),
            (
                curve(guards, [100 * row.consumer for row in rows], label="accepted, do not conform"),
                curve(guards, [100 * row.producer for row in rows], "line", "second", "refused, conform"),
            ),
            (Mark(inputs.guard, "now", "x", heavy=False),),
            says=result.sentence,
        ),
    )


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="conformance-probability",
        title="Probability that it conforms",
        subject="Measuring",
        asks="How probable is it that the true value lies within the limits?",
        inputs=ProbabilityInputs,
        result=ProbabilityResult,
        compute=probability,
        example=ProbabilityInputs(value=13.6, u=1.8, lower=12.5, upper=16.3),
        formula="""p = Φ((upper − y)/u) − Φ((lower − y)/u)
with a known process (mean m, standard deviation s): y and u become (y/u² + m/s²)/(1/u² + 1/s²) and 1/√(1/u² + 1/s²)""",
        sources=(JCGM_106,),
        cautions=(CAUTION,),
        plot=probability_plot,
    ),
    Calculation(
        name="decision-risk",
        title="Risks of a decision rule",
        subject="Measuring",
        asks="How often does a rule accept what does not conform, or refuse what does?",
        inputs=RiskInputs,
        result=RiskResult,
        compute=risk,
        example=RiskInputs(lower=-1.0, upper=1.0, process_mean=0.0, conforming=0.95, ratio=4.0),
        formula="""consumer’s risk = ∫ over nonconforming η of g(η)·P(measured inside the acceptance limits | η) dη
producer’s risk = share that conforms − share accepted and conforming; g and the measurement normal""",
        sources=(JCGM_106,),
        cautions=(CAUTION, "The process must be stable and near normal; look at its chart first."),
        plot=risk_plot,
    ),
)
