"""Compaction in the field: dry density three ways, relative compaction, water for a lift, tests for an area."""

from dataclasses import dataclass
from math import ceil

from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.compaction_curve import DEFINITION, GROUND
from metrology.calculations.fields import amount, amounts, choice, flag, sentence, share, text, whole
from metrology.calculations.problems import refuse
from metrology.calculations.said import Quantity, Said, say
from metrology.wording import count

LITRE = 1.0  # kg of water


def _said_density(dry: float, moisture: float) -> Said:
    return say(
        "Dry density {dry} at {moisture} moisture.",
        dry=Quantity(dry, "kg/m³", 0),
        moisture=Quantity(100 * moisture, "%", 1),
    )


@dataclass(frozen=True)
class DensityResult:
    sentence: str = sentence()
    dry_density: float = amount("Dry density", "kg/m³", decimals=1)
    wet_density: float = amount("Wet density", "kg/m³", decimals=1)
    volume: float | None = amount("Volume of the hole or sample", "m³")
    sand_density: float | None = amount("Bulk density of the sand", "kg/m³", decimals=1)


# ---- sand cone -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class SandConeInputs:
    before: float = amount("Bottle with sand before", "kg", above=0.0)
    after: float = amount("Bottle with sand after", "kg", lowest=0.0)
    cone_mass: float = amount("Sand that fills the cone and plate", "kg", lowest=0.0)
    wet_mass: float = amount("Wet soil out of the hole", "kg", above=0.0)
    moisture: float = share("Moisture content", highest=2.0)
    calibration_mass: float = amount("Calibration: sand that fills the container", "kg", above=0.0)
    calibration_volume: float = amount("Calibration: volume of the container", "m³", shown="cm³", above=0.0)


def sand_cone(inputs: SandConeInputs) -> DensityResult:
    """Volume of the hole by the sand that fills it, with nothing rounded on the way. Error: no-sand."""
    sand = inputs.calibration_mass / inputs.calibration_volume
    in_hole = inputs.before - inputs.after - inputs.cone_mass
    if in_hole <= 0:
        raise refuse(
            "/after",
            "No sand went into the hole: the bottle lost no more than the cone holds. Check the masses and the cone.",
            "no-sand",
        )
    volume = in_hole / sand
    wet = inputs.wet_mass / volume
    dry = wet / (1 + inputs.moisture)
    return DensityResult(_said_density(dry, inputs.moisture), dry, wet, volume, sand)


# ---- drive cylinder --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class CylinderInputs:
    full: float = amount("Cylinder with wet soil", "kg", above=0.0)
    empty: float = amount("Cylinder empty", "kg", lowest=0.0)
    volume: float = amount("Volume of the cylinder", "m³", shown="cm³", above=0.0)
    moisture: float = share("Moisture content", highest=2.0)


def drive_cylinder(inputs: CylinderInputs) -> DensityResult:
    """Mass over volume. Error: no-soil."""
    if inputs.full <= inputs.empty:
        raise refuse("/full", "The full cylinder weighs no more than the empty one. Check the two masses.", "no-soil")
    wet = (inputs.full - inputs.empty) / inputs.volume
    dry = wet / (1 + inputs.moisture)
    return DensityResult(_said_density(dry, inputs.moisture), dry, wet, inputs.volume, None)


# ---- gauge -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class GaugeInputs:
    wet_density: float = amount("Wet density read", "kg/m³", above=0.0)
    water_density: float = amount("Water read, per volume of soil", "kg/m³", lowest=0.0)
    density_offset: float = amount(
        "Correction of the wet density", "kg/m³", default=0.0, help="From a check by sand cone."
    )
    water_offset: float = amount("Correction of the water", "kg/m³", default=0.0, help="From a check by oven drying.")


def gauge(inputs: GaugeInputs) -> DensityResult:
    """Dry density from a gauge that reads wet density and water. Error: more-water-than-soil."""
    wet = inputs.wet_density + inputs.density_offset
    water = max(inputs.water_density + inputs.water_offset, 0.0)
    if water >= wet:
        raise refuse(
            "/water_density", "The water read is more than the whole wet density. Check both readings.",
            "more-water-than-soil",
        )  # fmt: skip
    dry = wet - water
    return DensityResult(_said_density(dry, water / dry), dry, wet, None, None)


# ---- relative compaction ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class CompactionInputs:
    dry_density: float = amount("Dry density in the field", "kg/m³", above=0.0)
    moisture: float = share("Moisture content in the field", highest=2.0)
    maximum_dry_density: float = amount("Maximum dry density", "kg/m³", above=0.0)
    optimum_moisture: float = share("Optimum moisture", highest=2.0)
    wanted: float = share("Relative compaction wanted", highest=1.2, above=0.0, default=0.95)
    dry_side: float = share("Moisture below the optimum allowed", highest=0.2, default=0.02)
    wet_side: float = share("Moisture above the optimum allowed", highest=0.2, default=0.02)


@dataclass(frozen=True)
class CompactionResult:
    sentence: str = sentence()
    relative_compaction: float = share("Relative compaction", highest=None, decimals=4)
    result: str = choice("Compaction", {"pass": "pass", "fail": "fail"})
    moisture_from_optimum: float = share("Moisture minus optimum", lowest=None, decimals=4)
    moisture_result: str = choice("Moisture", {"pass": "pass", "fail": "fail"})


def relative_compaction(inputs: CompactionInputs) -> CompactionResult:
    """Field over laboratory dry density, and the moisture window. A figure that equals its limit passes."""
    ratio = inputs.dry_density / inputs.maximum_dry_density
    off = inputs.moisture - inputs.optimum_moisture
    dense = ratio >= inputs.wanted - 1e-12
    moist = -inputs.dry_side - 1e-12 <= off <= inputs.wet_side + 1e-12
    side = "drier" if off < 0 else "wetter"
    window = "inside the window" if moist else f"too {'dry' if off < 0 else 'wet'}"
    doubt = ""
    if ratio > 1.05:
        doubt = " More than 105\u00a0% of the maximum: check that the laboratory curve is of this soil."
    said = say(
        "Relative compaction {ratio}, {needed}: {dense}. Moisture {off} {side} than the optimum: {window}.{doubt}",
        ratio=Quantity(100 * ratio, "%", 1),
        needed=say("needs {wanted}", wanted=Quantity(100 * inputs.wanted, "%", 1)),
        dense="pass" if dense else "fail",
        off=Quantity(100 * abs(off), "%", 1),
        side=side,
        window=window,
        doubt=doubt,
    )
    return CompactionResult(said, ratio, "pass" if dense else "fail", off, "pass" if moist else "fail")


# ---- water for a lift ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class WaterInputs:
    moisture: float = share("Moisture content now", highest=2.0)
    wanted: float = share("Moisture content wanted", highest=2.0)
    wet_mass: float | None = amount(
        "Mass of the wet soil", "kg", above=0.0, default=None, help="Or area, thickness and density."
    )
    area: float | None = amount("Area of the lift", "m²", above=0.0, default=None)
    loose_thickness: float | None = amount("Loose thickness", "mm", above=0.0, default=None)
    loose_wet_density: float | None = amount("Loose wet density", "kg/m³", above=0.0, default=None)
    loss: float = share("Water lost on the way", highest=0.9, default=0.0, help="To wind and sun; added on top.")


@dataclass(frozen=True)
class WaterResult:
    sentence: str = sentence()
    water_mass: float = amount("Water to add (negative: to dry out)", "kg", decimals=1)
    litres: float = amount("As a volume", "L", decimals=1)
    dry_mass: float = amount("Dry soil", "kg", decimals=0)
    per_area: float | None = amount("Water on each square metre, litres", "1", decimals=2)


def lift_water(inputs: WaterInputs) -> WaterResult:
    """Water that brings soil to a moisture content: dry mass × the difference. Errors: no-mass, two-masses."""
    from_lift = (inputs.area, inputs.loose_thickness, inputs.loose_wet_density)
    if inputs.wet_mass is not None and any(one is not None for one in from_lift):
        raise refuse("/wet_mass", "Give either the mass or the lift, not both: they may not agree.", "two-masses")
    wet = inputs.wet_mass
    if wet is None:
        area, thickness, density = from_lift
        if area is None or thickness is None or density is None:
            raise refuse(
                "/wet_mass", "Give the mass of the wet soil, or area, loose thickness and loose wet density.", "no-mass"
            )
        wet = area * thickness / 1000 * density
    dry = wet / (1 + inputs.moisture)
    water = dry * (inputs.wanted - inputs.moisture)
    if water > 0:
        water /= 1 - inputs.loss
    much = Quantity(abs(water) / LITRE, "L", 0 if abs(water) >= 100 else 1)
    if abs(water) < 1e-9:
        said = say("The soil has the moisture that is wanted: neither add water nor dry it.")
    elif water > 0:
        said = say("Add {much} of water and mix it in evenly.", much=much)
    else:
        said = say("Dry out {much} of water: spread and turn the soil, or mix in drier soil.", much=much)
    per_area = None if inputs.area is None else water / inputs.area
    return WaterResult(said, water, water / LITRE, dry, per_area)


# ---- how many tests --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class TestsInputs:
    __test__ = False

    area: float = amount("Area", "m²", above=0.0)
    area_per_test: float = amount("One test for each", "m²", above=0.0, help="From the specification.")
    lifts: int = whole("Lifts", lowest=1, highest=200, default=1)
    fewest_per_lift: int = whole("At least, on each lift", lowest=1, highest=100, default=2)


@dataclass(frozen=True)
class TestsResult:
    __test__ = False

    sentence: str = sentence()
    per_lift: int = whole("Tests on each lift")
    total: int = whole("Tests in all")


def number_of_tests(inputs: TestsInputs) -> TestsResult:
    """From the frequency that the specification gives; a part of an area counts as a whole one."""
    per_lift = max(ceil(inputs.area / inputs.area_per_test - 1e-9), inputs.fewest_per_lift)
    total = per_lift * inputs.lifts
    said = f"{count(per_lift, 'test')} on each lift, {count(total, 'test')} for {count(inputs.lifts, 'lift')}."
    return TestsResult(said, per_lift, total)


# ---- proof roll ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class ProofRollInputs:
    deflections: tuple[float, ...] = amounts("Deflection or rut at each place", "mm", lowest=0.0, most=500)
    allowed: float = amount("Allowed", "mm", above=0.0, help="From the specification.")
    pumping: bool = flag("The ground pumped or waved anywhere", help="Moved under the wheel and came back.")
    axle_load: float | None = amount("Axle load of the truck", "kg", shown="t", above=0.0, default=None)


@dataclass(frozen=True)
class ProofRollResult:
    sentence: str = sentence()
    result: str = choice("Proof roll", {"pass": "pass", "fail": "fail"})
    deepest: float = amount("Deepest", "mm", decimals=0)
    places_over: int = whole("Places over the limit")
    record: str = text("Recorded", longest=200)


def proof_roll(inputs: ProofRollInputs) -> ProofRollResult:
    """Fails on one place over the limit, or on pumping. A place that equals the limit passes."""
    over = [place for place, depth in enumerate(inputs.deflections, 1) if depth > inputs.allowed]
    deepest = max(inputs.deflections)
    failed = bool(over) or inputs.pumping
    why = []
    if over:
        why.append(f"place {over[0]} and {count(len(over) - 1, 'more')}" if len(over) > 1 else f"place {over[0]}")
    where = f" Over the limit: {why[0]}." if why else ""
    pumped = (
        " The ground pumped: it is too wet or too soft below. Dry it or dig it out, then roll again."
        if inputs.pumping
        else ""
    )
    said = say(
        "Proof roll: {result}. Deepest {deepest}, allowed {allowed}.{where}{pumped}",
        result="fail" if failed else "pass",
        deepest=Quantity(deepest, "mm", 0),
        allowed=Quantity(inputs.allowed, "mm", 0),
        where=where,
        pumped=pumped,
    )
    load = "" if inputs.axle_load is None else f", axle load {inputs.axle_load / 1000:.1f}\u00a0t"
    record = f"{count(len(inputs.deflections), 'place')} looked at{load}"
    return ProofRollResult(said, "fail" if failed else "pass", deepest, len(over), record)


PLAIN = Source("Mass over volume", "definition")

CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="sand-cone",
        title="Dry density by sand cone",
        subject="Soil",
        asks="How dense is the soil, by the sand that fills its hole?",
        inputs=SandConeInputs,
        result=DensityResult,
        compute=sand_cone,
        example=SandConeInputs(6.2, 2.35, 0.62, 4.31, 0.113, 3.15, 0.00212),
        formula="volume = (before − after − cone) ÷ sand density; dry = wet mass ÷ volume ÷ (1 + w)",
        sources=(DEFINITION, Source("ASTM D1556 for the procedure", "from memory")),
        cautions=(GROUND,),
    ),
    Calculation(
        name="drive-cylinder",
        title="Dry density by drive cylinder",
        subject="Soil",
        asks="How dense is the soil in a cylinder driven into it?",
        inputs=CylinderInputs,
        result=DensityResult,
        compute=drive_cylinder,
        example=CylinderInputs(2.61, 0.72, 0.000943, 0.124),
        formula="dry = (full − empty) ÷ volume ÷ (1 + w)",
        sources=(PLAIN, Source("ASTM D2937 for the procedure", "from memory")),
        cautions=(GROUND, "Not for soil with gravel: stones push the soil aside and the cylinder out of shape."),
    ),
    Calculation(
        name="gauge-density",
        title="Dry density by gauge",
        subject="Soil",
        asks="What dry density do the wet density and the water of a gauge give?",
        inputs=GaugeInputs,
        result=DensityResult,
        compute=gauge,
        example=GaugeInputs(2030.0, 214.0, -12.0, 6.0),
        formula="dry = wet density − water, each corrected",
        sources=(DEFINITION, Source("ASTM D6938 for the procedure", "from memory")),
        cautions=(GROUND, "A nuclear gauge is for trained and licensed operators only."),
    ),
    Calculation(
        name="relative-compaction",
        title="Relative compaction and moisture window",
        subject="Soil",
        asks="Is the lift dense enough, and was its moisture right?",
        inputs=CompactionInputs,
        result=CompactionResult,
        compute=relative_compaction,
        example=CompactionInputs(1705.0, 0.105, 1713.0, 0.153, 0.95),
        formula="field dry density ÷ maximum dry density; moisture − optimum",
        sources=(Source("Relative compaction is a ratio of dry densities", "definition"),),
        cautions=(GROUND, "Density alone does not show collapse or swelling: keep to the moisture window too."),
    ),
    Calculation(
        name="lift-water",
        title="Water for a lift",
        subject="Soil",
        asks="How much water must be added to a lift, or dried out of it?",
        inputs=WaterInputs,
        result=WaterResult,
        compute=lift_water,
        example=WaterInputs(0.06, 0.12, None, 36.0, 200.0, 1450.0, 0.05),
        formula="wet mass ÷ (1 + w now) × (w wanted − w now), ÷ (1 − loss)",
        sources=(Source("Moisture content is water by mass of dry soil", "definition"),),
        cautions=(GROUND,),
    ),
    Calculation(
        name="number-of-tests",
        title="Density tests for an area",
        subject="Soil",
        asks="How many density tests does this area need?",
        inputs=TestsInputs,
        result=TestsResult,
        compute=number_of_tests,
        example=TestsInputs(36.0, 25.0, 4, 2),
        formula="area ÷ area per test, rounded up, at least so many; × lifts",
        sources=(Source("The frequency stands in the specification", "common practice, no source"),),
        cautions=(GROUND, "Put tests where the lift looks worst, not only where it is easy to reach."),
    ),
    Calculation(
        name="proof-roll",
        title="Proof roll",
        subject="Soil",
        asks="Did the ground carry the loaded truck?",
        inputs=ProofRollInputs,
        result=ProofRollResult,
        compute=proof_roll,
        example=ProofRollInputs((4.0, 6.0, 11.0, 5.0), 13.0, False, 16000.0),
        formula="deepest deflection against the allowed one; pumping fails",
        sources=(Source("Limits stand in the specification", "common practice, no source"),),
        cautions=(GROUND, "Keep people clear of the truck."),
    ),
)
