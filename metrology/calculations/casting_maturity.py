"""Maturity from a temperature log, and the strength it stands for."""

from dataclasses import dataclass

import numpy as np

from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import amount, choice, flag, sentence, share, table
from metrology.calculations.plots import Axis, Mark, Plot, curve
from metrology.calculations.problems import refuse
from metrology.calculations.said import Quantity, Said, say
from metrology.concrete.maturity import (
    adjusted_age,
    between_readings,
    equivalent_age,
    fit_strength,
    temperature_time_factor,
)
from metrology.concrete.strength import CAUTION

C1074 = Source("ASTM C1074: temperature–time factor, equivalent age, strength–maturity relation", "from memory")
ESTIMATE = (
    "An estimate from temperatures. Before forms are struck or a part is lifted the strength is confirmed by a test, "
    "at the value the engineer gave."
)
_HOUR = 3600.0


@dataclass(frozen=True)
class LogRow:
    time: float = amount("Duration, or time since the pour", "h", lowest=0.0)
    temperature: float = amount("Temperature of the concrete", "°C", lowest=-50.0, highest=110.0)


@dataclass(frozen=True, kw_only=True)
class MaturityInputs:
    log: tuple[LogRow, ...] = table("Temperature log", LogRow, most=5000)
    log_is: str = choice(
        "Each row is",
        {"steps": "a step: how long at which temperature", "readings": "a reading: at which time"},
        default="steps",
    )
    datum_temperature: float = amount("Datum temperature T₀", "°C", lowest=-50.0, highest=50.0, default=0.0)
    reference_temperature: float = amount("Reference temperature", "°C", lowest=-20.0, highest=80.0, default=20.0)
    activation_energy: float = amount(
        "Activation energy over the gas constant", "K", kind="temperature difference", above=0.0, default=5000.0,
        help="Of the cement in hand; 5000 K is a starting value only.",
    )  # fmt: skip


@dataclass(frozen=True)
class MaturityResult:
    sentence: str = sentence()
    temperature_time_factor: float = amount("Temperature–time factor (Nurse–Saul)", "°C·h", decimals=1)
    equivalent_age: float = amount("Equivalent age (Arrhenius)", "h", decimals=2)
    equivalent_age_nurse_saul: float | None = amount("Equivalent age (Nurse–Saul)", "h", decimals=2)
    adjusted_age: float = amount("Adjusted age of EN 1992-1-1 (20 °C)", "h", decimals=2)
    age: float = amount("Age", "h", decimals=2)
    mean_temperature: float = amount("Mean temperature", "°C", decimals=1)
    below_datum: float = amount("Time below the datum", "h", decimals=1)


def maturity(inputs: MaturityInputs) -> MaturityResult:
    """Steps as given; between readings the mean of the two. Error: log-order, no-time."""
    times = np.array([row.time for row in inputs.log])
    degrees = np.array([row.temperature for row in inputs.log])
    hours = times
    if inputs.log_is == "readings":
        hours, degrees = between_readings(times, degrees)
    age = float(hours.sum())
    if age <= 0:
        raise refuse("/log", "The log covers no time. Enter how long each step lasted.", "no-time")
    factor = temperature_time_factor(hours, degrees, inputs.datum_temperature)
    aged = equivalent_age(hours, degrees, inputs.reference_temperature, inputs.activation_energy)
    lift = inputs.reference_temperature - inputs.datum_temperature
    said = say(
        "After {age} the maturity is {factor} above {datum}: as old as after {aged} at {reference}.",
        age=Quantity(age, "h", 1),
        factor=Quantity(factor, "°C·h", 0),
        datum=Quantity(inputs.datum_temperature, "°C", 0),
        aged=Quantity(aged, "h", 1),
        reference=Quantity(inputs.reference_temperature, "°C", 0),
    )
    return MaturityResult(
        said, factor, aged, factor / lift if lift > 0 else None, adjusted_age(hours, degrees), age,
        float((hours * degrees).sum() / age), float(hours[degrees < inputs.datum_temperature].sum()),
    )  # fmt: skip


def maturity_plot(inputs: MaturityInputs, result: MaturityResult) -> tuple[Plot, ...]:
    times = np.array([row.time for row in inputs.log])
    degrees = np.array([row.temperature for row in inputs.log])
    if inputs.log_is == "steps":
        series = curve(np.concatenate([[0.0], np.cumsum(times)]), np.append(degrees, degrees[-1]), "steps")
    else:
        series = curve(times, degrees)
    mark = Mark(inputs.datum_temperature, "datum", heavy=False)
    return (Plot("Temperature", Axis("Age", "h"), Axis("Temperature", "°C"), (series,), (mark,), str(result.sentence)),)


# ---- strength --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class MaturityTest:
    maturity: float = amount("Maturity, °C·h or hours of equivalent age", "1", above=0.0)
    strength: float = amount("Strength", "MPa", above=0.0)


@dataclass(frozen=True, kw_only=True)
class StrengthMaturityInputs:
    tests: tuple[MaturityTest, ...] = table("Tests of this mix", MaturityTest, least=2, most=500)
    model: str = choice(
        "Curve", {"logarithmic": "logarithmic: a + b ln M", "hyperbolic": "hyperbolic: levels off at S_u"},
        default="logarithmic",
    )  # fmt: skip
    maturity: float | None = amount("Maturity of the part now", "1", above=0.0, default=None)
    wanted: float | None = amount("Strength wanted", "MPa", above=0.0, default=None)
    confidence: float = share("Confidence of the interval", default=0.9, above=0.0, below=1.0)
    same_unit: bool = flag("All maturities are of one kind and one datum", default=True)


@dataclass(frozen=True)
class StrengthMaturityResult:
    sentence: str = sentence()
    a: float | None = amount("Constant a", "MPa")
    b: float | None = amount("Slope b", "MPa")
    ultimate: float | None = amount("Ultimate strength S_u", "MPa", decimals=2)
    rate: float | None = amount("Rate k", "1")
    start: float | None = amount("Maturity at no strength, M₀", "1")
    standard_deviation: float | None = amount("Tests spread about the curve by", "MPa", decimals=2)
    strength: float | None = amount("Strength at the maturity given", "MPa", decimals=2)
    low: float | None = amount("A test then lies above", "MPa", decimals=2)
    high: float | None = amount("And below", "MPa", decimals=2)
    maturity_wanted: float | None = amount("Maturity at which the strength wanted is reached", "1", decimals=1)
    beyond: bool = flag("Beyond the maturities tested")


def strength_maturity(inputs: StrengthMaturityInputs) -> StrengthMaturityResult:
    """Least squares; the interval is for one further test. Beyond the tests the curve is a guess, and is called so.

    Errors: mixed-maturities, too-few-tests, no-growth, no-levelling.
    """
    if not inputs.same_unit:
        raise refuse(
            "/same_unit",
            "Maturities of different kinds make no curve. Work them out with one datum.",
            "mixed-maturities",
        )
    model = inputs.model
    assert model in ("logarithmic", "hyperbolic")
    fitted = fit_strength(
        np.array([test.maturity for test in inputs.tests]), np.array([test.strength for test in inputs.tests]),
        model,  # type: ignore[arg-type]
    )  # fmt: skip
    at = inputs.maturity
    value = None if at is None else fitted.strength(at)
    interval = None if at is None else fitted.interval(at, inputs.confidence)
    wanted = None if inputs.wanted is None else fitted.maturity_for(inputs.wanted)
    beyond = (at is not None and fitted.beyond(at)) or (wanted is not None and fitted.beyond(wanted))
    logarithmic = model == "logarithmic"
    first, second = (float(one) for one in fitted.parameters[:2])
    return StrengthMaturityResult(
        _said(inputs, value, interval, wanted, beyond),
        first if logarithmic else None, second if logarithmic else None,
        None if logarithmic else first, None if logarithmic else second,
        None if logarithmic else float(fitted.parameters[2]), fitted.s, value,
        None if interval is None else interval[0], None if interval is None else interval[1], wanted, bool(beyond),
    )  # fmt: skip


def _said(
    inputs: StrengthMaturityInputs,
    value: float | None,
    interval: tuple[float, float] | None,
    wanted: float | None,
    beyond: bool,
) -> Said:
    now = (
        say("The curve is fitted to {n} tests.", n=len(inputs.tests))
        if value is None
        else say(
            "At a maturity of {at} the strength is some {value}{interval}.",
            at=f"{inputs.maturity:g}",
            value=Quantity(value, "MPa", 1),
            interval=""
            if interval is None
            else say(
                " ({low} to {high} for a test)",
                low=Quantity(interval[0], "MPa", 1),
                high=Quantity(interval[1], "MPa", 1),
            ),
        )
    )
    then = say("")
    if inputs.wanted is not None:
        strength = Quantity(inputs.wanted, "MPa", 1)
        then = (
            say(" {strength} is never reached on this curve.", strength=strength)
            if wanted is None
            else say(" {strength} is reached at {wanted}.", strength=strength, wanted=f"{wanted:.0f}")
        )
    warning = " That lies beyond the maturities tested: do not rely on it." if beyond else ""
    return say("{now}{then}{warning}", now=now, then=then, warning=warning)


def strength_maturity_plot(inputs: StrengthMaturityInputs, result: StrengthMaturityResult) -> tuple[Plot, ...]:
    x = np.array([test.maturity for test in inputs.tests])
    y = [test.strength for test in inputs.tests]
    ends = [float(x.min()), float(x.max()), *([inputs.maturity] if inputs.maturity is not None else [])]
    along = np.geomspace(min(ends), max(ends), 80)
    if result.a is not None and result.b is not None:
        line = result.a + result.b * np.log(along)
    else:
        grown = (result.rate or 0.0) * (along - (result.start or 0.0))
        line = (result.ultimate or 0.0) * grown / (1 + grown)
    series = (curve(along, line, "line", "second"), curve(x, y, "points"))
    marks = () if inputs.wanted is None else (Mark(inputs.wanted, "wanted"),)
    return (
        Plot(
            "Strength over maturity",
            Axis("Maturity", log=True),
            Axis("Strength", "MPa"),
            series,
            marks,
            str(result.sentence),
        ),
    )


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="maturity",
        title="Maturity from a temperature log",
        subject="Casting",
        asks="How mature is this concrete, and how old would it be at 20 °C?",
        inputs=MaturityInputs,
        result=MaturityResult,
        compute=maturity,
        example=MaturityInputs(
            log=(LogRow(12.0, 15.0), LogRow(12.0, 18.0), LogRow(24.0, 22.0), LogRow(24.0, 25.0), LogRow(48.0, 20.0))
        ),
        formula=(
            "Σ (T − T₀) Δt; equivalent age Σ e^(−Q (1/T − 1/T_ref)) Δt with T in kelvins (273 + °C); EN: "
            "Σ e^(13.65 − 4000 ÷ (273 + T)) Δt"
        ),
        sources=(C1074, Source("EN 1992-1-1, B.10", "from memory")),
        cautions=(
            "A datum of −10 °C makes the factor larger than one of 0 °C: compare only factors of one datum.", ESTIMATE,
        ),
        plot=maturity_plot,
    ),
    Calculation(
        name="strength-maturity",
        title="Strength from maturity",
        subject="Casting",
        asks="What strength does this maturity stand for, and when is the wanted one reached?",
        inputs=StrengthMaturityInputs,
        result=StrengthMaturityResult,
        compute=strength_maturity,
        example=StrengthMaturityInputs(
            tests=tuple(
                MaturityTest(m, s)
                for m, s in [(500.0, 9.8), (1000.0, 17.1), (2000.0, 24.6), (3360.0, 29.4), (6720.0, 36.9)]
            ),
            maturity=2484.0,
            wanted=20.0,
        ),
        formula="a + b ln M, or S_u k (M − M₀) ÷ (1 + k (M − M₀)); least squares; ± t s √(1 + leverage)",
        sources=(C1074, Source("Logarithmic curve (Plowman), hyperbolic curve (Carino)", "from memory")),
        cautions=(ESTIMATE, "The relation holds for this mix only, and not beyond the maturities tested.", CAUTION),
        plot=strength_maturity_plot,
    ),
)  # fmt: skip
