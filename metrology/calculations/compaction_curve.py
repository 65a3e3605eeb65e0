"""Compaction in the laboratory: the curve through Proctor points, its peak, zero air voids, oversize particles."""

from dataclasses import dataclass

import numpy as np
from scipy import stats

from metrology.bodies import Floats
from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import amount, amounts, flag, sentence, share, table, text
from metrology.calculations.plots import Axis, Mark, Plot, curve
from metrology.calculations.problems import refuse
from metrology.calculations.said import Quantity, say

GROUND = (
    "Ground that moves can bury or topple. Compaction figures guide the work; the geotechnical engineer, local codes "
    "and the inspector govern."
)
WATER = 1000.0  # kg/m³, at 4 °C; common practice
DEFINITION = Source("Dry density is wet density ÷ (1 + moisture content)", "definition")


# ---- the curve -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class ProctorPoint:
    moisture: float = share("Moisture content", highest=2.0, help="Water by mass of dry soil.")
    wet_mass: float = amount("Wet soil in the mould", "kg", above=0.0)


@dataclass(frozen=True)
class ProctorInputs:
    points: tuple[ProctorPoint, ...] = table("Points", ProctorPoint, least=3, most=60)
    mould_volume: float = amount("Volume of the mould", "m³", shown="cm³", above=0.0)
    specific_gravity: float | None = amount(
        "Specific gravity of the solids", "1", above=1.0, highest=5.0, default=None, help="For the zero-air-voids line."
    )
    confidence: float = share("Confidence of the intervals", above=0.5, below=1.0, default=0.95)


@dataclass(frozen=True)
class ProctorResult:
    sentence: str = sentence()
    maximum_dry_density: float = amount("Maximum dry density", "kg/m³", decimals=0)
    density_low: float | None = amount("Lowest it may be", "kg/m³", decimals=0)
    density_high: float | None = amount("Highest it may be", "kg/m³", decimals=0)
    optimum_moisture: float = share("Optimum moisture", decimals=4)
    moisture_low: float | None = share("Lowest it may be", decimals=4)
    moisture_high: float | None = share("Highest it may be", decimals=4)
    dry_densities: tuple[float, ...] = amounts("Dry density of each point", "kg/m³", decimals=1)
    residual: float | None = amount("Standard deviation about the curve", "kg/m³", decimals=1)
    saturation: float | None = share("Degree of saturation at the peak", highest=None, decimals=4)
    model: str = text("Curve")


def proctor(inputs: ProctorInputs) -> ProctorResult:
    """Least-squares parabola of dry density over moisture content, all points alike; its highest point.

    Interval of the optimum: by Fieller's theorem for a ratio of estimates; of the maximum: of the parabola at the
    optimum. Both need more than three points. Errors: too-few-moistures, no-peak, peak-outside, over-saturated.
    """
    moisture = np.array([point.moisture for point in inputs.points])
    wet = np.array([point.wet_mass for point in inputs.points]) / inputs.mould_volume
    dry = wet / (1 + moisture)
    if len(np.unique(moisture)) < 3:
        raise refuse("/points", "A curve needs points at three moisture contents or more.", "too-few-moistures")
    middle, width = moisture.mean(), np.ptp(moisture) / 2
    design = np.vander((moisture - middle) / width, 3, increasing=True)
    factors = np.linalg.lstsq(design, dry, rcond=None)[0]
    if factors[2] >= -1e-9 * dry.mean():
        raise refuse(
            "/points",
            "These points have no peak: the dry density does not rise and then fall with the moisture. Check for "
            "swapped columns, or make points that are wetter and drier.",
            "no-peak",
        )
    at = -factors[1] / (2 * factors[2])
    optimum, highest = float(middle + width * at), float(factors[0] - factors[1] ** 2 / (4 * factors[2]))
    if not moisture.min() <= optimum <= moisture.max():
        side = "drier than the driest" if optimum < moisture.min() else "wetter than the wettest"
        raise refuse("/points", f"The peak would lie {side} point. Make another point beyond it.", "peak-outside")
    density, bounds, residual = _intervals(design, dry, factors, float(at), inputs.confidence)
    saturation = None
    if inputs.specific_gravity is not None:
        saturation = _saturation(highest, optimum, inputs.specific_gravity)
        worst = max(_saturation(d, w, inputs.specific_gravity) for d, w in zip(dry, moisture, strict=True))
        if worst > 1.02:
            raise refuse(
                "/specific_gravity",
                "A point lies beyond the zero-air-voids line: soil cannot hold more than all its voids. Check the "
                "specific gravity, the mould's volume and the masses.",
                "over-saturated",
            )
    said = say(
        "Maximum dry density {density} at an optimum moisture of {moisture}.{how}",
        density=Quantity(highest, "kg/m³", 0),
        moisture=Quantity(optimum * 100, "%", 1),
        how="" if density else " Three points lie exactly on a parabola: there is no interval. Make a fourth.",
    )
    low, high = density or (None, None)
    dry_side, wet_side = bounds or (None, None)
    return ProctorResult(
        said, highest, low, high, optimum,
        None if dry_side is None else float(middle + width * dry_side),
        None if wet_side is None else float(middle + width * wet_side),
        tuple(map(float, dry)), residual, saturation, "parabola, least squares, every point weighed alike",
    )  # fmt: skip


def _intervals(
    design: Floats, dry: Floats, factors: Floats, at: float, confidence: float
) -> tuple[tuple[float, float] | None, tuple[float, float] | None, float | None]:
    """Of the highest dry density, of where it is (None when the curvature is not clear), and the residual sd."""
    free = len(dry) - 3
    if free < 1:
        return None, None, None
    left = dry - design @ factors
    variance = float(left @ left) / free
    spread = np.linalg.inv(design.T @ design) * variance
    t = float(stats.t.ppf((1 + confidence) / 2, free))
    top = np.array([1.0, at, at * at])
    height, half = float(top @ factors), t * float(np.sqrt(top @ spread @ top))
    # Fieller: all x for which b + 2 c x is not distinguishable from 0.
    b, c = factors[1], factors[2]
    two = (2 * c) ** 2 - t * t * 4 * spread[2, 2]
    one = 2 * b * 2 * c - t * t * 2 * spread[1, 2]
    none = b * b - t * t * spread[1, 1]
    inside = one * one / 4 - two * none
    bounds = None
    if two > 0 and inside >= 0:
        reach = inside**0.5
        bounds = (-one / 2 - reach) / two, (-one / 2 + reach) / two
    return (height - half, height + half), bounds, variance**0.5


def _saturation(dry: float, moisture: float, gravity: float) -> float:
    """Water over voids, by volume."""
    return float(moisture * dry / WATER / (1 - dry / (gravity * WATER)))


def zero_air_voids_density(moisture: Floats, gravity: float) -> Floats:
    """Dry density of soil without any air, kg/m³. moisture: share by mass."""
    return gravity * WATER / (1 + gravity * moisture)


def proctor_plot(inputs: ProctorInputs, result: ProctorResult) -> tuple[Plot, ...]:
    moisture = np.array([point.moisture for point in inputs.points])
    at = np.linspace(moisture.min(), moisture.max(), 61)
    width = np.ptp(moisture) / 2
    design = np.vander((moisture - moisture.mean()) / width, 3, increasing=True)
    factors = np.linalg.lstsq(design, np.array(result.dry_densities), rcond=None)[0]
    shown = np.vander((at - moisture.mean()) / width, 3, increasing=True) @ factors
    series = [
        curve((at * 100).tolist(), shown.tolist(), label="parabola"),
        curve((moisture * 100).tolist(), result.dry_densities, "points", label="points"),
    ]
    if inputs.specific_gravity is not None:
        air = zero_air_voids_density(at, inputs.specific_gravity)
        seen = air < max(result.dry_densities) * 1.12
        series.append(curve((at[seen] * 100).tolist(), air[seen].tolist(), look="second", label="no air voids"))
    marks = (
        Mark(result.maximum_dry_density, heavy=False),
        Mark(result.optimum_moisture * 100, axis="x", heavy=False),
    )
    return (
        Plot(
            "Compaction curve", Axis("Moisture content", "%"), Axis("Dry density", "kg/m³"), tuple(series), marks,
            str(result.sentence),
        ),
    )  # fmt: skip


# ---- zero air voids --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class AirVoidsInputs:
    specific_gravity: float = amount("Specific gravity of the solids", "1", above=1.0, highest=5.0)
    moistures: tuple[float, ...] = amounts("Moisture contents", "1", kind="share", lowest=0.0, highest=2.0, shown="%")
    water_density: float = amount("Density of water", "kg/m³", above=900.0, highest=1100.0, default=WATER)
    gravity: float = amount("Acceleration of free fall, m/s²", "1", above=9.0, highest=10.0, default=9.81)


@dataclass(frozen=True)
class AirVoidsResult:
    sentence: str = sentence()
    dry_densities: tuple[float, ...] = amounts("Dry density without air", "kg/m³", decimals=1)
    dry_unit_weights: tuple[float, ...] = amounts("Dry unit weight without air", "kN/m³", decimals=3)


def air_voids(inputs: AirVoidsInputs) -> AirVoidsResult:
    """The densest that soil can be at a moisture content: all voids full of water."""
    moisture = np.array(inputs.moistures)
    dry = inputs.specific_gravity * inputs.water_density / (1 + inputs.specific_gravity * moisture)
    said = say(
        "At {moisture} moisture no soil of this specific gravity can be denser than {density} dry.",
        moisture=Quantity(100 * inputs.moistures[0], "%", 1),
        density=Quantity(float(dry[0]), "kg/m³", 0),
    )
    return AirVoidsResult(said, tuple(map(float, dry)), tuple(map(float, dry * inputs.gravity / 1000)))


# ---- oversize --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class OversizeInputs:
    fine_dry_density: float = amount(
        "Dry density of the fine part", "kg/m³", above=0.0, help="As the laboratory gave it."
    )
    fine_moisture: float = share("Moisture content of the fine part", highest=2.0)
    oversize_share: float = share("Oversize particles, by dry mass", below=1.0)
    oversize_gravity: float = amount("Bulk specific gravity of the oversize", "1", above=1.0, highest=5.0)
    oversize_moisture: float = share("Moisture content of the oversize", highest=0.5, default=0.0)
    most_oversize: float = share("Oversize up to which this holds", default=0.3, below=1.0)


@dataclass(frozen=True)
class OversizeResult:
    sentence: str = sentence()
    dry_density: float = amount("Dry density with the oversize", "kg/m³", decimals=0)
    moisture: float = share("Moisture content with the oversize", decimals=4)
    within: bool = flag("Within the share for which the correction holds")


def oversize(inputs: OversizeInputs) -> OversizeResult:
    """Density and moisture of the whole soil from those of its fine part (form of ASTM D4718)."""
    coarse = inputs.oversize_share
    solid = inputs.oversize_gravity * WATER
    density = 1 / ((1 - coarse) / inputs.fine_dry_density + coarse / solid)
    moisture = (1 - coarse) * inputs.fine_moisture + coarse * inputs.oversize_moisture
    within = coarse <= inputs.most_oversize
    said = say(
        "With {coarse} oversize the dry density to compare with is {density}, at {moisture} moisture.{warning}",
        coarse=Quantity(100 * coarse, "%", 0),
        density=Quantity(density, "kg/m³", 0),
        moisture=Quantity(100 * moisture, "%", 1),
        warning="" if within else " That is more oversize than the correction holds for: judge it by other means.",
    )
    return OversizeResult(said, density, moisture, within)


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="compaction-curve",
        title="Compaction curve from Proctor points",
        subject="Soil",
        asks="What is the maximum dry density of this soil, and at which moisture?",
        inputs=ProctorInputs,
        result=ProctorResult,
        compute=proctor,
        example=ProctorInputs(
            tuple(
                ProctorPoint(moisture, mass)
                for moisture, mass in (
                    (0.099, 1.68),
                    (0.106, 1.71),
                    (0.121, 1.77),
                    (0.138, 1.83),
                    (0.151, 1.86),
                    (0.174, 1.88),
                    (0.194, 1.87),
                    (0.212, 1.85),
                )
            ),
            943.3e-6,
            2.75,
        ),
        formula="dry density = wet mass ÷ mould volume ÷ (1 + w); parabola a + b·w + c·w² by least squares; "
        "optimum −b ÷ 2c",
        sources=(
            DEFINITION,
            Source("Tests behind the points: ASTM D698 or D1557", "from memory"),
            Source("Fieller's interval for a ratio of estimates", "from memory"),
        ),
        cautions=(
            GROUND,
            "A parabola is one model among several: a hand-drawn curve through the same points may differ by some "
            "kg/m³. Say which was used.",
        ),
        plot=proctor_plot,
    ),
    Calculation(
        name="zero-air-voids",
        title="Zero-air-voids line",
        subject="Soil",
        asks="How dense can a soil be at a moisture content before every void is full of water?",
        inputs=AirVoidsInputs,
        result=AirVoidsResult,
        compute=air_voids,
        example=AirVoidsInputs(2.75, (0.05, 0.08, 0.10, 0.12, 0.15)),
        formula="Gs × water density ÷ (1 + Gs × w)",
        sources=(Source("Volume of solids and water fill the whole volume", "definition"),),
        cautions=(GROUND,),
    ),
    Calculation(
        name="oversize-correction",
        title="Correction for oversize particles",
        subject="Soil",
        asks="What dry density should a soil with large particles be compared with?",
        inputs=OversizeInputs,
        result=OversizeResult,
        compute=oversize,
        example=OversizeInputs(1840.0, 0.12, 0.2, 2.62, 0.01),
        formula="1 ÷ ((1 − c) ÷ fine dry density + c ÷ (G × 1000 kg/m³)); w = (1 − c)·w fine + c·w coarse",
        sources=(
            Source("Volumes of the fine and the coarse part add up", "definition"),
            Source("ASTM D4718 for the procedure and its limits", "from memory"),
        ),
        cautions=(GROUND,),
    ),
)
