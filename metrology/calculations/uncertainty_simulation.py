"""Uncertainty by propagation of distributions, beside the law of propagation."""

from dataclasses import dataclass, fields
from functools import lru_cache
from math import inf

import numpy as np

from metrology.amounts.expressions import Expression, Name, Number, plus, times
from metrology.calculations.calculation import AnyCalculation, Calculation
from metrology.calculations.fields import amount, flag, sentence, text, whole
from metrology.calculations.plots import Axis, Mark, Plot, curve
from metrology.calculations.problems import refuse
from metrology.calculations.said import written
from metrology.calculations.uncertainty import (
    CAUTION,
    EXAMPLE,
    GUM,
    GUM_S1,
    BudgetInputs,
    InputRow,
    Prepared,
    budget,
    prepare,
)
from metrology.errors import InputError
from metrology.statistics.uncertainty import Shape, Simulated, simulate
from metrology.wording import count

# Below this a t distribution has no standard deviation.
LEAST_DOF = 2.0
POINTS = 60


@dataclass(frozen=True, kw_only=True)
class SimulationInputs(BudgetInputs):
    digits: int = whole("Digits of u to be sure of", default=2, lowest=1, highest=3)
    seed: int = whole("Seed", default=1, lowest=0, highest=2**31 - 1, help="The same seed gives the same answer.")


@dataclass(frozen=True, kw_only=True)
class SimulationResult:
    sentence: str = sentence()
    value: float = amount("Mean", "@unit")
    standard_uncertainty: float = amount("Standard uncertainty", "@unit")
    low: float = amount("From", "@unit", help="As much is left out below as above.")
    high: float = amount("To", "@unit")
    shortest_low: float = amount("Shortest interval from", "@unit")
    shortest_high: float = amount("Shortest interval to", "@unit")
    draws: int = whole("Draws")
    steady: bool = flag("Steady to the digits asked for")
    tolerance: float = amount("Numerical tolerance", "@unit")
    budget_value: float = amount("Result by the budget", "@unit")
    budget_uncertainty: float = amount("Standard uncertainty by the budget", "@unit")
    budget_low: float = amount("From by the budget", "@unit")
    budget_high: float = amount("To by the budget", "@unit")
    agrees: bool = flag("The budget agrees", help="Both ends within the numerical tolerance (JCGM 101, clause 8).")
    note: str | None = text("Note")


def simulation(inputs: SimulationInputs) -> SimulationResult:
    """Propagate the distributions until the answer is steady, and compare with the law of propagation."""
    by_law = budget(inputs)
    ready, found, note = simulated(inputs)
    low_off, high_off = abs(by_law.low - found.low), abs(by_law.high - found.high)
    agrees = max(low_off, high_off) <= found.tolerance
    notes = [note] if note else []
    if not found.settled:
        notes.append("Not steady after the most draws allowed. Ask for fewer digits.")
    return SimulationResult(
        sentence=_said(inputs, found, agrees, max(low_off, high_off)),
        value=found.mean,
        standard_uncertainty=found.uncertainty,
        low=found.low,
        high=found.high,
        shortest_low=found.shortest[0],
        shortest_high=found.shortest[1],
        draws=int(found.draws.size),
        steady=found.settled,
        tolerance=found.tolerance,
        budget_value=by_law.value,
        budget_uncertainty=by_law.standard_uncertainty,
        budget_low=by_law.low,
        budget_high=by_law.high,
        agrees=agrees,
        note=" ".join(notes) or None,
    )


@lru_cache(maxsize=2)
def simulated(inputs: SimulationInputs) -> tuple[Prepared, Simulated, str]:
    """The simulation itself, with a note on what was drawn otherwise than stated. Kept for the plot. Raises Refused."""
    ready = prepare(inputs)
    shapes, note = _shapes(inputs, ready)
    try:
        found = simulate(
            ready.formula or _sum(inputs, ready),
            ready.names,
            shapes,
            confidence=inputs.confidence,
            digits=inputs.digits,
            seed=inputs.seed,
            correlation=ready.correlation,
        )
    except InputError as error:
        path = {"bad-correlation": "/correlations", "too-sure": "/confidence"}.get(error.code, "/formula")
        raise refuse(path, error.sentence, error.code) from error
    return ready, found, note


def _shapes(inputs: SimulationInputs, ready: Prepared) -> tuple[list[Shape], str]:
    shapes, short = [], []
    for row, x, u, dof in zip(inputs.inputs, ready.estimates, ready.uncertainties, ready.dofs, strict=True):
        if row.given_as in ("rectangular", "triangular", "u-shaped"):
            shapes.append(Shape(row.given_as, x, row.width or 0.0))
        elif dof > LEAST_DOF and dof != inf:
            shapes.append(Shape("t", x, u, dof))
        else:
            if dof != inf:
                short.append(row.name)
            shapes.append(Shape("normal", x, u))
    if ready.correlation is not None:
        shapes = _only_normal(inputs, ready, shapes)
    note = f"Drawn from the normal distribution for want of degrees of freedom: {', '.join(short)}." if short else ""
    return shapes, note


def _only_normal(inputs: SimulationInputs, ready: Prepared, shapes: list[Shape]) -> list[Shape]:
    """With correlation every input is drawn from one normal distribution of many (JCGM 101, 6.4.8)."""
    named = {name for row in inputs.correlations for name in (row.first.strip(), row.second.strip()) if row.coefficient}
    for place, (row, name) in enumerate(zip(inputs.inputs, ready.names, strict=True)):
        if row.given_as not in ("standard", "expanded", "readings"):
            what = "is correlated" if name in named else "stands beside correlated inputs"
            raise refuse(
                f"/inputs/{place}/given_as",
                f"“{name}” {what}: then only normal inputs can be drawn. Give its standard uncertainty.",
                "correlated-shape",
            )
    return [Shape("normal", one.centre, u) for one, u in zip(shapes, ready.uncertainties, strict=True)]


def _sum(inputs: SimulationInputs, ready: Prepared) -> Expression:
    total: Expression = Number(0.0)
    for row, name in zip(inputs.inputs, ready.names, strict=True):
        total = plus(total, times(Number(row.sensitivity), Name(name)))
    return total


def _said(inputs: SimulationInputs, found: Simulated, agrees: bool, off: float) -> str:
    unit = inputs.unit
    said = (
        f"{written(100 * inputs.confidence, '%', '%')} of {count(found.draws.size, 'draw')} lie between "
        f"{_fine(found.low, found.tolerance, unit)} and {_fine(found.high, found.tolerance, unit)}"
    )
    if agrees:
        return said + "; the budget says the same."
    return said + f"; the budget is off by up to {written(off, unit, unit)}, so use these ends."


def _fine(value: float, tolerance: float, unit: str) -> str:
    """With the decimals that the numerical tolerance vouches for."""
    places = 0 if tolerance <= 0 else max(0, int(np.ceil(-np.log10(2 * tolerance) - 1e-9)))
    return written(value, unit, unit, min(places, 9))


def simulation_plot(inputs: SimulationInputs, result: SimulationResult) -> tuple[Plot, ...]:
    """How the draws lie, with the normal curve of the budget."""
    if result.standard_uncertainty == 0 or result.budget_uncertainty == 0:
        return ()
    _, found, _ = simulated(inputs)
    low, high = (float(end) for end in np.quantile(found.draws, [0.0005, 0.9995]))
    density, edges = np.histogram(found.draws, bins=POINTS, range=(low, high), density=True)
    middles = (edges[1:] + edges[:-1]) / 2
    away = (middles - result.budget_value) / result.budget_uncertainty
    normal = np.exp(-0.5 * away**2) / (result.budget_uncertainty * np.sqrt(2 * np.pi))
    return (
        Plot(
            "How the result is distributed",
            Axis("result", inputs.unit),
            Axis("density", low=0.0),
            (
                curve(edges, np.append(density, density[-1]), "steps", label="draws"),
                curve(middles, normal, "line", "second", "normal, by the budget"),
            ),
            (Mark(result.low, "", "x", "below"), Mark(result.high, "", "x", "above")),
            says=result.sentence,
        ),
    )


_START = {one.name: getattr(EXAMPLE, one.name) for one in fields(BudgetInputs)}
_LIMITS = tuple(
    InputRow(name=f"x{i}", estimate=0.0, given_as="rectangular", width=1.7320508075688772) for i in range(1, 5)
)

CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="uncertainty-simulation",
        title="Uncertainty by simulation",
        subject="Measuring",
        asks="How is a result distributed when its inputs are not normal or the formula bends?",
        inputs=SimulationInputs,
        result=SimulationResult,
        compute=simulation,
        example=SimulationInputs(
            **_START | {"formula": "x1 + x2 + x3 + x4", "unit": "mm", "confidence": 0.95, "inputs": _LIMITS}
        ),
        formula="""draw every input from its distribution, compute the formula, sort
blocks of 10 000 draws until twice the standard deviation of the block averages is below half the last digit of u
readings and finite degrees of freedom: Student's t; correlated inputs: normal""",
        sources=(GUM_S1, GUM),
        cautions=(CAUTION,),
        plot=simulation_plot,
    ),
)
