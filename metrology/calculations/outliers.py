"""One outlier among normal values."""

from dataclasses import dataclass

import numpy as np

from metrology.calculations.calculation import AnyCalculation, Calculation
from metrology.calculations.capability import GRUBBS
from metrology.calculations.conformity_risk import percent
from metrology.calculations.fields import amount, amounts, choice, flag, sentence, share, unit_choice, whole
from metrology.calculations.plots import Axis, Mark, Plot, curve
from metrology.calculations.said import digits, written
from metrology.statistics.outliers import Grubbs, critical_g, grubbs
from metrology.wording import NBSP, count, number

SIDES = {"both": "on either side", "high": "too high", "low": "too low"}


@dataclass(frozen=True, kw_only=True)
class GrubbsInputs:
    values: tuple[float, ...] = amounts("Values", "@unit", least=3)
    unit: str = unit_choice()
    side: str = choice("Outlier", SIDES, default="both", help="One side only when it was named before looking.")
    alpha: float = share("Level", default=0.05, above=0.0, below=1.0)


@dataclass(frozen=True, kw_only=True)
class GrubbsResult:
    sentence: str = sentence()
    g: float = amount("G", decimals=4)
    critical: float = amount("Critical G", decimals=4)
    critical_one_sided: float = amount("Critical G, one side", decimals=4)
    critical_two_sided: float = amount("Critical G, either side", decimals=4)
    p: float = amount("The p-value, at most", decimals=6)
    outlier: bool = flag("It is an outlier")
    value: float = amount("Value furthest out", "@unit")
    position: int = whole("Its place in the list")


def grubbs_test(inputs: GrubbsInputs) -> GrubbsResult:
    """One outlier by Grubbs' test."""
    found = grubbs(np.asarray(inputs.values), inputs.alpha, inputs.side)
    n, value = len(inputs.values), inputs.values[found.index]
    return GrubbsResult(
        sentence=grubbs_said(found, value, inputs.unit, n, inputs.alpha),
        g=found.g,
        critical=found.critical,
        critical_one_sided=critical_g(n, inputs.alpha, two_sided=False),
        critical_two_sided=critical_g(n, inputs.alpha),
        p=found.p,
        outlier=found.outlier,
        value=value,
        position=found.index + 1,
    )


def grubbs_said(found: Grubbs, value: float, unit: str, n: int, alpha: float) -> str:
    """With the G and what it is compared with."""
    what, compared = written(value, unit, unit), f"G {number(found.g, 3)} against {number(found.critical, 3)}"
    level = f"{digits(100 * alpha)}{NBSP}% level"
    if not found.outlier:
        return f"None of {count(n, 'value')} lies out at the {level}: {what} is furthest, {compared}."
    return (
        f"{what} is an outlier among {count(n, 'value')} at the {level}: {compared}, p at most {percent(found.p)}. "
        "Find its cause; leave it out only with one."
    )


def grubbs_plot(inputs: GrubbsInputs, result: GrubbsResult) -> tuple[Plot, ...]:
    """The values in order, with the distance at which one would be an outlier."""
    x = np.asarray(inputs.values)
    reach = result.critical * float(x.std(ddof=1))
    middle = float(x.mean())
    marks: tuple[Mark, ...] = ()
    if inputs.side != "low":
        marks += (Mark(middle + reach, "outlier beyond", "y", "above"),)
    if inputs.side != "high":
        marks += (Mark(middle - reach, "outlier beyond", "y", "below"),)
    series = (curve(np.arange(1, x.size + 1), x, "points"),)
    axes = Axis("value, in order"), Axis("value", inputs.unit)
    return (Plot("The values and how far one may lie out", *axes, series, marks, result.sentence),)


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="grubbs",
        title="Outlier",
        subject="Gauges and process",
        asks="Does one value lie further out than chance explains?",
        inputs=GrubbsInputs,
        result=GrubbsResult,
        compute=grubbs_test,
        example=GrubbsInputs(values=(41.2, 42.0, 41.6, 40.9, 41.8, 42.3, 41.5, 36.1), unit="MPa"),
        formula="""G = largest |x − mean| ÷ s
critical: (n − 1)/√n · √(t² ÷ (n − 2 + t²)), t: Student's upper α/n quantile, α/2n for either side, on n − 2""",
        sources=(GRUBBS,),
        cautions=("For one outlier among normal values. Two that lie out together can hide each other.",),
        plot=grubbs_plot,
    ),
)
