"""Between a scale model and full size: figures carried over, and what a gap on the model can tell."""

from dataclasses import dataclass

from metrology.amounts.quantities import dimension_of
from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import amount, choice, sentence, table, text, unit_choice
from metrology.calculations.plots import Axis, Mark, Plot, curve
from metrology.calculations.problems import refuse
from metrology.calculations.said import Quantity, Said, say
from metrology.closure.scaling import POWERS, factor, gap_at_scale, seen_on_model
from metrology.errors import UnitError
from metrology.statistics.conformity import decide

KINDS = {
    "length": "length, gap",
    "area": "area",
    "volume": "volume",
    "mass": "mass",
    "weight": "weight, force of its own mass",
    "time": "time under gravity: falling, swinging, flowing",
    "speed": "speed under gravity",
    "work time": "hours of a person's work",
    "own-weight stress": "stress under its own weight",
    "own-weight deflection": "deflection under its own weight",
    "load stress": "stress under an applied force",
    "load deflection": "deflection under an applied force",
}
_DIMENSIONS = {
    "length": "length", "area": "area", "volume": "volume", "mass": "mass", "weight": "force", "time": "time",
    "speed": "speed", "work time": "time", "own-weight stress": "stress", "own-weight deflection": "length",
    "load stress": "stress", "load deflection": "length",
}  # fmt: skip
SIMILARITY = Source("Dimensional analysis; Froude's law for times and speeds", "from memory")
OWN_WEIGHT = (
    "Bending under its own weight grows with the square of the scale: ten times as large bends a hundred times as "
    "much, ten times as much of its length. A stiff model proves nothing about a slender part."
)

# ---- figures ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class ScaleInputs:
    kind: str = choice("What the figure is", KINDS, default="length")
    value: float = amount("Figure", "@unit")
    unit: str = unit_choice("Its unit")
    scale: float = amount("Model 1 to", "1", above=0.0, highest=10_000.0, default=10.0)
    given_on: str = choice("The figure is", {"model": "of the model", "full size": "of full size"}, default="model")
    density_ratio: float = amount("Density, full size over model", "1", above=0.0, default=1.0)
    stiffness_ratio: float = amount("Elastic modulus, full size over model", "1", above=0.0, default=1.0)
    force_ratio: float | None = amount(
        "Applied force, full size over model",
        "1",
        above=0.0,
        default=None,
        help="Empty: for equal stress, scale squared.",
    )


@dataclass(frozen=True)
class ScaleRow:
    kind: str = text("Figure")
    factor: float = amount("Full size over model", "1")


@dataclass(frozen=True)
class ScaleResult:
    sentence: str = sentence()
    value: float = amount("Carried over", "@unit")
    factor: float = amount("Full size over model", "1")
    factors: tuple[ScaleRow, ...] = table("All factors at this scale", ScaleRow)


def scale_figure(inputs: ScaleInputs) -> ScaleResult:
    """One figure between model and full size, and the factors of all kinds. Error: other-dimension."""
    wanted = _DIMENSIONS[inputs.kind]
    if inputs.unit != "1":
        try:
            found = dimension_of(inputs.unit).name
        except UnitError as error:
            raise refuse("/unit", error.sentence, error.code) from error
        if found != wanted:
            raise refuse(
                "/unit", f"{inputs.unit} measures {found}, and this is a {wanted}. Choose its unit.", "other-dimension"
            )
    force = inputs.scale**2 if inputs.force_ratio is None else inputs.force_ratio
    ratios = (inputs.density_ratio, inputs.stiffness_ratio, force)
    by = factor(inputs.kind, inputs.scale, *ratios)
    up = inputs.given_on == "model"
    value = inputs.value * by if up else inputs.value / by
    said = say(
        "{given} {here} at 1:{scale} is {value} {there}: {power}.",
        given=_figure(inputs.value, inputs.unit),
        here="on the model" if up else "at full size",
        scale=f"{inputs.scale:g}",
        value=_figure(value, inputs.unit),
        there="at full size" if up else "on the model",
        power=_power(inputs.kind, by),
    )
    rows = tuple(ScaleRow(words, factor(kind, inputs.scale, *ratios)) for kind, words in KINDS.items())
    return ScaleResult(said, value, by, rows)


def _figure(value: float, unit: str) -> Quantity:
    return Quantity(value, "" if unit == "1" else unit, None)


def _power(kind: str, by: float) -> str:
    power = POWERS[kind][0]
    words = {0.5: "the root of the scale", 1: "the scale", 2: "the scale squared", 3: "the scale cubed"}
    if kind == "work time":
        return "hours of work do not follow the scale"
    known = words.get(power, "")
    return f"{by:.6g} times" + (f", by {known}" if known and not kind.startswith("load") else "")


# ---- gap on a model --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class ModelGapInputs:
    gap: float = amount("Gap read on the model", "mm")
    scale: float = amount("Model 1 to", "1", above=0.0, highest=10_000.0, default=5.0)
    resolution: float = amount("Resolution of the reading", "mm", lowest=0.0, default=0.05)
    print_accuracy: float = amount(
        "A printed face is off by up to ±", "mm", lowest=0.0, default=0.1, help="Measured on a test print, each face."
    )
    lower: float | None = amount("Full-size gap at least", "mm", default=None)
    upper: float | None = amount("Full-size gap at most", "mm", default=None)
    coverage: float = amount("Coverage factor k", "1", above=0.0, highest=10.0, default=2.0)


@dataclass(frozen=True)
class ModelGapResult:
    sentence: str = sentence()
    result: str = choice(
        "Gap at full size",
        {
            "conforms": "conforms",
            "does not conform": "does not conform",
            "inconclusive": "inconclusive",
            "not asked": "no limits given",
        },
    )
    full_size: float = amount("Gap at full size", "mm", decimals=2)
    uncertainty: float = amount("U of it", "mm", decimals=2)
    from_reading: float = amount("Of this the reading", "mm", decimals=2)
    from_printing: float = amount("Of this the printing", "mm", decimals=2)
    smallest_difference: float = amount("Differences told apart from", "mm", decimals=2, help="Two gaps, U × √2.")
    narrowest: float = amount("Limits nearer together than this cannot be judged", "mm", decimals=2)
    model_lower: float | None = amount("On the model at least", "mm", decimals=3)
    model_upper: float | None = amount("On the model at most", "mm", decimals=3)
    print_needed: float | None = amount(
        "Print accuracy that could judge these limits, ±", "mm", decimals=3, help="U a quarter of their distance."
    )


def model_gap(inputs: ModelGapInputs) -> ModelGapResult:
    """The gap scaled up with its uncertainty, judged by ISO 14253-1. Error: limits-swapped."""
    seen = seen_on_model(inputs.gap, inputs.scale, inputs.resolution, inputs.print_accuracy, inputs.coverage)
    lower, upper = inputs.lower, inputs.upper
    result, low, high, needed = "not asked", None, None, None
    if lower is not None or upper is not None:
        low, high = gap_at_scale(lower, upper, inputs.scale)
        result = decide(seen.gap, lower, upper, seen.uncertainty).result
    if lower is not None and upper is not None:
        left = ((upper - lower) / 4) ** 2 - seen.reading**2
        per_mm = seen.printing / inputs.print_accuracy if inputs.print_accuracy else 0.0
        per_mm = per_mm or inputs.coverage * inputs.scale * (2 / 3) ** 0.5
        needed = left**0.5 / per_mm if left > 0 else None
    return ModelGapResult(
        _model_said(inputs, seen.gap, seen.uncertainty, seen.narrowest, result), result, seen.gap, seen.uncertainty,
        seen.reading, seen.printing, seen.uncertainty * 2**0.5, seen.narrowest, low, high, needed,
    )  # fmt: skip


def _model_said(inputs: ModelGapInputs, gap: float, sure: float, narrowest: float, result: str) -> Said:
    blind = inputs.lower is not None and inputs.upper is not None and inputs.upper - inputs.lower <= narrowest
    return say(
        "{gap} on the 1:{scale} model stands for {full} ± {sure} at full size{result}.{blind}",
        gap=Quantity(inputs.gap, "mm", 2),
        scale=f"{inputs.scale:g}",
        full=Quantity(gap, "mm", 1),
        sure=Quantity(sure, "mm", 1),
        result="" if result == "not asked" else f": {result}",
        blind=" This model cannot show that such a gap conforms: its print is too coarse for these limits."
        if blind
        else "",
    )


def model_gap_plot(inputs: ModelGapInputs, result: ModelGapResult) -> tuple[Plot, ...]:
    span = curve(
        [result.full_size - result.uncertainty, result.full_size + result.uncertainty], [1.0, 1.0], "line", "second"
    )
    marks = []
    if inputs.lower is not None:
        marks.append(Mark(inputs.lower, "at least", "x", "below"))
    if inputs.upper is not None:
        marks.append(Mark(inputs.upper, "at most", "x", "above"))
    axis = Axis("Reading", low=0.5, high=1.5, names=("gap",))
    series = (span, curve([result.full_size], [1.0], "points"))
    return (Plot("Gap at full size", Axis("Gap", "mm"), axis, series, tuple(marks), str(result.sentence)),)


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="scale-figure",
        title="Between a scale model and full size",
        subject="Time and scale",
        asks="What does a figure of the model stand for at full size?",
        inputs=ScaleInputs,
        result=ScaleResult,
        compute=scale_figure,
        example=ScaleInputs(kind="own-weight deflection", value=0.2, unit="mm", scale=5.0),
        formula=(
            "length L, area L², volume L³, mass L³ × density ratio, time and speed √L; own weight: stress L, "
            "deflection L²; applied force F: stress F ÷ L², deflection F ÷ (E L), ratios full size over model"
        ),
        sources=(SIMILARITY,),
        cautions=(OWN_WEIGHT, "Strength is not scaled: it is tested on full-size material and is the engineer's."),
    ),
    Calculation(
        name="model-gap",
        title="What a gap on a model can tell",
        subject="Time and scale",
        asks="What does a gap read on a model say about full size, and what can it not say?",
        inputs=ModelGapInputs,
        result=ModelGapResult,
        compute=model_gap,
        example=ModelGapInputs(gap=1.2, lower=2.0, upper=10.0),
        formula="full size = L × gap; U = k L √(resolution² ÷ 12 + 2 × print² ÷ 3)",
        sources=(
            Source(
                "Rectangular distributions for resolution and for two printed faces (JCGM 100, 4.3.7)", "from memory"
            ),
        ),
        cautions=(
            "A model shows where pieces collide and in which order they go in; not how concrete and mortar behave.",
        ),
        plot=model_gap_plot,
    ),
)
