"""Bias and linearity of a gauge against reference values."""

from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats
from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import amount, amounts, flag, grid, sentence, share, table, unit_choice, whole
from metrology.calculations.plots import Axis, Mark, Plot, curve
from metrology.calculations.problems import refuse
from metrology.calculations.said import Said, digits, written
from metrology.statistics.gauge_bias import Bias, Linearity, bias_of, linearity_of
from metrology.wording import NBSP, count, listed

SOURCE = Source("AIAG Measurement Systems Analysis, 4th edition; NIST/SEMATECH e-Handbook 2.4.5", "from memory")
SHARED = "Read the reference by the usual person in the usual way, without knowing its value."


@dataclass(frozen=True, kw_only=True)
class BiasInputs:
    readings: tuple[float, ...] = amounts("Readings", "@unit", least=2)
    reference: float = amount("Reference value", "@unit", help="Of a certified standard, or by a better gauge.")
    reference_uncertainty: float = amount(
        "Its expanded uncertainty U", "@unit", default=0.0, lowest=0.0, help="k = 2; widens the interval."
    )
    unit: str = unit_choice()
    tolerance: float | None = amount("Tolerance", "@unit", default=None, above=0.0)
    confidence: float = share("Confidence", default=0.95, above=0.0, below=1.0)


@dataclass(frozen=True, kw_only=True)
class BiasResult:
    sentence: str = sentence()
    bias: float = amount("Bias", "@unit", help="Positive: reads too high.")
    low: float = amount("Bias, from", "@unit")
    high: float = amount("Bias, to", "@unit")
    told: bool = flag("A bias is shown")
    n: int = whole("Number of readings")
    mean: float = amount("Mean reading", "@unit")
    sd: float = amount("Repeatability", "@unit", help="Standard deviation of the readings.")
    error: float = amount("Standard error of the mean", "@unit")
    t: float | None = amount("Student's t", decimals=4)
    p: float | None = amount("The p-value", decimals=6)
    of_tolerance: float | None = share("Bias, share of the tolerance", decimals=4)


def bias(inputs: BiasInputs) -> BiasResult:
    """The bias against one reference, with its interval."""
    x = np.asarray(inputs.readings)
    found = bias_of(x - inputs.reference, inputs.reference, inputs.confidence)
    half = (found.high - found.low) / 2
    # The reference is not known better than to U: both doubts add as squares.
    half = float(np.hypot(half, inputs.reference_uncertainty))
    low, high = found.bias - half, found.bias + half
    told = low > 0 or high < 0
    return BiasResult(
        sentence=_bias_said(found, told, half, inputs),
        bias=found.bias,
        low=low,
        high=high,
        told=told,
        n=found.n,
        mean=float(x.mean()),
        sd=found.sd,
        error=found.sd / found.n**0.5,
        t=found.t,
        p=found.p,
        of_tolerance=None if inputs.tolerance is None else abs(found.bias) / inputs.tolerance,
    )


def _bias_said(found: Bias, told: bool, half: float, inputs: BiasInputs) -> str:
    size, doubt = (written(abs(v), inputs.unit, inputs.unit, _places(half)) for v in (found.bias, half))
    sure = f"{digits(100 * inputs.confidence)}{NBSP}% confidence"
    if found.sd == 0:
        which = "reads right" if found.bias == 0 else f"reads {size} too {'high' if found.bias > 0 else 'low'}"
        return f"All {found.n} readings are the same: the gauge {which}; read more finely to tell how surely."
    if told:
        side = "high" if found.bias > 0 else "low"
        return f"The gauge reads {size} too {side}, give or take {doubt}, with {sure} from {count(found.n, 'reading')}."
    return f"No bias is shown: {size} off, give or take {doubt}, with {sure} from {count(found.n, 'reading')}."


def _places(half: float) -> int | None:
    """As many decimals as the doubt has two digits of."""
    return None if half <= 0 else int(min(6, max(0, 1 - np.floor(np.log10(half)))))


def bias_plot(inputs: BiasInputs, result: BiasResult) -> tuple[Plot, ...]:
    x = np.asarray(inputs.readings)
    marks = (Mark(inputs.reference, "reference"), Mark(result.mean, "mean", heavy=False))
    series = (curve(np.arange(1, x.size + 1), x, "points"),)
    axes = Axis("reading, in order", low=0.0, high=x.size * 1.15 + 1), Axis("value", inputs.unit)
    return (Plot("Readings and reference", *axes, series, marks, str(result.sentence)),)


# ---- linearity -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class LinearityInputs:
    references: tuple[float, ...] = amounts(
        "Reference values", "@unit", least=2, help="One for each row, or for each reading in a list."
    )
    rows: tuple[tuple[float, ...], ...] = grid(
        "Readings, a row for each reference", "@unit", default=(), least=0, help="Or a list of readings below."
    )
    readings: tuple[float, ...] = amounts("Readings", "@unit", default=(), least=0)
    unit: str = unit_choice()
    process_sd: float | None = amount("Standard deviation of the process", "@unit", default=None, above=0.0)
    confidence: float = share("Confidence", default=0.95, above=0.0, below=1.0)


@dataclass(frozen=True)
class AtReference:
    reference: float = amount("Reference", "@unit")
    n: int = whole("Readings")
    bias: float = amount("Bias", "@unit")
    low: float = amount("From", "@unit")
    high: float = amount("To", "@unit")
    sd: float = amount("Repeatability", "@unit")
    t: float | None = amount("Student's t", decimals=3)
    p: float | None = amount("The p-value", decimals=4)


@dataclass(frozen=True, kw_only=True)
class LinearityResult:
    sentence: str = sentence()
    slope: float = amount("Slope", decimals=6, help="Change of the bias per unit of the reference.")
    slope_low: float = amount("Slope, from", decimals=6)
    slope_high: float = amount("Slope, to", decimals=6)
    slope_error: float = amount("Standard error of the slope", decimals=6)
    slope_t: float | None = amount("Its t", decimals=3)
    slope_p: float | None = amount("Its p-value", decimals=5)
    intercept: float = amount("Intercept", "@unit")
    intercept_low: float = amount("Intercept, from", "@unit")
    intercept_high: float = amount("Intercept, to", "@unit")
    intercept_error: float = amount("Standard error of the intercept", "@unit")
    intercept_t: float | None = amount("Its t", decimals=3)
    intercept_p: float | None = amount("Its p-value", decimals=5)
    linear: bool = flag("No change of the bias is shown")
    r2: float | None = amount("R²", decimals=4)
    s: float = amount("Residual standard deviation", "@unit")
    n: int = whole("Number of readings")
    bias: float = amount("Bias of all readings", "@unit")
    bias_p: float | None = amount("Its p-value", decimals=5)
    linearity: float | None = amount("Linearity", "@unit", help="Slope times six standard deviations of the process.")
    linearity_share: float = share("Linearity, share of the process", decimals=5, help="The size of the slope.")
    at: tuple[AtReference, ...] = table("At each reference", AtReference)


def linearity(inputs: LinearityInputs) -> LinearityResult:
    """How the bias changes along the range."""
    x, y = _side_by_side(inputs)
    found = linearity_of(x, y, inputs.confidence)
    return LinearityResult(
        sentence=_linearity_said(found, inputs),
        slope=found.slope.value,
        slope_low=found.slope.low,
        slope_high=found.slope.high,
        slope_error=found.slope.error,
        slope_t=found.slope.t,
        slope_p=found.slope.p,
        intercept=found.intercept.value,
        intercept_low=found.intercept.low,
        intercept_high=found.intercept.high,
        intercept_error=found.intercept.error,
        intercept_t=found.intercept.t,
        intercept_p=found.intercept.p,
        linear=not found.slope.told,
        r2=found.r2,
        s=found.s,
        n=found.n,
        bias=found.overall.bias,
        bias_p=found.overall.p,
        linearity=None if inputs.process_sd is None else 6 * inputs.process_sd * abs(found.slope.value),
        linearity_share=abs(found.slope.value),
        at=tuple(
            AtReference(one.reference or 0.0, one.n, one.bias, one.low, one.high, one.sd, one.t, one.p)
            for one in found.at
        ),
    )


def _side_by_side(inputs: LinearityInputs) -> tuple[Floats, Floats]:
    references = np.asarray(inputs.references)
    if inputs.rows:
        if inputs.readings:
            raise refuse("/readings", "Give rows or a list of readings, not both. Empty this.", "both-given")
        if len(inputs.rows) != references.size:
            said = f"{len(inputs.rows)} rows stand beside {references.size} references. Give a row for each."
            raise refuse("/rows", said, "unequal")
        array = np.asarray(inputs.rows)
        return np.repeat(references, array.shape[1]), array.ravel()
    if not inputs.readings:
        raise refuse("/rows", "Give the readings of each reference.", "missing")
    if len(inputs.readings) != references.size:
        said = f"{len(inputs.readings)} readings stand beside {references.size} references. Give one for each."
        raise refuse("/readings", said, "unequal")
    return references, np.asarray(inputs.readings)


def _linearity_said(found: Linearity, inputs: LinearityInputs) -> str | Said:
    off = [one for one in found.at if one.told]
    sure = f"{digits(100 * inputs.confidence)}{NBSP}% confidence"
    if found.slope.told:
        way = "rises" if found.slope.value > 0 else "falls"
        said = f"The bias {way} along the range, by {digits(abs(found.slope.value), 3)} of the reference, with {sure}"
        if off:
            where = listed([written(one.reference or 0.0, inputs.unit, inputs.unit) for one in off])
            return f"{said}; it is shown at {where}."
        return said + "."
    if found.overall.told:
        side = "high" if found.overall.bias > 0 else "low"
        size = written(
            abs(found.overall.bias), inputs.unit, inputs.unit, _places(found.overall.high - found.overall.low)
        )
        return f"The gauge reads {size} too {side} along the whole range; no change of that is shown, with {sure}."
    return f"Neither a bias nor a change of it is shown in {count(found.n, 'reading')}, with {sure}."


def linearity_plot(inputs: LinearityInputs, result: LinearityResult) -> tuple[Plot, ...]:
    x, y = _side_by_side(inputs)
    found = linearity_of(x, y, inputs.confidence)
    at = np.linspace(float(x.min()), float(x.max()), 41)
    low, fitted, high = found.band(at)
    series = (
        curve(x, y - x, "points", "main", "bias"),
        curve(at, fitted, "line", "main", "line"),
        curve(at, low, "line", "third", "interval"),
        curve(at, high, "line", "third"),
    )
    axes = Axis("reference", inputs.unit), Axis("bias", inputs.unit)
    return (Plot("Bias along the range", *axes, series, (Mark(0.0, "no bias", heavy=False),), str(result.sentence)),)


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="gauge-bias",
        title="Bias of a gauge",
        subject="Gauges and process",
        asks="Does the gauge read too high or too low?",
        inputs=BiasInputs,
        result=BiasResult,
        compute=bias,
        example=BiasInputs(
            readings=(50.01, 50.03, 50.02, 50.02, 50.04, 50.01, 50.03, 50.02, 50.02, 50.03), reference=50.0
        ),
        formula="""bias = mean − reference; t = bias ÷ (s ÷ √n) on n − 1
interval: bias ± √((t · s/√n)² + U²), U of the reference""",
        sources=(SOURCE,),
        cautions=(SHARED,),
        plot=bias_plot,
    ),
    Calculation(
        name="gauge-linearity",
        title="Linearity of a gauge",
        subject="Gauges and process",
        asks="Does the bias of the gauge change along its range?",
        inputs=LinearityInputs,
        result=LinearityResult,
        compute=linearity,
        example=LinearityInputs(
            references=(25.0, 50.0, 75.0, 100.0),
            rows=((25.0, 25.01, 24.99), (50.01, 50.02, 50.01), (75.02, 75.03, 75.02), (100.03, 100.05, 100.04)),
        ),
        formula="""bias = reading − reference = intercept + slope · reference, least squares through every reading
linearity = |slope| · 6 σ of the process; intervals by Student's t on n − 2
at each reference: t = bias ÷ (s ÷ √n) with the s of its own readings""",
        sources=(SOURCE,),
        cautions=(SHARED,),
        plot=linearity_plot,
    ),
)
