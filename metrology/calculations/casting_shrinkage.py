"""Lengths that change between mould and part: measured shrinkage, pattern scale, drying, temperature."""

from dataclasses import dataclass
from math import isfinite

import numpy as np

from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import amount, amounts, choice, sentence, share, table, text, whole
from metrology.calculations.plots import Axis, Mark, Plot, curve
from metrology.calculations.problems import refuse
from metrology.calculations.said import Quantity, say
from metrology.concrete.movements import CEMENTS, autogenous, drying_nominal, drying_share, size_factor
from metrology.moulds.shrinkage import of_casts, pattern_scale
from metrology.wording import count

OWN_DATA = Source("Shrinkage is measured on the mix, the mould and the cure in hand; handbooks disagree", "definition")
NO_TABLE = "Use a figure of your own casts. A handbook's allowance is for another mix, mould and cure."

# ---- measured on casts -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Direction:
    direction: str = text("Direction")
    mould: float = amount("Length in the mould", "mm", above=0.0)
    parts: tuple[float, ...] = amounts("Lengths of the casts", "mm", above=0.0, most=500)
    wanted: float | None = amount("Length wanted", "mm", above=0.0, default=None)


@dataclass(frozen=True, kw_only=True)
class CastingShrinkageInputs:
    directions: tuple[Direction, ...] = table("Directions", Direction, most=12, help="One row a direction.")
    u: float = amount(
        "Standard uncertainty of a length", "mm", lowest=0.0, default=0.0,
        help="Of what all casts share, such as the scale of the instrument.",
    )  # fmt: skip
    confidence: float = share("Confidence of the interval", default=0.95, above=0.0, below=1.0)


@dataclass(frozen=True)
class DirectionFound:
    direction: str = text("Direction")
    casts: int = whole("Casts")
    shrinkage: float = share("Shrinkage", lowest=None, highest=None, decimals=5)
    low: float | None = share("At least", lowest=None, highest=None, decimals=5)
    high: float | None = share("At most", lowest=None, highest=None, decimals=5)
    scale: float = amount("Pattern scale", "1", decimals=5)
    scale_low: float | None = amount("Scale at least", "1", decimals=5)
    scale_high: float | None = amount("Scale at most", "1", decimals=5)
    pattern: float | None = amount("Pattern length", "mm", decimals=2)
    off_by: float | None = amount("± by the interval", "mm", decimals=2)


@dataclass(frozen=True)
class CastingShrinkageResult:
    sentence: str = sentence()
    directions: tuple[DirectionFound, ...] = table("Directions", DirectionFound)


def casting_shrinkage(inputs: CastingShrinkageInputs) -> CastingShrinkageResult:
    """(mould − part) ÷ mould for each cast; the mean with Student's t over casts, widened by the shared uncertainty.

    One cast gives no interval. Raises InputError (shrinkage) where nothing is left of the part.
    """
    rows = []
    for one in inputs.directions:
        per_cast = 1 - np.array(one.parts) / one.mould
        found = of_casts(one.direction, per_cast, 1.0, inputs.u / one.mould, inputs.confidence)
        known = isfinite(found.low)
        pattern = None if one.wanted is None else one.wanted * found.pattern_scale
        rows.append(
            DirectionFound(
                one.direction, found.casts, found.value, found.low if known else None, found.high if known else None,
                found.pattern_scale, found.pattern_low if known else None, found.pattern_high if known else None,
                pattern,
                (found.pattern_high - found.pattern_low) / 2 * one.wanted if known and one.wanted is not None else None,
            )
        )  # fmt: skip
    widest = max(rows, key=lambda row: abs(row.shrinkage))
    said = say(
        "Most along {direction}: {shrinkage}{interval} {way} than its mould, from {casts}; the pattern is {scale} "
        "times the length wanted.",
        direction=widest.direction,
        shrinkage=Quantity(100 * abs(widest.shrinkage), "%", 3),
        way="smaller" if widest.shrinkage >= 0 else "larger",
        interval=""
        if widest.low is None or widest.high is None
        else say(" (± {half})", half=Quantity(50 * (widest.high - widest.low), "%", 3)),
        casts=count(widest.casts, "cast"),
        scale=f"{widest.scale:.5f}",
    )
    return CastingShrinkageResult(said, tuple(rows))


def casting_shrinkage_plot(inputs: CastingShrinkageInputs, result: CastingShrinkageResult) -> tuple[Plot, ...]:
    places, values = [], []
    for k, one in enumerate(inputs.directions, start=1):
        for length in one.parts:
            places.append(float(k))
            values.append(100 * (1 - length / one.mould))
    names = tuple(one.direction for one in inputs.directions)
    series = (
        curve(places, values, "points", "second", "each cast"),
        curve(range(1, len(names) + 1), [100 * row.shrinkage for row in result.directions], "points", "main", "mean"),
    )
    axis = Axis("Direction", names=names)
    return (
        Plot(
            "Shrinkage by direction",
            axis,
            Axis("Shrinkage", "%"),
            series,
            (Mark(0.0, heavy=False),),
            str(result.sentence),
        ),
    )


# ---- pattern scale ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class PatternInputs:
    wanted: float = amount("Length wanted of the part", "mm", above=0.0)
    shrinkage: float | None = share(
        "Shrinkage, measured on the mould", lowest=None, below=1.0, default=None, help="(mould − part) ÷ mould."
    )
    allowance: float | None = amount(
        "Or allowance, added to the part", "mm", default=None, help="As on a contraction rule, for each length below."
    )
    per: float = amount("Allowance is for each", "mm", above=0.0, default=1000.0)


@dataclass(frozen=True)
class PatternResult:
    sentence: str = sentence()
    scale: float = amount("Pattern scale", "1", decimals=5)
    pattern: float = amount("Pattern length", "mm", decimals=3)
    added: float = amount("Longer than the part by", "mm", decimals=3)
    shrinkage: float = share("The same as shrinkage on the mould", lowest=None, highest=None, decimals=5)
    allowance_per_metre: float = amount("The same as allowance for a metre of the part", "mm", decimals=3)


def pattern(inputs: PatternInputs) -> PatternResult:
    """wanted ÷ (1 − shrinkage) when measured on the mould; wanted × (1 + allowance) when added to the part.

    The two differ by the square of the shrinkage. Errors: no-shrinkage, two-shrinkages, shrinkage.
    """
    if inputs.shrinkage is None and inputs.allowance is None:
        raise refuse("/shrinkage", "Give the shrinkage, or the allowance.", "no-shrinkage")
    if inputs.shrinkage is not None and inputs.allowance is not None:
        raise refuse("/allowance", "Give the shrinkage or the allowance, not both.", "two-shrinkages")
    if inputs.shrinkage is not None:
        scale = pattern_scale(inputs.shrinkage)
    else:
        scale = 1 + (inputs.allowance or 0.0) / inputs.per
        if scale <= 0:
            raise refuse("/allowance", "This allowance leaves nothing of the pattern. Check it.", "shrinkage")
    length = inputs.wanted * scale
    said = say(
        "A part of {wanted} needs a pattern of {pattern}, {scale} times as long.",
        wanted=Quantity(inputs.wanted, "mm", 2),
        pattern=Quantity(length, "mm", 2),
        scale=f"{scale:.5f}",
    )
    return PatternResult(said, scale, length, length - inputs.wanted, 1 - 1 / scale, 1000 * (scale - 1))


# ---- drying ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class DryingInputs:
    fck: float = amount("Characteristic cylinder strength", "MPa", above=0.0, below=200.0)
    humidity: float = share("Relative humidity", default=0.6)
    cement: str = choice("Cement", {"S": "slow, class S", "N": "normal, class N", "R": "rapid, class R"}, default="N")
    notional_size: float = amount("Notional size: 2 × area ÷ perimeter that dries", "mm", above=0.0, default=100.0)
    dries_from: float = amount("Age when drying begins", "d", lowest=0.0, default=7.0)
    age: float = amount("Age", "d", lowest=0.0, default=28.0)
    length: float = amount("Length of the part", "mm", above=0.0, default=1000.0)


@dataclass(frozen=True)
class DryingResult:
    sentence: str = sentence()
    nominal: float = share("Nominal drying strain, thin part", shown="‰", highest=None, decimals=7)
    size_factor: float = amount("Factor for the size", "1", decimals=4)
    time_share: float = share("Share of the drying by this age", decimals=3)
    drying: float = share("Drying strain by this age", shown="‰", highest=None, decimals=7)
    final: float = share("Drying strain in the end", shown="‰", highest=None, decimals=7)
    autogenous: float = share("Strain without drying by this age", shown="‰", highest=None, decimals=7)
    shorter: float = amount("Shorter by this age", "mm", decimals=3)
    shorter_finally: float = amount("Shorter in the end", "mm", decimals=3)


def drying(inputs: DryingInputs) -> DryingResult:
    """EN 1992-1-1: nominal × size factor × share of time, and what concrete shortens without drying."""
    assert inputs.cement in CEMENTS
    nominal = drying_nominal(inputs.fck, inputs.humidity, inputs.cement)
    factor = size_factor(inputs.notional_size)
    part = drying_share(inputs.age, inputs.dries_from, inputs.notional_size)
    own, own_finally = autogenous(inputs.fck, inputs.age), autogenous(inputs.fck, 1e9)
    now, last = nominal * factor * part, nominal * factor
    said = say(
        "After {age} a part of {length} is some {now} shorter, in the end {last}.",
        age=Quantity(inputs.age, "d", 0),
        length=Quantity(inputs.length, "mm", 0),
        now=Quantity((now + own) * inputs.length, "mm", 2),
        last=Quantity((last + own_finally) * inputs.length, "mm", 2),
    )
    return DryingResult(
        said, nominal, factor, part, now, last, own, (now + own) * inputs.length, (last + own_finally) * inputs.length
    )


# ---- temperature -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class ThermalInputs:
    length: float = amount("Length", "mm", shown="m", above=0.0)
    warmer: float = amount("Warmer by", "K", kind="temperature difference")
    coefficient: float = amount(
        "Coefficient of expansion, ppm per °C", "1", above=0.0, highest=100.0, default=10.0,
        help="Concrete 8 to 12 with its aggregate, steel about 12.",
    )  # fmt: skip


@dataclass(frozen=True)
class ThermalResult:
    sentence: str = sentence()
    movement: float = amount("Longer by", "mm", decimals=3)


def thermal(inputs: ThermalInputs) -> ThermalResult:
    """Length × coefficient × difference; shorter when it is colder."""
    moved = inputs.length * inputs.coefficient * 1e-6 * inputs.warmer
    said = say(
        "{length} becomes {moved} {way} with {warmer}.",
        length=Quantity(inputs.length, "mm", 0),
        moved=Quantity(abs(moved), "mm", 2),
        way="longer" if moved >= 0 else "shorter",
        warmer=Quantity(inputs.warmer, "K", 1, "temperature difference"),
    )
    return ThermalResult(said, moved)


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="casting-shrinkage",
        title="Shrinkage measured on casts",
        subject="Casting",
        asks="How much smaller than its mould is the part in each direction, and what must the pattern be?",
        inputs=CastingShrinkageInputs,
        result=CastingShrinkageResult,
        compute=casting_shrinkage,
        example=CastingShrinkageInputs(
            directions=(
                Direction("along", 1601.7, (1600.4, 1600.6, 1600.3, 1600.5), 1600.0),
                Direction("across", 420.0, (419.8, 419.7, 419.8, 419.9), 420.0),
                Direction("up", 180.0, (179.8, 179.9, 179.8, 179.8), 180.0),
            ),
            u=0.05,
        ),
        formula="shrinkage = (mould − part) ÷ mould; pattern = wanted ÷ (1 − shrinkage); mean ± t × s ÷ √n, with u",
        sources=(OWN_DATA, Source("Student's t; Welch–Satterthwaite for what is shared (JCGM 100)", "from memory")),
        cautions=(NO_TABLE,),
        plot=casting_shrinkage_plot,
    ),
    Calculation(
        name="pattern-scale",
        title="Pattern size for a wanted part",
        subject="Casting",
        asks="How long must the pattern be for the part to come out as wanted?",
        inputs=PatternInputs,
        result=PatternResult,
        compute=pattern,
        example=PatternInputs(1600.0, 0.0008),
        formula="wanted ÷ (1 − shrinkage on the mould), or wanted × (1 + allowance on the part)",
        sources=(OWN_DATA,),
        cautions=(
            NO_TABLE, "Say which of the two a figure is: of the mould, or added to the part. They are not the same.",
        ),
    ),
    Calculation(
        name="drying-shrinkage",
        title="Drying shrinkage of concrete",
        subject="Casting",
        asks="How much will this part still shorten as it dries?",
        inputs=DryingInputs,
        result=DryingResult,
        compute=drying,
        example=DryingInputs(fck=30.0, notional_size=120.0, length=1600.0),
        formula=(
            "ε = ε_cd,0 × k_h × (t − t_s) ÷ (t − t_s + 0.04 √h³); ε_cd,0 = 0.85 (220 + 110 α₁) e^(−α₂ f_cm ÷ 10) × "
            "10⁻⁶ × 1.55 (1 − RH³)"
        ),
        sources=(Source("EN 1992-1-1, 3.1.4 and B.2; checked with structuralcodes 0.7.2", "from memory"),),
        cautions=("An estimate to within some 30 %: measure your own mix before a joint depends on it.",),
    ),
    Calculation(
        name="thermal-movement",
        title="Movement with temperature",
        subject="Casting",
        asks="How much longer is a part when it is warmer?",
        inputs=ThermalInputs,
        result=ThermalResult,
        compute=thermal,
        example=ThermalInputs(2400.0, 15.0),
        formula="length × coefficient × difference of temperature",
        sources=(Source("Definition of the coefficient of linear expansion", "definition"),),
    ),
)  # fmt: skip
