"""Acceptance of concrete by its strength tests: ACI 318 and EN 206."""

from dataclasses import dataclass
from math import floor

import numpy as np

from metrology.amounts.quantities import convert
from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import amount, amounts, choice, sentence
from metrology.calculations.plots import Axis, Mark, Plot, curve
from metrology.calculations.said import Quantity, Said, say
from metrology.concrete.strength import CAUTION, CUSTOMARY, HAIR, METRIC, acceptance
from metrology.concrete.strength_en206 import conformity, sigma_of
from metrology.wording import count

VERDICTS = {"pass": "pass", "fail": "fail", "missing": "missing"}


RULES = {"MPa": METRIC, "psi": CUSTOMARY}


@dataclass(frozen=True)
class AciInputs:
    specified: float = amount("Specified strength f'c", "MPa", above=0.0, below=500.0)
    tests: tuple[float, ...] = amounts(
        "Strength tests in order of sampling", "MPa", above=0.0, most=2000, help="Each the mean of its cylinders."
    )
    edition: str = choice(
        "Edition of the code",
        {"MPa": "metric: 3.5 MPa, up to 35 MPa", "psi": "customary: 500 psi, up to 5000 psi"},
        default="MPa",
    )


@dataclass(frozen=True)
class AciResult:
    sentence: str = sentence()
    result: str = choice("Accepted", VERDICTS)
    means: tuple[float, ...] = amounts("Means of each three in a row", "MPa", decimals=3)
    lowest_mean: float | None = amount("Lowest of these", "MPa", decimals=3)
    averages: str = choice("Every mean reaches f'c", VERDICTS)
    lowest: float = amount("Lowest test", "MPa", decimals=2)
    lowest_allowed: float = amount("No test below", "MPa", decimals=2)
    singles: str = choice("No test is too low", VERDICTS)


def aci(inputs: AciInputs) -> AciResult:
    """Both conditions of section 26.12.3, on the tests in their order. Fewer than three tests: missing, unless one is
    too low. Judged in the unit of the edition: its limits are round figures there."""
    rule = RULES[inputs.edition]
    factor = convert(1.0, "MPa", rule.unit)
    specified = _round(inputs.specified * factor)
    found = acceptance([_round(test * factor) for test in inputs.tests], specified, rule)
    least, lowest = found.lowest_allowed / factor, min(inputs.tests)
    means = tuple(mean / factor for mean in found.means)
    lowest_mean = min(means, default=None)
    single = "fail" if (found.lowest or 0.0) < found.lowest_allowed * (1 - HAIR) else "pass"
    mean = "missing"
    if found.lowest_mean is not None:
        mean = "fail" if found.lowest_mean < specified * (1 - HAIR) else "pass"
    figures = {"wanted": _mpa(inputs.specified), "floor": _mpa(least), "low": _down(lowest)}
    pieces: list[Said] = []
    if single == "fail":
        pieces.append(say("A test of {low} is below the {floor} that none may fall under.", **figures))
    if mean == "fail" and lowest_mean is not None:
        at = means.index(lowest_mean) + 1
        words = "The mean of tests {a} to {b}, {mean}, is below the specified {wanted}."
        pieces.append(say(words, a=at, b=at + 2, mean=_down(lowest_mean), **figures))
    if found.result == "missing":
        n = count(len(inputs.tests), "test")
        pieces.append(say("Only {n} so far; three are needed against {wanted}.", n=n, **figures))
    if found.result == "pass" and lowest_mean is not None:
        words = (
            "Accepted: the lowest mean of three is {mean} for {wanted}, the lowest test {low} where {floor} is allowed."
        )
        pieces.append(say(words, mean=_down(lowest_mean), **figures))
    said = pieces[0] if len(pieces) == 1 else say("{a} {b}", a=pieces[0], b=pieces[1])
    return AciResult(said, found.result, means, lowest_mean, mean, lowest, least, single)


def _round(figure: float) -> float:
    """Without the rest that a change of units leaves."""
    return float(f"{figure:.12g}")


def _mpa(value: float) -> Quantity:
    return Quantity(value, "MPa", 1 if abs(value - round(value, 1)) < 1e-9 else 2)


def _down(value: float) -> Quantity:
    """Cut, not rounded: a strength never seems to reach a limit."""
    return _mpa(floor(value * 100 + 1e-6) / 100)


def aci_plot(inputs: AciInputs, result: AciResult) -> tuple[Plot, ...]:
    order = np.arange(1, len(inputs.tests) + 1)
    series = [curve(order, inputs.tests, "points", "main", "tests")]
    if result.means:
        series.append(curve(order[2:], result.means, "line", "second", "mean of three"))
    marks = (
        Mark(inputs.specified, "f'c", forbidden=""),
        Mark(result.lowest_allowed, "no test below", forbidden="below"),
    )
    names = tuple(str(one) for one in order) if len(order) <= 24 else ()
    return (
        Plot(
            "Tests in order",
            Axis("Test", names=names),
            Axis("Strength", "MPa"),
            tuple(series),
            marks,
            str(result.sentence),
        ),
    )


@dataclass(frozen=True, kw_only=True)
class En206Inputs:
    fck: float = amount("Characteristic strength f_ck", "MPa", above=0.0, below=500.0, help="Of the specimen tested.")
    results: tuple[float, ...] = amounts("Test results in order of sampling", "MPa", above=0.0, most=2000)
    production: str = choice(
        "Production",
        {
            "initial": "initial: fewer than 35 results known",
            "continuous": "continuous, with a known standard deviation",
            "identity": "identity test of a delivery (annex B)",
        },
        default="initial",
    )
    sigma: float | None = amount(
        "Standard deviation of the production", "MPa", above=0.0, default=None, help="From the last 35 results or more."
    )


@dataclass(frozen=True)
class En206Result:
    sentence: str = sentence()
    result: str = choice("Conformity", VERDICTS)
    lowest: float = amount("Lowest result", "MPa", decimals=2)
    single_wanted: float = amount("No result below", "MPa", decimals=2)
    means: tuple[float, ...] = amounts("Means judged", "MPa", decimals=3)
    mean_wanted: float | None = amount("Mean at least", "MPa", decimals=2)
    standard_deviation: float | None = amount("Standard deviation of these results", "MPa", decimals=3)
    sigma_from_ranges: float | None = amount("The same from ranges of neighbours, 0.886 × mean", "MPa", decimals=3)
    last_sd: float | None = amount("Standard deviation of the last 15", "MPa", decimals=3)


def en206(inputs: En206Inputs) -> En206Result:
    """Errors: no-sigma, too-many-results."""
    production = inputs.production
    assert production in ("initial", "continuous", "identity")
    found = conformity(inputs.results, inputs.fck, production, inputs.sigma)  # type: ignore[arg-type]
    sd, ranges = sigma_of(inputs.results) if len(inputs.results) > 1 else (None, None)
    low_mean = _down(min(found.means)) if found.means else ""
    wanted = Quantity(found.mean_wanted, "MPa", 2) if found.mean_wanted is not None else ""
    lowest, single = _down(found.lowest), _mpa(found.single_wanted)
    words = {
        "single-too-low": "The lowest result, {lowest}, is below {floor}: does not conform.",
        "mean-too-low": "A mean of {mean} is below the {wanted} it must reach: does not conform.",
        "too-few-results": "Only {n} so far: too few for this rule. The lowest, {lowest}, is not below {floor}.",
        "sigma-changed": "The last 15 results spread otherwise than the production did: estimate its standard "
        "deviation anew from 35 results, then judge again.",
        "conforms": "Conforms: the lowest result is {lowest} where {floor} is allowed{and_mean}.",
    }
    said = say(
        words[found.code],
        lowest=lowest, floor=single, mean=low_mean, wanted=wanted, n=count(len(inputs.results), "result"),
        and_mean=say(", the lowest mean {mean} where {wanted} is wanted", mean=low_mean, wanted=wanted)
        if found.means else "",
    )  # fmt: skip
    return En206Result(
        said, found.result, found.lowest, found.single_wanted, found.means, found.mean_wanted, sd, ranges, found.last_sd
    )


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="strength-acceptance",
        title="Strength acceptance, ACI 318",
        subject="Casting",
        asks="Do these strength tests accept the concrete?",
        inputs=AciInputs,
        result=AciResult,
        compute=aci,
        example=AciInputs(40.0, (44.2, 41.8, 43.5, 39.6, 45.1, 42.7)),
        formula=(
            "each mean of three tests in a row ≥ f'c; no test below f'c − 3.5 MPa, or below 0.9 f'c where f'c is above "
            "35 MPa"
        ),
        sources=(
            Source("ACI 318-14, 26.12.3, from the institute's public answer page", "READ"),
            Source("The customary edition's 500 psi and 5000 psi", "from memory"),
        ),
        cautions=(CAUTION,),
        plot=aci_plot,
    ),
    Calculation(
        name="strength-conformity",
        title="Strength conformity, EN 206",
        subject="Casting",
        asks="Do these test results conform to the strength class?",
        inputs=En206Inputs,
        result=En206Result,
        compute=en206,
        example=En206Inputs(fck=30.0, results=(36.1, 33.8, 35.2, 34.9)),
        formula=(
            "initial: mean of three ≥ f_ck + 4; continuous: mean ≥ f_ck + 1.48 σ; identity: 2 to 4 results "
            "≥ f_ck + 1, 5 or 6 ≥ f_ck + 2; each result ≥ f_ck − 4; 0.63 σ ≤ s₁₅ ≤ 1.37 σ"
        ),
        sources=(
            Source("EN 206: single result, limits of s₁₅, estimate from ranges, in guidance on its rules", "READ"),
            Source("EN 206: margins 1.48 σ and 4 MPa, table B.1 of identity tests", "from memory"),
        ),
        cautions=(CAUTION, "The standard itself and the national annex govern: read them before refusing a delivery."),
    ),
)
