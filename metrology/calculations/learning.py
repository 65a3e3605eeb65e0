"""Learning curves: from a rate, from trial times, and two sequences compared."""

from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats
from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import amount, choice, flag, sentence, share, table, text, whole, wholes
from metrology.calculations.plots import Axis, Plot, Series, curve
from metrology.calculations.problems import refuse
from metrology.calculations.said import Quantity, Said, say
from metrology.learning import MOST_UNITS, Learned, Model, fit, slope_of, total, units

MODELS = {
    "crawford": "Crawford: hours of each unit",
    "wright": "Wright: average hours of all units so far",
}
SOURCES = (
    Source(
        "T. P. Wright 1936 (cumulative average) and J. R. Crawford 1944 (unit): T₁ x^b, b = log₂ rate", "from memory"
    ),
)
FAR = "A few trials say little about unit 100: the curve flattens in practice. Time more units and fit again."
_PLOTTED = 200

# ---- from a rate -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class CurveInputs:
    model: str = choice("Model", MODELS, default="crawford")
    first: float = amount("Hours of the first unit", "h", above=0.0)
    rate: float = share(
        "Learning rate", above=0.0, highest=2.0, default=0.8, help="Hours after a doubling over before."
    )
    units: tuple[int, ...] = wholes("Units asked for", lowest=1, highest=MOST_UNITS, most=100, default=(2, 10, 50, 100))


@dataclass(frozen=True)
class UnitHours:
    unit: int = whole("Unit")
    hours: float = amount("Its hours", "h", decimals=4)
    average: float = amount("Average so far", "h", decimals=4)
    total: float = amount("All so far", "h", decimals=3)


@dataclass(frozen=True)
class CurveResult:
    sentence: str = sentence()
    slope: float = amount("Exponent b", "1", decimals=6)
    units: tuple[UnitHours, ...] = table("Units", UnitHours)


def learning_curve(inputs: CurveInputs) -> CurveResult:
    """Crawford's totals are sums unit by unit; Wright's hours of a unit are the difference of two totals."""
    model, slope = _model(inputs.model), slope_of(inputs.rate)
    asked = sorted(set(inputs.units))
    hours = units(model, inputs.first, slope, asked[-1])
    rows = []
    for number in asked:
        together = total(model, inputs.first, slope, number)
        rows.append(UnitHours(number, float(hours[number - 1]), together / number, together))
    last = rows[-1]
    said = say(
        "Unit {unit} takes {hours}, all {unit} together {total}.",
        unit=last.unit,
        hours=Quantity(last.hours, "h", 1),
        total=Quantity(last.total, "h", 0),
    )
    return CurveResult(said, slope, tuple(rows))


def learning_plot(inputs: CurveInputs, result: CurveResult) -> tuple[Plot, ...]:
    upto = max(2, result.units[-1].unit)
    series = _curves(_model(inputs.model), inputs.first, result.slope, upto)
    return (Plot("Hours by unit", Axis("Unit"), Axis("Hours", "h", low=0.0), series, (), str(result.sentence)),)


def _curves(model: Model, first: float, slope: float, upto: int) -> tuple[Series, ...]:
    hours = units(model, first, slope, upto)
    number = np.arange(1, upto + 1)
    shown = np.unique(np.geomspace(1, upto, _PLOTTED).astype(int)) - 1
    average = np.cumsum(hours) / number
    return (
        curve(number[shown], hours[shown], "line", "main", "each unit"),
        curve(number[shown], average[shown], "line", "second", "average so far"),
    )


def _model(name: str) -> Model:
    return "wright" if name == "wright" else "crawford"


# ---- from trials -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Timed:
    unit: int = whole("Unit", lowest=1, highest=MOST_UNITS)
    hours: float = amount("Hours it took", "h", above=0.0)


@dataclass(frozen=True, kw_only=True)
class FitInputs:
    trials: tuple[Timed, ...] = table("Trials", Timed, least=2, most=2000, help="Which unit in order, and its hours.")
    model: str = choice("Model", MODELS, default="crawford")
    unit: int = whole("Hours asked for of unit", lowest=1, highest=MOST_UNITS, default=100)
    kit: int = whole("Units of the whole kit", lowest=1, highest=MOST_UNITS, default=100)
    confidence: float = share("Confidence of the intervals", default=0.95, above=0.0, below=1.0)


@dataclass(frozen=True)
class FitResult:
    sentence: str = sentence()
    slope: float = amount("Exponent b", "1", decimals=8)
    slope_se: float | None = amount("Standard error of b", "1", decimals=7)
    rate: float = share("Learning rate", lowest=None, highest=None, decimals=5)
    rate_low: float | None = share("At least", lowest=None, highest=None, decimals=4)
    rate_high: float | None = share("At most", lowest=None, highest=None, decimals=4)
    first: float = amount("T₁, fitted", "h", decimals=4)
    learns: str = choice(
        "Learning shown", {"yes": "yes", "no": "no: 100 % lies in the interval", "unknown": "two trials cannot show it"}
    )
    unit_hours: float = amount("Hours of the unit asked for", "h", decimals=3)
    unit_low: float | None = amount("One such unit at least", "h", decimals=3)
    unit_high: float | None = amount("One such unit at most", "h", decimals=3)
    kit_hours: float = amount("Hours of the whole kit", "h", decimals=2)
    kit_low: float | None = amount("Whole kit at least", "h", decimals=2)
    kit_high: float | None = amount("Whole kit at most", "h", decimals=2)
    beyond: bool = flag("Beyond the trials")


def learning_fit(inputs: FitInputs) -> FitResult:
    """Least squares of ln hours over ln unit. The interval of a unit is for one further unit; that of the kit comes
    from the uncertainty of the fitted curve (both parameters), drawn at random with a fixed seed.

    Errors: too-few-trials, not-in-a-row.
    """
    model = _model(inputs.model)
    number, hours = _trials(inputs.trials)
    found = fit(model, number, hours)
    of_unit = float(units(model, found.first, found.slope, inputs.unit)[-1])
    of_kit = total(model, found.first, found.slope, inputs.kit)
    rates = found.rate_interval(inputs.confidence)
    one = _one_unit(found, inputs.unit, of_unit, inputs.confidence)
    kit = _kit_interval(found, inputs.kit, inputs.confidence)
    learns = "unknown" if rates is None else "yes" if rates[1] < 1 else "no"
    beyond = found.beyond(inputs.unit) or found.beyond(inputs.kit)
    rate_low, rate_high = rates or (None, None)
    unit_low, unit_high = one or (None, None)
    kit_low, kit_high = kit or (None, None)
    return FitResult(
        _said(inputs, found, rates, of_unit, one, of_kit, kit, beyond),
        found.slope, found.slope_se, found.rate, rate_low, rate_high, found.first, learns, of_unit, unit_low, unit_high,
        of_kit, kit_low, kit_high, beyond,
    )  # fmt: skip


def _trials(rows: tuple[Timed, ...]) -> tuple[Floats, Floats]:
    ordered = sorted(rows, key=lambda row: row.unit)
    return np.array([float(row.unit) for row in ordered]), np.array([row.hours for row in ordered])


def _one_unit(found: Learned, number: int, hours: float, confidence: float) -> tuple[float, float] | None:
    """Wright's curve is of averages: its scatter, as a factor, is put on the hours of the unit."""
    interval = found.interval(number, confidence, one=True)
    if interval is None:
        return None
    middle = found.first * number**found.slope
    return hours * interval[0] / middle, hours * interval[1] / middle


def _kit_interval(found: Learned, kit: int, confidence: float) -> tuple[float, float] | None:
    """2000 curves from the fitted parameters (Student's t for how well their spread is known)."""
    if found.s is None:
        return None
    random = np.random.default_rng(20_260_215)
    values, ways = np.linalg.eigh(found.covariance)
    spread = random.standard_normal((2000, 2)) * np.sqrt(np.maximum(values, 0.0))
    spread /= np.sqrt(random.chisquare(found.freedom, (2000, 1)) / found.freedom)
    drawn = spread @ ways.T + np.array([np.log(found.first), found.slope])
    shown = np.unique(np.geomspace(1, kit, 400).astype(np.int64)).astype(np.float64)
    if found.model == "wright":
        totals = np.exp(drawn[:, 0]) * float(kit) ** (1 + drawn[:, 1])
    else:
        totals = np.exp(drawn[:, 0]) * _sums(shown, drawn[:, 1])
    tail = (1 - confidence) / 2
    low, high = np.quantile(totals, [tail, 1 - tail])
    return float(low), float(high)


def _sums(shown: Floats, slopes: Floats) -> Floats:
    """Σ x^b over all whole x up to the last of `shown`: exact over small x, by trapezoids between the shown beyond."""
    powers = shown[None, :] ** slopes[:, None]
    step = np.diff(shown)
    between = (powers[:, 1:] + powers[:, :-1]) / 2 * step + (powers[:, 1:] - powers[:, :-1]) / 2
    sums: Floats = powers[:, 0] + between.sum(axis=1)
    return sums


def _said(
    inputs: FitInputs, found: Learned, rates: tuple[float, float] | None, of_unit: float,
    one: tuple[float, float] | None, of_kit: float, kit: tuple[float, float] | None, beyond: bool,
) -> Said:  # fmt: skip
    def span(pair: tuple[float, float] | None, unit: str, decimals: int) -> Said | str:
        if pair is None:
            return ""
        return say(" ({low} to {high})", low=Quantity(pair[0], unit, decimals), high=Quantity(pair[1], unit, decimals))

    return say(
        "The rate is {rate}{rates}; unit {unit} will take some {hours}{one}, the kit of "
        "{kit} some {total}{spread}.{warned}",
        rate=Quantity(100 * found.rate, "%", 1),
        rates=span(None if rates is None else (100 * rates[0], 100 * rates[1]), "%", 1),
        unit=inputs.unit,
        hours=Quantity(of_unit, "h", 2),
        one=span(one, "h", 2),
        kit=inputs.kit,
        total=Quantity(of_kit, "h", 0),
        spread=span(kit, "h", 0),
        warned=" That lies beyond the trials: a guess until more are timed." if beyond else "",
    )


def fit_plot(inputs: FitInputs, result: FitResult) -> tuple[Plot, ...]:
    upto = max(inputs.unit, inputs.kit, *(row.unit for row in inputs.trials))
    each, average = _curves(_model(inputs.model), result.first, result.slope, upto)
    number, hours = _trials(inputs.trials)
    series = [each, average, curve(number, hours, "points", "main", "trials")]
    axes = Axis("Unit"), Axis("Hours", "h", low=0.0)
    return (Plot("Hours by unit", *axes, tuple(series), (), str(result.sentence)),)


# ---- two sequences ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class SequenceTime:
    sequence: str = text("Sequence", help="Two names in all.")
    unit: int = whole("Unit", lowest=1, highest=MOST_UNITS)
    hours: float = amount("Hours it took", "h", above=0.0)


@dataclass(frozen=True, kw_only=True)
class CompareInputs:
    trials: tuple[SequenceTime, ...] = table("Trials of both", SequenceTime, least=4, most=4000)
    model: str = choice("Model", MODELS, default="crawford")
    kit: int = whole("Units of the whole kit", lowest=1, highest=MOST_UNITS, default=100)
    confidence: float = share("Confidence", default=0.95, above=0.0, below=1.0)


@dataclass(frozen=True)
class SequenceFound:
    sequence: str = text("Sequence")
    trials: int = whole("Trials")
    first: float = amount("T₁, fitted", "h", decimals=3)
    rate: float = share("Learning rate", lowest=None, highest=None, decimals=4)
    kit_hours: float = amount("Whole kit", "h", decimals=1)
    low: float | None = amount("At least", "h", decimals=1)
    high: float | None = amount("At most", "h", decimals=1)


@dataclass(frozen=True)
class CompareResult:
    sentence: str = sentence()
    faster: str = text("Faster for the kit")
    saved: float = amount("Hours saved", "h", decimals=1)
    shown: str = choice("Difference", {"shown": "shown by the trials", "not shown": "not shown: too few, or too alike"})
    crossing: int | None = whole("Until this unit the other is ahead in total")
    sequences: tuple[SequenceFound, ...] = table("Sequences", SequenceFound)


def compare_sequences(inputs: CompareInputs) -> CompareResult:
    """A curve for each; the difference is shown when their intervals for the whole kit do not overlap (cautious).

    Errors: not-two, and those of the fits.
    """
    names = list(dict.fromkeys(row.sequence for row in inputs.trials))
    if len(names) != 2:
        raise refuse("/trials", f"There are {len(names)} sequences here. Give the trials of two.", "not-two")
    model = _model(inputs.model)
    fits = {
        name: fit(model, *_trials(tuple(Timed(r.unit, r.hours) for r in inputs.trials if r.sequence == name)))
        for name in names
    }
    rows = []
    for name, found in fits.items():
        interval = _kit_interval(found, inputs.kit, inputs.confidence)
        counted = sum(row.sequence == name for row in inputs.trials)
        hours = total(model, found.first, found.slope, inputs.kit)
        rows.append(SequenceFound(name, counted, found.first, found.rate, hours, *(interval or (None, None))))
    faster, slower = sorted(rows, key=lambda row: row.kit_hours)
    shown = faster.high is not None and slower.low is not None and faster.high < slower.low
    crossing = _crossing(model, fits[faster.sequence], fits[slower.sequence], inputs.kit)
    said = say(
        "The kit of {kit} takes {hours} “{name}”, {saved} less than “{other}”: the trials {shown}.{crossing}",
        name=faster.sequence,
        kit=inputs.kit,
        hours=Quantity(faster.kit_hours, "h", 0),
        saved=Quantity(slower.kit_hours - faster.kit_hours, "h", 0),
        other=slower.sequence,
        shown="show the difference" if shown else "do not show the difference",
        crossing="" if crossing is None else f" Until unit {crossing} “{slower.sequence}” is ahead.",
    )
    return CompareResult(
        said, faster.sequence, slower.kit_hours - faster.kit_hours, "shown" if shown else "not shown", crossing,
        tuple(rows),
    )  # fmt: skip


def _crossing(model: Model, faster: Learned, slower: Learned, kit: int) -> int | None:
    """The last unit up to which the slower one has used fewer hours in all."""
    one, two = (np.cumsum(units(model, found.first, found.slope, kit)) for found in (faster, slower))
    ahead = np.flatnonzero(two < one)
    return int(ahead[-1]) + 1 if len(ahead) else None


def compare_plot(inputs: CompareInputs, result: CompareResult) -> tuple[Plot, ...]:
    series: list[Series] = []
    for row, look in zip(result.sequences, ("main", "second"), strict=True):
        slope = float(np.log2(row.rate))
        line, _ = _curves(_model(inputs.model), row.first, slope, max(2, inputs.kit))
        series.append(curve(line.x, line.y, "line", "main" if look == "main" else "second", row.sequence))
        timed = [(one.unit, one.hours) for one in inputs.trials if one.sequence == row.sequence]
        points = np.array(sorted(timed))
        series.append(curve(points[:, 0], points[:, 1], "points", "main" if look == "main" else "second"))
    axes = Axis("Unit"), Axis("Hours", "h", low=0.0)
    return (Plot("Hours by unit", *axes, tuple(series), (), str(result.sentence)),)


_A = ((1, 4.6), (2, 3.9), (3, 3.3), (4, 3.1), (5, 2.8), (6, 2.7))
_B = ((1, 5.4), (2, 3.9), (3, 3.2), (4, 2.6), (5, 2.5), (6, 2.2))

CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="learning-curve",
        title="Learning curve from a rate",
        subject="Time and scale",
        asks="How long will unit 100 and all of them take, at this learning rate?",
        inputs=CurveInputs,
        result=CurveResult,
        compute=learning_curve,
        example=CurveInputs(first=4.6),
        formula="Crawford: unit x takes T₁ x^b, totals by the exact sum; Wright: x units average T₁ x^b; b = log₂ rate",
        sources=SOURCES,
        cautions=("Say which of the two a rate belongs to: the same 80 % gives different hours.", FAR),
        plot=learning_plot,
    ),
    Calculation(
        name="learning-fit",
        title="Learning curve from trial times",
        subject="Time and scale",
        asks="How fast does the crew learn, and what does that say of unit 100 and of the kit?",
        inputs=FitInputs,
        result=FitResult,
        compute=learning_fit,
        example=FitInputs(trials=tuple(Timed(unit, hours) for unit, hours in _A), kit=24),
        formula="ln hours = ln T₁ + b ln x, least squares; b ± t s_b; a unit ± t √(s² + curve²); kit from 2000 curves",
        sources=SOURCES,
        cautions=(FAR,),
        plot=fit_plot,
    ),
    Calculation(
        name="learning-compare",
        title="Two sequences of assembly compared",
        subject="Time and scale",
        asks="Which sequence builds the whole kit in fewer hours, and do the trials show it?",
        inputs=CompareInputs,
        result=CompareResult,
        compute=compare_sequences,
        example=CompareInputs(
            trials=tuple(SequenceTime("from the gate", u, h) for u, h in _A)
            + tuple(SequenceTime("from both sides", u, h) for u, h in _B),
            kit=24,
        ),
        formula="a curve for each sequence; shown when the intervals of the whole kit do not overlap",
        sources=SOURCES,
        cautions=(FAR, "Let the same crew try both, in turns: who goes second has learned from the first."),
        plot=compare_plot,
    ),
)
