"""Lifting a cast: its mass, the pull that frees it from the mould, and the forces in the slings."""

from dataclasses import dataclass
from math import asin, cos, degrees, radians, tan

from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import amount, choice, sentence, share, whole
from metrology.calculations.problems import refuse
from metrology.calculations.said import Quantity, Said, say

GRAVITY = 9.80665  # m/s²
LIFTING = (
    "Lifting kills. Nobody stands beneath or beside a hanging part. Inserts, slings and hardware are chosen and "
    "checked by a qualified person from their makers' figures; local codes and licensed practice govern. This gives "
    "forces, no plan."
)
STRENGTH_FIRST = (
    "Demould and lift only at an age and a measured strength that the engineer has given. Wet concrete burns skin "
    "and eyes."
)
# Slings flatter than this from the horizontal are refused by practice, degrees.
_FLATTEST = 30.0
_STEEP = 60.0

# ---- masses ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class LiftMassInputs:
    volume: float | None = amount("Volume", "m³", above=0.0, default=None)
    density: float = amount(
        "Density", "kg/m³", above=0.0, default=2400.0, help="Measured, or from the mix; reinforcement counts."
    )
    mass: float | None = amount("Or mass, weighed", "kg", above=0.0, default=None)
    fittings: float = amount("Inserts, forms and gear that hang with it", "kg", lowest=0.0, default=0.0)
    contact_area: float = amount("Area that sticks to the mould", "m²", lowest=0.0, default=0.0)
    adhesion: float = amount(
        "Adhesion to the mould", "kPa", lowest=0.0, default=0.0, help="Measured on this mould with this release agent."
    )
    demould_factor: float = amount("Dynamic factor at demoulding", "1", lowest=1.0, default=1.0)
    lift_factor: float = amount("Dynamic factor when lifted and set", "1", lowest=1.0, default=1.2)
    inserts: int = whole("Inserts that carry", lowest=1, highest=64, default=2)
    insert_factor: float = amount("Insert: ultimate over load, at least", "1", lowest=1.0, default=4.0)
    hardware_factor: float = amount("Hardware: ultimate over load, at least", "1", lowest=1.0, default=5.0)


@dataclass(frozen=True)
class LiftMassResult:
    sentence: str = sentence()
    mass: float = amount("Mass of the part", "kg", decimals=1)
    hanging_mass: float = amount("Mass that hangs", "kg", decimals=1)
    weight: float = amount("Its weight", "kN", decimals=3)
    adhesion_force: float = amount("Pull that frees it from the mould", "kN", decimals=3)
    demould_force: float = amount("Force at demoulding", "kN", decimals=3)
    demould_mass: float = amount("As a mass on the hook's scale", "kg", decimals=1)
    lift_force: float = amount("Force when lifted", "kN", decimals=3)
    governing: str = choice("Larger of the two", {"demoulding": "demoulding", "lifting": "lifting"})
    per_insert: float = amount("Each insert, straight pull", "kN", decimals=3)
    insert_ultimate: float = amount("Ultimate strength of an insert, at least", "kN", decimals=3)
    hardware_ultimate: float = amount("Ultimate strength of the hardware, at least", "kN", decimals=3)


def lift_mass(inputs: LiftMassInputs) -> LiftMassResult:
    """Straight pull, shared equally by the inserts; slings at an angle pull harder. Errors: no-mass, two-masses."""
    if inputs.mass is not None and inputs.volume is not None:
        raise refuse("/mass", "Give the volume or the weighed mass, not both: they may not agree.", "two-masses")
    if inputs.mass is not None:
        mass = inputs.mass
    elif inputs.volume is not None:
        mass = inputs.volume * inputs.density
    else:
        raise refuse("/volume", "Give the volume, or the weighed mass.", "no-mass")
    hanging = mass + inputs.fittings
    weight = hanging * GRAVITY / 1000
    stuck = inputs.adhesion * inputs.contact_area
    demould = (weight + stuck) * inputs.demould_factor
    lift = weight * inputs.lift_factor
    worst = max(demould, lift)
    each = worst / inputs.inserts
    said = say(
        "{mass} hang on the hook; {which} pulls hardest with {force}, {each} on each of {inserts}: an insert needs an "
        "ultimate strength of {ultimate}.",
        mass=Quantity(hanging, "kg", 0),
        which="demoulding" if demould > lift else "lifting",
        force=Quantity(worst, "kN", 2),
        each=Quantity(each, "kN", 2),
        inserts="1 insert" if inputs.inserts == 1 else f"{inputs.inserts} inserts",
        ultimate=Quantity(each * inputs.insert_factor, "kN", 1),
    )
    return LiftMassResult(
        said, mass, hanging, weight, stuck, demould, demould * 1000 / GRAVITY, lift,
        "demoulding" if demould > lift else "lifting", each, each * inputs.insert_factor, each * inputs.hardware_factor,
    )  # fmt: skip


# ---- slings ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class SlingInputs:
    mass: float = amount("Mass that hangs", "kg", above=0.0)
    legs: int = whole("Legs of the sling", lowest=1, highest=16, default=2)
    carrying: int | None = whole(
        "Legs that carry", lowest=1, highest=16, default=None,
        help="Empty: of three or four legs two carry, since one is always slack.",
    )  # fmt: skip
    angle: float | None = amount("Angle of the legs", "°", lowest=0.0, highest=90.0, default=None)
    angle_from: str = choice(
        "Angle measured from", {"horizontal": "the horizontal", "vertical": "the vertical"}, default="horizontal"
    )
    leg_length: float | None = amount("Or length of a leg", "mm", shown="m", above=0.0, default=None)
    half_spread: float | None = amount(
        "With it, from insert to the plumb line of the hook", "mm", shown="m", lowest=0.0, default=None
    )
    dynamic_factor: float = amount("Dynamic factor", "1", lowest=1.0, default=1.0)
    rated: float | None = amount("Rated capacity of one leg, straight", "kN", above=0.0, default=None)


@dataclass(frozen=True)
class SlingResult:
    sentence: str = sentence()
    result: str = choice("Sling", {"pass": "pass", "fail": "fail", "no limit": "no rating given"})
    from_horizontal: float = amount("Angle from the horizontal", "°", decimals=1)
    from_vertical: float = amount("Angle from the vertical", "°", decimals=1)
    factor: float = amount("Angle factor: force over a straight pull", "1", decimals=4)
    carrying: int = whole("Legs taken to carry")
    leg_force: float = amount("Force in a leg", "kN", decimals=3)
    leg_mass: float = amount("The same as a mass", "kg", decimals=1)
    sideways: float = amount("Sideways pull on an insert, inwards", "kN", decimals=3)
    upward: float = amount("Upward pull on an insert", "kN", decimals=3)
    used: float | None = share("Of the rated capacity", highest=None, decimals=2)


def sling(inputs: SlingInputs) -> SlingResult:
    """Force in a leg = weight × dynamic factor ÷ legs that carry ÷ cos(angle from the vertical).

    Errors: no-angle, two-angles, more-than-legs, flat-sling (less than 5° from the horizontal), too-wide.
    """
    upright = _from_vertical(inputs)
    flat = 90 - upright
    carrying = inputs.carrying if inputs.carrying is not None else min(inputs.legs, 2)
    if carrying > inputs.legs:
        raise refuse("/carrying", "More legs carry than the sling has. Check the numbers.", "more-than-legs")
    if flat < 5:
        raise refuse(
            "/angle", f"A sling {flat:.1f}° from the horizontal cannot lift. Use longer legs or a beam.", "flat-sling"
        )
    factor = 1 / cos(radians(upright))
    straight = inputs.mass * GRAVITY / 1000 * inputs.dynamic_factor / carrying
    force = straight * factor
    verdict = "no limit" if inputs.rated is None else "pass" if force <= inputs.rated * (1 + 1e-12) else "fail"
    said = say(
        "{carrying} {force} at {flat} from the horizontal, {factor} times the straight pull{verdict}.{warned}",
        carrying="The leg carries" if carrying == 1 else f"Each of {carrying} legs carries",
        force=Quantity(force, "kN", 2),
        flat=Quantity(flat, "°", 0),
        factor=f"{factor:.3f}",
        verdict=""
        if inputs.rated is None
        else say("; rated {rated}: {v}", rated=Quantity(inputs.rated, "kN", 2), v=verdict),
        warned=_warned(flat),
    )
    return SlingResult(
        said, verdict, flat, upright, factor, carrying, force, force * 1000 / GRAVITY,
        straight * tan(radians(upright)), straight, None if inputs.rated is None else force / inputs.rated,
    )  # fmt: skip


def _from_vertical(inputs: SlingInputs) -> float:
    lengths = (inputs.leg_length, inputs.half_spread)
    if inputs.angle is not None:
        if lengths != (None, None):
            raise refuse("/angle", "Give the angle, or the leg and its spread, not both.", "two-angles")
        return 90 - inputs.angle if inputs.angle_from == "horizontal" else inputs.angle
    if inputs.leg_length is None or inputs.half_spread is None:
        raise refuse("/angle", "Give the angle of the legs, or both the leg's length and its spread.", "no-angle")
    if inputs.half_spread >= inputs.leg_length:
        raise refuse("/leg_length", "The leg is too short to reach the hook. Use a longer one.", "too-wide")
    return degrees(asin(inputs.half_spread / inputs.leg_length))


def _warned(flat: float) -> Said:
    if flat < _FLATTEST:
        return say(" That is flatter than {least}: practice does not lift so.", least=Quantity(_FLATTEST, "°", 0))
    if flat < _STEEP:
        return say(" Steeper than {least} is better.", least=Quantity(_STEEP, "°", 0))
    return say("")


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="lift-mass",
        title="Mass of a cast, and the pull at demoulding and lifting",
        subject="Casting",
        asks="How heavy is this cast on the hook, and what must its inserts bear?",
        inputs=LiftMassInputs,
        result=LiftMassResult,
        compute=lift_mass,
        example=LiftMassInputs(volume=0.1185, fittings=6.0, contact_area=0.84, adhesion=1.0, inserts=2),
        formula=(
            "mass = volume × density; demoulding = (weight + adhesion × area) × factor; lifting = weight × factor; "
            "insert ≥ 4 × its load, hardware ≥ 5 ×"
        ),
        sources=(
            Source("29 CFR 1926.704: lifting inserts 4 times, hardware 5 times the load", "from memory"),
            Source("Dynamic factors and adhesion are the engineer's figures", "common practice, no source"),
        ),
        cautions=(LIFTING, STRENGTH_FIRST),
    ),
    Calculation(
        name="sling-force",
        title="Forces in a sling",
        subject="Casting",
        asks="How hard does each leg of the sling pull?",
        inputs=SlingInputs,
        result=SlingResult,
        compute=sling,
        example=SlingInputs(mass=290.0, legs=2, angle=60.0, dynamic_factor=1.2, rated=5.0),
        formula="force = weight × dynamic factor ÷ legs that carry ÷ cos(angle from the vertical)",
        sources=(
            Source("Equilibrium of the hook", "definition"),
            Source("Of three or four legs two carry; not below 30° from the horizontal", "common practice, no source"),
        ),
        cautions=(
            LIFTING,
            "60° from the horizontal is 30° from the vertical. Say which, every time: the forces differ 1.7 times.",
        ),
    ),
)
