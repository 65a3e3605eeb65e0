"""Loops of dimensions: in a row, as vectors in a plane, or by a formula."""

from dataclasses import dataclass

from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import amount, choice, flag, table, text, unit_choice
from metrology.calculations.loop_parts import (
    CAUTIONS,
    PIVOTS,
    PRACTICE,
    Closing,
    DimensionRow,
    LoopResult,
    answer,
    contributor,
    plots,
)
from metrology.calculations.plots import Plot
from metrology.calculations.problems import refuse
from metrology.closure.loop_formula import FormulaLoop
from metrology.closure.loops import Contributor, LinearLoop, VectorLoop
from metrology.errors import InputError

CLUTCH = Source("Example: a one-way clutch, after Chase (ADCATS)", "from memory")

# ---- in a row --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class LinearRow(DimensionRow):
    coefficient: float = amount("Sensitivity", default=1.0, help="+1 opens the gap, −1 closes it.")


@dataclass(frozen=True, kw_only=True)
class LinearInputs(Closing):
    unit: str = unit_choice("Unit of the dimensions")
    rows: tuple[LinearRow, ...] = table("Dimensions", LinearRow, most=60)


def _linear(inputs: LinearInputs) -> tuple[LinearLoop, list[Contributor]]:
    parts = [contributor(row, f"/rows/{place}") for place, row in enumerate(inputs.rows)]
    return LinearLoop(tuple(row.coefficient for row in inputs.rows)), parts


def linear_loop(inputs: LinearInputs) -> LoopResult:
    """A gap that is a sum of dimensions, each with its sign."""
    return answer(*_linear(inputs), inputs, inputs.unit)


def linear_plot(inputs: LinearInputs, result: LoopResult) -> tuple[Plot, ...]:
    return plots(*_linear(inputs), inputs, inputs.unit, result)


# ---- by a formula ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class FormulaRow(DimensionRow):
    nominal: float = amount("Nominal")
    tolerance: float | None = amount("Tolerance ±", default=None, lowest=0.0, help="Or both limits.")
    lower: float | None = amount("Lower limit", default=None)
    upper: float | None = amount("Upper limit", default=None)


@dataclass(frozen=True, kw_only=True)
class FormulaInputs(Closing):
    formula: str = text("Formula of the gap", longest=500, help="Of the names below; angles in radians.")
    unit: str = unit_choice("Unit of the gap")
    rows: tuple[FormulaRow, ...] = table("Dimensions", FormulaRow, most=60, help="Each in the unit the formula needs.")


def _formula(inputs: FormulaInputs) -> tuple[FormulaLoop, list[Contributor]]:
    parts = [contributor(row, f"/rows/{place}") for place, row in enumerate(inputs.rows)]
    names: list[str] = []
    for place, row in enumerate(inputs.rows):
        names.append(row.name)
        try:
            FormulaLoop("1", names)
        except InputError as error:
            raise refuse(f"/rows/{place}/name", error.sentence, error.code) from error
    try:
        return FormulaLoop(inputs.formula, names), parts
    except InputError as error:
        raise refuse("/formula", error.sentence, error.code) from error


def formula_loop(inputs: FormulaInputs) -> LoopResult:
    """A gap that a formula gives, with exact sensitivities and those by small steps beside them."""
    loop, parts = _formula(inputs)
    idle = f"Not in the formula: {', '.join(loop.idle)}." if loop.idle else ""
    try:
        return answer(loop, parts, inputs, inputs.unit, idle)
    except InputError as error:
        if error.code != "no-value":
            raise
        raise refuse("/formula", error.sentence, error.code) from error


def formula_plot(inputs: FormulaInputs, result: LoopResult) -> tuple[Plot, ...]:
    return plots(*_formula(inputs), inputs, inputs.unit, result)


# ---- vectors ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class VectorRow:
    name: str = text("Name", longest=40)
    length: float = amount("Length", "@unit")
    length_tolerance: float = amount("Length ±", "@unit", default=0.0, lowest=0.0)
    bearing: float = amount("Bearing", "°", help="From the x axis, anticlockwise; or the turn from the one before.")
    bearing_tolerance: float = amount("Bearing ±", "°", default=0.0, lowest=0.0)


@dataclass(frozen=True, kw_only=True)
class VectorInputs(Closing):
    unit: str = unit_choice("Unit of the lengths")
    rows: tuple[VectorRow, ...] = table("Vectors, head to tail", VectorRow, most=40)
    towards: float = amount("Gap along", "°", default=0.0, help="Direction from the x axis in which the gap is taken.")
    turning: bool = flag("Bearings are turns from the vector before")
    spread: str = choice(
        "Spread",
        {"normal": "normal, limits at 3 standard deviations", "uniform": "alike likely between the limits"},
        default="normal",
    )


def _vectors(inputs: VectorInputs) -> tuple[VectorLoop, list[Contributor]]:
    lengths, bearings = [], []
    for row in inputs.rows:
        half, turn = row.length_tolerance, row.bearing_tolerance
        lengths.append(
            Contributor(f"{row.name}, length", row.length, row.length - half, row.length + half, inputs.spread)
        )
        bearings.append(
            Contributor(f"{row.name}, bearing", row.bearing, row.bearing - turn, row.bearing + turn, inputs.spread)
        )
    return VectorLoop(len(inputs.rows), inputs.towards, inputs.turning), [*lengths, *bearings]


def vector_loop(inputs: VectorInputs) -> LoopResult:
    """The gap from the start to the end of vectors in a plane, along one direction."""
    return answer(*_vectors(inputs), inputs, inputs.unit)


def vector_plot(inputs: VectorInputs, result: LoopResult) -> tuple[Plot, ...]:
    return plots(*_vectors(inputs), inputs, inputs.unit, result)


FORMULA = """worst case: every corner of the limits (a plain sum: Σ |c| t); root sum of squares: √Σ (c t)²
share of the variance of a dimension: (c s)² ÷ Σ (c s)², with s = t ÷ k (normal), t/√3 (alike likely), t/√6 (middle
likelier), or of the measured casts (n − 1); c: derivative of the gap at the means
chance: share of seeded draws inside the limits; its bounds by Clopper and Pearson, or with measured casts by drawing
s√((n − 1)/χ²) and mean + z s/√n for each"""

CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="linear-loop",
        title="Dimensions in a row",
        subject="Assembly",
        asks="What will the gap at the end of a row of dimensions be, and how often is it inside its limits?",
        inputs=LinearInputs,
        result=LoopResult,
        compute=linear_loop,
        example=LinearInputs(
            gap_lower=4.0,
            gap_upper=16.0,
            rows=(
                LinearRow(name="Bay between posts", nominal=1810.0, tolerance=6.0),
                LinearRow(name="Slab 1", nominal=600.0, tolerance=1.5, coefficient=-1.0),
                LinearRow(name="Slab 2", nominal=600.0, tolerance=1.5, coefficient=-1.0),
                LinearRow(name="Slab 3", nominal=600.0, tolerance=1.5, coefficient=-1.0),
            ),
        ),
        formula=FORMULA,
        sources=(PRACTICE, PIVOTS),
        cautions=CAUTIONS,
        plot=linear_plot,
    ),
    Calculation(
        name="formula-loop",
        title="A gap by formula",
        subject="Assembly",
        asks="How does a gap vary that a formula gives, and what spoils it most?",
        inputs=FormulaInputs,
        result=LoopResult,
        compute=formula_loop,
        example=FormulaInputs(
            formula="deg(acos((a + c)/(e - c)))",
            unit="°",
            gap_lower=6.5,
            gap_upper=7.5,
            rows=(
                FormulaRow(name="a", nominal=27.645, tolerance=0.0125),
                FormulaRow(name="c", nominal=11.43, tolerance=0.01),
                FormulaRow(name="e", nominal=50.8, tolerance=0.0125),
            ),
        ),
        formula=FORMULA,
        sources=(CLUTCH, PRACTICE, PIVOTS),
        cautions=CAUTIONS,
        plot=formula_plot,
    ),
    Calculation(
        name="vector-loop",
        title="Vectors in a plane",
        subject="Assembly",
        asks="How far from its start does a chain of lengths and bearings end, along one direction?",
        inputs=VectorInputs,
        result=LoopResult,
        compute=vector_loop,
        example=VectorInputs(
            gap_lower=4.0,
            gap_upper=16.0,
            turning=True,
            rows=(
                VectorRow(name="Kerb 1", length=900.0, length_tolerance=1.5, bearing=0.0, bearing_tolerance=0.05),
                VectorRow(name="Kerb 2", length=900.0, length_tolerance=1.5, bearing=90.0, bearing_tolerance=0.05),
                VectorRow(name="Kerb 3", length=890.0, length_tolerance=1.5, bearing=90.0, bearing_tolerance=0.05),
            ),
        ),
        formula="gap = Σ length × cos(bearing − direction); then as for a gap by formula",
        sources=(PRACTICE, PIVOTS),
        cautions=CAUTIONS,
        plot=vector_plot,
    ),
)
