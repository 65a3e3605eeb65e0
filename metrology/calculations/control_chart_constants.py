"""The constants that control charts need, computed and not looked up."""

from dataclasses import dataclass

from metrology.calculations.calculation import AnyCalculation, Calculation
from metrology.calculations.control_chart import CHARTS_SOURCE
from metrology.calculations.fields import amount, sentence, whole
from metrology.statistics.chart_constants import LARGEST_SUBGROUP, chart_constants
from metrology.wording import count, number


@dataclass(frozen=True, kw_only=True)
class ConstantsInputs:
    n: int = whole("Values in a subgroup", lowest=2, highest=LARGEST_SUBGROUP)


@dataclass(frozen=True, kw_only=True)
class ConstantsResult:
    sentence: str = sentence()
    n: int = whole("Values in a subgroup")
    d2: float = amount("Mean range d2", decimals=6)
    d3: float = amount("Standard deviation of the range d3", decimals=6)
    c4: float = amount("Mean standard deviation c4", decimals=6)
    A2: float = amount("A2", decimals=6)
    A3: float = amount("A3", decimals=6)
    D3: float = amount("D3", decimals=6)
    D4: float = amount("D4", decimals=6)
    B3: float = amount("B3", decimals=6)
    B4: float = amount("B4", decimals=6)
    E2: float = amount("E2", decimals=6)


def constants_of(inputs: ConstantsInputs) -> ConstantsResult:
    """The constants of subgroups of n."""
    c = chart_constants(inputs.n)
    return ConstantsResult(
        sentence=(
            f"In subgroups of {count(c.n, 'value')} the mean range is {number(c.d2, 4)} standard deviations, the mean "
            f"s {number(c.c4, 4)}."
        ),
        n=c.n,
        d2=c.d2,
        d3=c.d3,
        c4=c.c4,
        A2=c.a2,
        A3=c.a3,
        D3=c.big_d3,
        D4=c.big_d4,
        B3=c.b3,
        B4=c.b4,
        E2=c.e2,
    )


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="control-chart-constants",
        title="Constants of control charts",
        subject="Gauges and process",
        asks="Which constants belong to subgroups of this size?",
        inputs=ConstantsInputs,
        result=ConstantsResult,
        compute=constants_of,
        example=ConstantsInputs(n=5),
        formula="""d2 = ∫ 1 − F(w) dw, d3² = 2 ∫ w (1 − F(w)) dw − d2², F(w) = n ∫ φ(x) (Φ(x + w) − Φ(x))ⁿ⁻¹ dx
c4 = √(2/(n − 1)) Γ(n/2) ÷ Γ((n − 1)/2); A2 = 3/(d2√n), A3 = 3/(c4√n), E2 = 3/d2
D3, D4 = 1 ∓ 3 d3/d2; B3, B4 = 1 ∓ 3 √(1 − c4²)/c4; none below 0""",
        sources=(CHARTS_SOURCE,),
    ),
)
