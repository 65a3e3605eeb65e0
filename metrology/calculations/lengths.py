"""Units, and lengths in feet, inches and fractions."""

from dataclasses import dataclass

from metrology.amounts.feet_inches import MM_PER_INCH, read_feet_inches, write_feet_inches, write_length
from metrology.amounts.quantities import FEET_INCHES, convert, dimension, dimension_of
from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import amount, choice, flag, sentence, table, text, unit_choice
from metrology.calculations.problems import refuse
from metrology.calculations.said import digits, written
from metrology.errors import UnitError

EXACT = Source("NIST SP 811, appendix B: inch, pound, standard gravity and US gallon by definition", "from memory")


# ---- one unit into another -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class UnitInputs:
    value: float = amount("Figure", "@unit")
    unit: str = unit_choice("Its unit")
    to: str = unit_choice("Wanted unit", default="in")
    difference: bool = flag("It is a difference of temperatures")


@dataclass(frozen=True)
class UnitRow:
    unit: str = text("Unit")
    name: str = text("Name")
    value: float = amount("Figure", "1")


@dataclass(frozen=True)
class UnitResult:
    sentence: str = sentence()
    value: float = amount("Figure", "@to")
    same: tuple[UnitRow, ...] = table("The same in every unit", UnitRow)


def convert_unit(inputs: UnitInputs) -> UnitResult:
    """A figure in another unit and in all others of its kind, exact to the last digit of a float."""
    group = dimension_of(inputs.unit)
    if inputs.difference:
        if group.name != "temperature":
            raise refuse("/difference", f"{inputs.unit} is no unit of temperature. Leave this off.", "no-temperature")
        group = dimension("temperature difference")
    if not any(unit.symbol == inputs.to for unit in group.units):
        known = ", ".join(unit.symbol for unit in group.units if unit.symbol != FEET_INCHES)
        raise refuse(
            "/to", f"{inputs.unit} measures {group.name}, {inputs.to} does not. Choose {known}.", "other-dimension"
        )
    value = convert(inputs.value, inputs.unit, inputs.to, group.name)
    rows = tuple(
        UnitRow(unit.symbol, unit.name, convert(inputs.value, inputs.unit, unit.symbol, group.name))
        for unit in group.units
        if unit.symbol != FEET_INCHES
    )
    said = f"{_full(inputs.value, inputs.unit)} is {_full(value, inputs.to)}."
    return UnitResult(said, value, rows)


def _full(value: float, unit: str) -> str:
    return written(value, unit, unit) if unit != "1" else digits(value)


# ---- feet and inches -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class ReadInputs:
    text: str = text("Length as written", help="5'-7 3/8\", 5 ft 7 3/8 in, 67 3/8\", 5.5' and the like.")


@dataclass(frozen=True)
class ReadResult:
    sentence: str = sentence()
    mm: float = amount("In millimetres", "mm")
    inches: float = amount("In inches", "in")
    feet: float = amount("In feet", "ft")


def read_length(inputs: ReadInputs) -> ReadResult:
    """A length as it stands on a drawing or a tape."""
    try:
        exact = read_feet_inches(inputs.text)
    except UnitError as error:
        raise refuse("/text", error.sentence, error.code) from error
    mm = float(exact * MM_PER_INCH)
    return ReadResult(f"{write_length(mm)} is {written(mm, 'mm', 'mm')}.", mm, float(exact), float(exact / 12))


@dataclass(frozen=True)
class WriteInputs:
    length: float = amount("Length", "mm")
    division: str = choice(
        "Finest division",
        {"2": "1/2\"", "4": "1/4\"", "8": "1/8\"", "16": "1/16\"", "32": "1/32\"", "64": "1/64\""},
        default="16",
    )  # fmt: skip


@dataclass(frozen=True)
class WriteResult:
    sentence: str = sentence()
    written: str = text("On the tape")
    mm: float = amount("What that is", "mm")
    off: float = amount("Off by", "mm", help="What is written minus the length.")
    full: str = text("With nothing lost")


def write_on_tape(inputs: WriteInputs) -> WriteResult:
    """The nearest mark of a tape in feet and inches, and what that mark is off by."""
    division = int(inputs.division)
    shown = write_feet_inches(inputs.length, division)
    steps = round(convert(inputs.length, "mm", "in") * division)
    mm = convert(steps / division, "in", "mm")
    off = mm - inputs.length
    much = f", off by {written(abs(off), 'mm', 'mm', 3)}" if abs(off) >= 0.0005 else ""
    said = f'{written(inputs.length, "mm", "mm")} is {shown} to the nearest 1/{division}"{much}.'
    return WriteResult(said, shown, mm, off, write_length(inputs.length))


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="convert-unit",
        title="One unit into another",
        subject="Units",
        asks="What is this figure in another unit?",
        inputs=UnitInputs,
        result=UnitResult,
        compute=convert_unit,
        example=UnitInputs(4000.0, "psi", "MPa"),
        formula="figure × factor (+ offset for °F and K); factors are whole fractions",
        sources=(EXACT,),
        cautions=("A US survey foot is 1200/3937 m; site control may use either foot. Ask which.",),
    ),
    Calculation(
        name="read-feet-inches",
        title="Feet and inches into millimetres",
        subject="Units",
        asks="How long is a length that is written in feet, inches and fractions?",
        inputs=ReadInputs,
        result=ReadResult,
        compute=read_length,
        example=ReadInputs("5'-7 3/8\""),
        formula="(12 × feet + inches + fraction) × 25.4 mm",
        sources=(EXACT,),
    ),
    Calculation(
        name="write-feet-inches",
        title="Millimetres into feet and inches",
        subject="Units",
        asks="Which mark of a tape comes nearest to this length?",
        inputs=WriteInputs,
        result=WriteResult,
        compute=write_on_tape,
        example=WriteInputs(1711.3, "16"),
        formula="round(length ÷ 25.4 mm × division) ÷ division; half way goes to the even mark",
        sources=(EXACT,),
    ),
)
