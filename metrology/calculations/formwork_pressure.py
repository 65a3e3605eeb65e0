"""Pressure of fresh concrete on a mould or form."""

from dataclasses import dataclass
from fractions import Fraction

from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import amount, choice, flag, sentence
from metrology.calculations.said import Quantity, say
from metrology.quantities import convert

# m/s²: standard gravity, by definition.
GRAVITY = 9.80665
_PSF = float(Fraction("0.45359237") * Fraction("9.80665") / (Fraction("0.3048") ** 2)) / 1000  # kPa
ELEMENTS = {"column": "a column or block", "wall": "a wall"}
LIQUID = "as a liquid"


@dataclass(frozen=True)
class PressureInputs:
    height: float = amount("Height of fresh concrete above", "mm", shown="m", above=0.0)
    rate: float = amount("Rate at which it rises", "m/h", above=0.0)
    temperature: float = amount("Temperature of the concrete", "°C", lowest=4.0, highest=40.0)
    density: float = amount("Density of the fresh concrete", "kg/m³", lowest=500.0, highest=4000.0, default=2400.0)
    element: str = choice("What is poured", ELEMENTS, default="column")
    chemistry: float = amount(
        "Chemistry coefficient", "1", lowest=1.0, highest=1.5, default=1.0,
        help="1.0 plain Portland cement without retarder; 1.2 with; up to 1.4 with slag or fly ash and retarder.",
    )  # fmt: skip
    flowing: bool = flag("It flows or levels itself, or is vibrated from outside", default=False)


@dataclass(frozen=True)
class PressureResult:
    sentence: str = sentence()
    pressure: float = amount("Greatest pressure to design for", "kPa", decimals=1)
    liquid: float = amount("Pressure of a liquid of that height", "kPa", decimals=1)
    by_rate: float | None = amount("By rate and temperature, before the bounds", "kPa", decimals=1)
    least: float = amount("Least to design for, unless the liquid is less", "kPa", decimals=1)
    weight_coefficient: float = amount("Weight coefficient", "1", decimals=3)
    governs: str = choice(
        "What governs", {"rate": "rate and temperature", "least": "the least allowed", "liquid": LIQUID}
    )


def formwork_pressure(inputs: PressureInputs) -> PressureResult:
    """The formulas hold for slumps of 175 mm or less and inner vibration 1.2 m deep; otherwise the full liquid head."""
    liquid = inputs.density * GRAVITY * inputs.height * 1e-6
    feet_per_hour = convert(inputs.rate, "m/h", "ft/h")
    fahrenheit = convert(inputs.temperature, "°C", "°F")
    height_ft = inputs.height / 304.8
    weight = _weight_coefficient(convert(inputs.density, "kg/m³", "lb/ft³"))
    least = 600 * weight * _PSF
    by_rate = None
    if not inputs.flowing:
        by_rate = _by_rate(inputs.element, feet_per_hour, fahrenheit, height_ft)
    if by_rate is not None:
        by_rate *= weight * inputs.chemistry * _PSF
    bounded = liquid if by_rate is None else min(liquid, max(by_rate, least))
    governs = "liquid" if bounded == liquid else "least" if by_rate is not None and by_rate < least else "rate"
    said = say(
        "Design the mould for {p}{why}.",
        p=Quantity(bounded, "kPa", 1),
        why={
            "liquid": " at the foot, the full head of a liquid",
            "least": ", the least that is allowed for any pour above that depth",
            "rate": ", by the rate of the pour and the temperature of the concrete",
        }[governs],
    )
    return PressureResult(said, bounded, liquid, by_rate, least, weight, governs)


def _weight_coefficient(pcf: float) -> float:
    if pcf < 140:
        return max(0.8, 0.5 * (1 + pcf / 145))
    return 1.0 if pcf <= 150 else pcf / 145


def _by_rate(element: str, rate: float, fahrenheit: float, height_ft: float) -> float | None:
    """Pounds per square foot for both coefficients 1; None where only the liquid head is safe."""
    if element == "column" or (rate < 7 and height_ft <= 14):
        return 150 + 9000 * rate / fahrenheit
    if rate <= 15:
        return 150 + 43_400 / fahrenheit + 2800 * rate / fahrenheit
    return None


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="formwork-pressure",
        title="Pressure of fresh concrete",
        subject="Casting",
        asks="What pressure must the mould withstand while it is filled?",
        inputs=PressureInputs,
        result=PressureResult,
        compute=formwork_pressure,
        example=PressureInputs(2400.0, 1.2, 16.0, 2400.0, "column", 1.0, False),
        formula="columns, and walls below 7 ft/h and 14 ft: 150 + 9000 R / T; other walls to 15 ft/h: "
        "150 + 43 400 / T + 2800 R / T (psf, ft/h, °F) × weight × chemistry; at least 600 psf × weight; never more "
        "than density × g × height",
        sources=(Source("ACI 347 (guide to formwork), lateral pressure", "from memory"),),
        cautions=(
            "A mould that bursts buries who stands beside it. Its design is licensed practice; local codes govern.",
            "In doubt, and for every mix that flows, take the full head of a liquid.",
        ),
    ),
)
