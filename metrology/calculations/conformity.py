"""Does a measured value conform; is the instrument fine enough; rounding before comparing."""

from dataclasses import dataclass

from scipy.special import ndtri

from metrology.amounts.rounding import last_place, rounded
from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import amount, choice, sentence, share, text, unit_choice
from metrology.calculations.problems import refuse
from metrology.calculations.said import digits, written
from metrology.errors import InputError
from metrology.statistics.conformance import conformance_probability
from metrology.statistics.conformity import decide
from metrology.statistics.instrument import WORST_RATIO, fitness
from metrology.wording import MINUS

ISO_14253 = Source("ISO 14253-1: proving conformity and nonconformity, guard bands", "from memory")
E29 = Source("ASTM E29: absolute method and rounding method; ISO 80000-1, annex B: half way", "from memory")
CAUTION = "The rule belongs in the specification before anything is measured; a rule chosen afterwards proves nothing."
GUARDS = {
    "U": "the expanded uncertainty U as given",
    "probability": "z·u for the confidence, u = U/k",
    "none": "none: the limits themselves",
}
COMPARED = {"absolute": "as it is", "rounded": "rounded to the last place of the limits"}
HALF_WAY = {"even": "half way to the even digit", "up": "half way away from zero"}


# ---- one value against its limits ------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class DecisionInputs:
    value: float = amount("Measured value", "@unit")
    lower: float | None = amount("Lower limit", "@unit", default=None)
    upper: float | None = amount("Upper limit", "@unit", default=None)
    unit: str = unit_choice()
    uncertainty: float = amount("Expanded uncertainty U", "@unit", lowest=0.0)
    k: float = amount("Its k", default=2.0, above=0.0)
    guard: str = choice("Guard band", GUARDS, default="U")
    confidence: float = share("Confidence", default=0.95, lowest=None, above=0.5, below=1.0, help="For z·u, one-sided.")
    compared: str = choice("The value is compared", COMPARED, default="absolute")
    half_way: str = choice("When it is rounded", HALF_WAY, default="even")


@dataclass(frozen=True, kw_only=True)
class DecisionResult:
    sentence: str = sentence()
    result: str = text("Result")
    compared: float = amount("Compared", "@unit")
    guard: float = amount("Guard band", "@unit")
    margin: float = amount("Margin", "@unit", help="To the nearer acceptance limit; negative: beyond it.")
    accept_low: float | None = amount("Conforms from", "@unit")
    accept_high: float | None = amount("Conforms to", "@unit")
    reject_low: float | None = amount("Does not conform below", "@unit")
    reject_high: float | None = amount("Does not conform above", "@unit")
    probability: float = share("Probability that it conforms", decimals=4)
    note: str | None = text("Note")


def guard_of(inputs: DecisionInputs) -> float:
    if inputs.guard == "none":
        return 0.0
    if inputs.guard == "U":
        return inputs.uncertainty
    return float(ndtri(inputs.confidence)) * inputs.uncertainty / inputs.k


def decision(inputs: DecisionInputs) -> DecisionResult:
    """The zones of the decision rule, and where the value lies."""
    check_limits(inputs.lower, inputs.upper)
    value = inputs.value
    if inputs.compared == "rounded":
        value = rounded(value, last_place(inputs.lower, inputs.upper), "even" if inputs.half_way == "even" else "up")
    guard = guard_of(inputs)
    found = decide(value, inputs.lower, inputs.upper, guard)
    u = inputs.uncertainty / inputs.k
    return DecisionResult(
        sentence=_decision_said(inputs, value, guard, found.result),
        result=found.result,
        compared=value,
        guard=guard,
        margin=found.margin,
        accept_low=found.lower_acceptance,
        accept_high=found.upper_acceptance,
        reject_low=None if inputs.lower is None else inputs.lower - guard,
        reject_high=None if inputs.upper is None else inputs.upper + guard,
        probability=conformance_probability(inputs.value, u, inputs.lower, inputs.upper),
        note=found.note or None,
    )


def check_limits(lower: float | None, upper: float | None) -> None:
    if lower is None and upper is None:
        raise refuse("/upper", "There is no limit. Give a lower limit, an upper limit or both.", "no-limits")
    if lower is not None and upper is not None and lower > upper:
        raise refuse("/upper", "The upper limit is below the lower limit. Exchange the two.", "limits-swapped")


def _decision_said(inputs: DecisionInputs, value: float, guard: float, result: str) -> str:
    what = _said(value, inputs.unit)
    if inputs.compared == "rounded" and value != inputs.value:
        what = f"{_said(inputs.value, inputs.unit)}, rounded to {what},"
    limits = said_limits(inputs.lower, inputs.upper, inputs.unit)
    band = f" with a guard band of {_said(float(f'{guard:.3g}'), inputs.unit)}" if guard else ""
    if result == "inconclusive":
        return f"{what} is inconclusive: limits {limits}{band}, and neither conformity nor nonconformity is proven."
    return f"{what} {result}: limits {limits}{band}."


def _said(value: float, unit: str) -> str:
    return written(value, unit, unit)


def said_limits(lower: float | None, upper: float | None, unit: str) -> str:
    """ "12.5 to 16.3 mm", "at least 12.5 mm", "at most 16.3 mm"."""
    if lower is not None and upper is not None:
        return f"{digits(lower)} to {_said(upper, unit)}"
    if lower is not None:
        return f"at least {_said(lower, unit)}"
    return f"at most {_said(upper if upper is not None else 0.0, unit)}"


# ---- the instrument --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class FitnessInputs:
    uncertainty: float = amount("Expanded uncertainty U", "@unit", lowest=0.0)
    lower: float | None = amount("Lower limit", "@unit", default=None)
    upper: float | None = amount("Upper limit", "@unit", default=None)
    nominal: float | None = amount("Nominal", "@unit", default=None, help="Needed with one limit only.")
    unit: str = unit_choice()
    worst_ratio: float = amount("Largest U over half the tolerance", default=WORST_RATIO, above=0.0)


@dataclass(frozen=True, kw_only=True)
class FitnessResult:
    sentence: str = sentence()
    result: str = text("Result")
    ratio: float | None = amount("U over half the tolerance")
    half_width: float | None = amount("Half the tolerance", "@unit")
    largest: float | None = amount("Largest U that would do", "@unit")


def instrument(inputs: FitnessInputs) -> FitnessResult:
    """Is the instrument fine enough for the tolerance?"""
    check_limits(inputs.lower, inputs.upper)
    unit = "" if inputs.unit == "1" else inputs.unit
    try:
        found = fitness(
            inputs.uncertainty, inputs.lower, inputs.upper, inputs.worst_ratio, nominal=inputs.nominal, unit=unit
        )
    except InputError as error:
        raise refuse("/nominal" if inputs.nominal is not None else "/upper", error.sentence, error.code) from error
    return FitnessResult(
        sentence=found.sentence,
        result=found.result,
        ratio=found.ratio,
        half_width=found.half_width,
        largest=found.largest,
    )


# ---- rounding --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class RoundInputs:
    value: float = amount("Figure", "@unit")
    step: float = amount("Rounded to the nearest", "@unit", above=0.0, help="0.1, 0.5, 5 and the like.")
    unit: str = unit_choice(default="1")
    half_way: str = choice("Half way", HALF_WAY, default="even")


@dataclass(frozen=True, kw_only=True)
class RoundResult:
    sentence: str = sentence()
    rounded: float = amount("Rounded", "@unit")
    even: float = amount("Half way to even", "@unit")
    up: float = amount("Half way away from zero", "@unit")


def round_figure(inputs: RoundInputs) -> RoundResult:
    """By both rules, on the figure as it is written in decimals."""
    even, up = rounded(inputs.value, inputs.step, "even"), rounded(inputs.value, inputs.step, "up")
    found = even if inputs.half_way == "even" else up
    unit = inputs.unit
    said = f"{_said(inputs.value, unit)} is {_said(found, unit)} to the nearest {_said(inputs.step, unit)}"
    if even != up:
        other = up if found == even else even
        said += f"; it is half way, and by the other rule {_said(other, unit)}"
    return RoundResult(sentence=said.replace("-", MINUS) + ".", rounded=found, even=even, up=up)


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="conformity-decision",
        title="Does it conform",
        subject="Measuring",
        asks="Does a measured value conform to its limits, given its uncertainty?",
        inputs=DecisionInputs,
        result=DecisionResult,
        compute=decision,
        example=DecisionInputs(value=10.07, lower=9.9, upper=10.1, uncertainty=0.02, guard="probability"),
        formula="""conforms: lower + g ≤ value ≤ upper − g
does not conform: value < lower − g or value > upper + g; between the two: inconclusive
g = U, or z·u with z of the normal distribution (1.645 for 95 % one-sided), or nothing""",
        sources=(ISO_14253, E29),
        cautions=(CAUTION,),
    ),
    Calculation(
        name="round-figure",
        title="Rounding",
        subject="Measuring",
        asks="What is a figure rounded to a step, and does the rule for half way matter?",
        inputs=RoundInputs,
        result=RoundResult,
        compute=round_figure,
        example=RoundInputs(value=2.45, step=0.1),
        formula="nearest multiple of the step; half way to the even multiple, or away from zero",
        sources=(E29,),
        cautions=("Round once, at the end. State the rule: it changes verdicts at a limit.",),
    ),
    Calculation(
        name="instrument-fitness",
        title="Fine enough for the tolerance",
        subject="Measuring",
        asks="Is this instrument fine enough for this tolerance?",
        inputs=FitnessInputs,
        result=FitnessResult,
        compute=instrument,
        example=FitnessInputs(uncertainty=0.12, lower=-1.0, upper=1.0),
        formula="U ÷ half the tolerance, at most a quarter unless the project says otherwise",
        sources=(Source("A quarter of the half-width", "common practice, no source"),),
        cautions=(CAUTION,),
    ),
)
