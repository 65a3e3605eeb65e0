"""Fresh concrete: evaporation from its surface, pressure on the form, yield, and what to weigh for a batch."""

from dataclasses import dataclass

from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import amount, choice, flag, sentence, share, table, text
from metrology.calculations.problems import refuse
from metrology.calculations.said import Quantity, say
from metrology.concrete.fresh import Material, evaporation, form_pressure, weighed

WET = (
    "Wet cement and alkali activators burn, and the pain may come late: gloves, goggles, water to rinse with. Cutting "
    "and sweeping dry makes silica dust: wet it or extract it. Local codes and licensed practice govern."
)

# ---- evaporation -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class EvaporationInputs:
    concrete_temperature: float = amount("Temperature of the concrete", "°C", lowest=-10.0, highest=60.0)
    air_temperature: float = amount("Temperature of the air", "°C", lowest=-17.0, highest=60.0)
    humidity: float = share("Relative humidity")
    wind: float = amount("Wind over the surface", "km/h", lowest=0.0, highest=150.0)
    careful_from: float = amount(
        "Take precautions from", "kg/m²·h", above=0.0, default=0.5, help="Lower for low-bleed mixes with fine binders."
    )
    critical_from: float = amount("Do not pour unprotected from", "kg/m²·h", above=0.0, default=1.0)


@dataclass(frozen=True)
class EvaporationResult:
    sentence: str = sentence()
    rate: float = amount("Evaporation rate", "kg/m²·h", decimals=3)
    warning: str = choice(
        "Warning", {"none": "none", "precautions": "take precautions", "critical": "protect, or do not pour"}
    )
    in_calm: float = amount("The same without wind", "kg/m²·h", decimals=3)


def evaporation_rate(inputs: EvaporationInputs) -> EvaporationResult:
    """Error: limits-swapped. A rate below zero would be dew: 0 is reported."""
    if inputs.careful_from > inputs.critical_from:
        raise refuse("/critical_from", "The two rates are swapped. Exchange them.", "limits-swapped")
    given = inputs.concrete_temperature, inputs.air_temperature, inputs.humidity
    rate, calm = (max(0.0, evaporation(*given, wind)) for wind in (inputs.wind, 0.0))
    warning = "critical" if rate >= inputs.critical_from else "precautions" if rate >= inputs.careful_from else "none"
    words = {
        "none": "no precaution needed for this alone",
        "precautions": "shade it, break the wind, fog or cover it",
        "critical": "protect the surface at once, or pour at another hour: it may crack while still plastic",
    }
    said = say("Some {rate} evaporate: {what}.", rate=Quantity(rate, "kg/m²·h", 2), what=words[warning])
    return EvaporationResult(said, rate, warning, calm)


# ---- form pressure ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class FormPressureInputs:
    form: str = choice("Form", {"column": "column", "wall": "wall"}, default="wall")
    rate: float = amount("Rate of rise", "m/h", above=0.0)
    temperature: float = amount("Temperature of the concrete", "°C", above=0.0, highest=60.0)
    height: float | None = amount("Height of the fresh concrete", "mm", shown="m", above=0.0, default=None)
    density: float = amount("Density of the concrete", "kg/m³", above=0.0, default=2323.0)
    chemistry: float = amount("Chemistry coefficient C_c", "1", lowest=1.0, highest=2.0, default=1.0)
    weight: float | None = amount(
        "Unit weight coefficient C_w", "1", above=0.0, default=None, help="Empty: by the density."
    )


@dataclass(frozen=True)
class FormPressureResult:
    sentence: str = sentence()
    pressure: float = amount("Lateral pressure to design for", "kPa", decimals=2)
    by_formula: float | None = amount("By the formula alone", "kPa", decimals=3)
    liquid_head: float | None = amount("Full liquid head", "kPa", decimals=2)
    least: float = amount("Least pressure of the rule", "kPa", decimals=2)
    weight: float = amount("C_w used", "1", decimals=3)


def pressure(inputs: FormPressureInputs) -> FormPressureResult:
    found = form_pressure(
        inputs.form == "wall", inputs.rate, inputs.temperature, inputs.density, inputs.chemistry,
        None if inputs.height is None else inputs.height / 1000, inputs.weight,
    )  # fmt: skip
    why = {
        "head": "the full liquid head",
        "least": "the least the rule allows",
        "formula": "by rate and temperature",
    }[found.governs]
    said = say("The form is designed for {p}, {why}.", p=Quantity(found.pressure, "kPa", 1), why=why)
    return FormPressureResult(said, found.pressure, found.by_formula, found.head, found.least, found.weight)


# ---- yield -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Ingredient:
    material: str = text("Material")
    mass: float = amount("Mass in the batch", "kg", lowest=0.0)
    binder: bool = flag("Binder")
    density: float | None = amount("Density of its particles", "kg/m³", above=0.0, default=None)


@dataclass(frozen=True, kw_only=True)
class YieldInputs:
    ingredients: tuple[Ingredient, ...] = table("What went into the batch", Ingredient, most=60)
    density: float = amount("Fresh density, measured", "kg/m³", above=0.0)
    design_volume: float | None = amount("Volume it was designed to make", "m³", above=0.0, default=None)


@dataclass(frozen=True)
class YieldResult:
    sentence: str = sentence()
    mass: float = amount("Mass of the batch", "kg", decimals=1)
    volume: float = amount("Yield", "m³", decimals=5)
    relative_yield: float | None = amount("Relative yield", "1", decimals=4)
    binder_content: float = amount("Binder content", "kg/m³", decimals=1)
    air_free_density: float | None = amount("Density without air", "kg/m³", decimals=1)
    air: float | None = share("Air by mass and volume", lowest=None, highest=None, decimals=3)


def concrete_yield(inputs: YieldInputs) -> YieldResult:
    """Mass ÷ density. The air needs the particle density of everything. Error: no-mass."""
    mass = sum(one.mass for one in inputs.ingredients)
    if mass <= 0:
        raise refuse("/ingredients", "The batch has no mass. Enter what was weighed.", "no-mass")
    volume = mass / inputs.density
    relative = None if inputs.design_volume is None else volume / inputs.design_volume
    bare, air = None, None
    densities = [one.density for one in inputs.ingredients]
    if None not in densities:
        solid = sum(one.mass / one.density for one in inputs.ingredients if one.density is not None)
        bare = mass / solid
        air = (bare - inputs.density) / bare
    said = say(
        "The batch makes {volume}{against}.",
        volume=Quantity(volume, "m³", 3),
        against=""
        if relative is None
        else say(", {ratio} of what it was designed for{word}", ratio=f"{relative:.3f}", word=_word(relative)),
    )
    binder = sum(one.mass for one in inputs.ingredients if one.binder) / volume
    return YieldResult(said, mass, volume, relative, binder, bare, air)


def _word(relative: float) -> str:
    return ": too little" if relative < 0.9995 else ": too much" if relative > 1.0005 else ""


# ---- batch -----------------------------------------------------------------------------------------------------------

# Aggregate first: it is what a row says that nobody chose for, and it changes no water to binder.
KINDS = {"aggregate": "aggregate", "binder": "binder", "water": "water", "other": "other, dry or liquid"}


@dataclass(frozen=True, kw_only=True)
class Part:
    material: str = text("Material")
    kind: str = choice("Kind", KINDS, default="aggregate")
    parts: float = amount("Parts by mass", "1", lowest=0.0)
    moisture: float = share("Moisture as it lies", highest=None, default=0.0)
    absorption: float = share("Absorption", highest=None, default=0.0)


@dataclass(frozen=True, kw_only=True)
class BatchInputs:
    materials: tuple[Part, ...] = table(
        "Mix", Part, least=2, most=60, help="Parts, or kilograms in a cubic metre; aggregates saturated, surface dry."
    )
    volume: float | None = amount("Volume wanted", "m³", shown="L", above=0.0, default=None)
    density: float | None = amount("Fresh density", "kg/m³", above=0.0, default=None)
    mass: float | None = amount("Or mass wanted", "kg", above=0.0, default=None)
    spare: float = share("To spare", highest=None, default=0.1)


@dataclass(frozen=True)
class Weighed:
    material: str = text("Material")
    share: float = share("Share of the mix", decimals=4)
    mix: float = amount("In the mix", "kg", decimals=3)
    weigh: float = amount("To weigh", "kg", decimals=3)
    brings: float = amount("Water it brings", "kg", decimals=3)


@dataclass(frozen=True)
class BatchResult:
    sentence: str = sentence()
    total: float = amount("Whole batch", "kg", decimals=2)
    water_binder: float | None = amount("Free water to binder, by mass", "1", decimals=4)
    water: float = amount("Water in the mix", "kg", decimals=3)
    add_water: float = amount("Water to add", "kg", decimals=3)
    ratio: str = text("Parts, binder as 1")
    materials: tuple[Weighed, ...] = table("To weigh", Weighed)


def batch(inputs: BatchInputs) -> BatchResult:
    """Parts shared over the mass; water that wet aggregate brings is taken off the water to add.

    Errors: no-size, two-sizes, no-parts, two-waters, too-wet.
    """
    if inputs.mass is not None and inputs.volume is not None:
        raise refuse("/mass", "Give the volume with its density, or the mass, not both.", "two-sizes")
    if inputs.mass is not None:
        total = inputs.mass
    elif inputs.volume is not None and inputs.density is not None:
        total = inputs.volume * inputs.density
    else:
        raise refuse("/volume", "Give the volume and the fresh density, or the mass.", "no-size")
    total *= 1 + inputs.spare
    rows = [Material(one.parts, one.kind, one.moisture, one.absorption) for one in inputs.materials]
    found = weighed(rows, total)
    said = say(
        "For {total}: add {water} of water{brought}{ratio}.",
        total=Quantity(total, "kg", 1),
        water=Quantity(found.add_water, "kg", 2),
        brought=""
        if abs(found.water - found.add_water) < 5e-4
        else say("; the aggregates bring {more}", more=Quantity(found.water - found.add_water, "kg", 2)),
        ratio="" if found.water_binder is None else f"; water to binder {found.water_binder:.3f}",
    )
    return BatchResult(
        said, total, found.water_binder, found.water, found.add_water, found.ratio,
        tuple(
            Weighed(one.material, float(row[0]), float(row[1]), float(row[2]), float(row[3]))
            for one, row in zip(inputs.materials, found.rows, strict=True)
        ),
    )  # fmt: skip


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="batch-proportions",
        title="What to weigh for a batch",
        subject="Casting",
        asks="How much of each material makes this batch, and how much water is added?",
        inputs=BatchInputs,
        result=BatchResult,
        compute=batch,
        example=BatchInputs(
            materials=(
                Part(material="cement", kind="binder", parts=380.0),
                Part(material="water", kind="water", parts=171.0),
                Part(material="sand 0/4", kind="aggregate", parts=820.0, moisture=0.045, absorption=0.01),
                Part(material="gravel 4/8", kind="aggregate", parts=1010.0, moisture=0.012, absorption=0.008),
                Part(material="plasticiser", kind="other", parts=3.0),
            ),
            volume=0.1185,
            density=2384.0,
        ),
        formula="mass = parts ÷ Σ parts × batch; wet aggregate = mass ÷ (1 + absorption) × (1 + moisture)",
        sources=(Source("Moisture and absorption by dry mass; aggregate saturated, surface dry", "definition"),),
        cautions=(WET,),
    ),
    Calculation(
        name="concrete-yield",
        title="Yield of a batch",
        subject="Casting",
        asks="How much concrete does this batch make?",
        inputs=YieldInputs,
        result=YieldResult,
        compute=concrete_yield,
        example=YieldInputs(
            ingredients=(
                Ingredient("cement", 49.5, True, 3100.0),
                Ingredient("water", 22.3, False, 1000.0),
                Ingredient("sand 0/4", 106.9, False, 2640.0),
                Ingredient("gravel 4/8", 131.7, False, 2660.0),
            ),
            density=2352.0,
            design_volume=0.13,
        ),
        formula="yield = mass ÷ fresh density; relative: ÷ design volume; air = 1 − density ÷ density without air",
        sources=(Source("ASTM C138, density, yield and air by mass", "from memory"),),
        cautions=(WET,),
    ),
    Calculation(
        name="evaporation-rate",
        title="Evaporation from fresh concrete",
        subject="Casting",
        asks="Will the surface dry so fast that it cracks?",
        inputs=EvaporationInputs,
        result=EvaporationResult,
        compute=evaporation_rate,
        example=EvaporationInputs(concrete_temperature=24.0, air_temperature=22.0, humidity=0.55, wind=14.0),
        formula="5 ((T_c + 18)^2.5 − r (T_a + 18)^2.5) (V + 4) × 10⁻⁶ kg/m²·h; °C, r as a share, V in km/h",
        sources=(
            Source("P. J. Uno, ACI Materials Journal 95-M34, 1998: the formula as quoted on public pages", "READ"),
            Source("0.5 and 1.0 kg/m²·h as limits (ACI 305)", "from memory"),
        ),
        cautions=("Judge by the surface too: low-bleed mixes crack at lower rates than the limit.", WET),
    ),
    Calculation(
        name="form-pressure",
        title="Pressure of fresh concrete on the form",
        subject="Casting",
        asks="What lateral pressure must the form bear?",
        inputs=FormPressureInputs,
        result=FormPressureResult,
        compute=pressure,
        example=FormPressureInputs(form="wall", rate=0.6, temperature=18.0, height=600.0),
        formula=(
            "C_w C_c (150 + 9000 R ÷ T) psf for columns and low walls, else C_w C_c (150 + 43400 ÷ T + 2800 R ÷ T); "
            "R in ft/h, T in °F; from 600 C_w psf to the liquid head"
        ),
        sources=(
            Source("ACI 347, lateral pressure: formula for columns and low walls", "READ"),
            Source("ACI 347: high and fast walls, bounds, C_w by density", "from memory"),
        ),
        cautions=(
            "Slump above 175 mm, self-compacting mixes, revibration or pumping from below: design for the full head.",
            "A form that bursts hurts: forms and ties are the engineer's.", WET,
        ),
    ),
)  # fmt: skip
