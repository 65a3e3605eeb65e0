"""Uncertainty budgets, by the law of propagation and by simulation."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf, isinf, sqrt

import numpy as np

from metrology.amounts.expressions import Expression, check_name, parse
from metrology.bodies import Floats
from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import (
    amount,
    amounts,
    choice,
    sentence,
    share,
    table,
    text,
    unit_choice,
)
from metrology.calculations.plots import Axis, Plot, Series
from metrology.calculations.problems import refuse
from metrology.calculations.said import digits as six
from metrology.calculations.said import written
from metrology.errors import InputError
from metrology.statistics.uncertainty import (
    combine,
    coverage_factor,
    from_readings,
    numerical_tolerance,
    second_order,
)
from metrology.wording import NBSP, number

GUM = Source("JCGM 100:2008 (GUM): 4.2, 4.3, 5.1, 5.2, G.4", "from memory")
GUM_S1 = Source("JCGM 101:2008: clauses 6.4, 7.2 to 7.9 and 8", "from memory")
CAUTION = "An effect that is in no row is not in the answer. Add resolution, temperature, alignment and drift."
SPREADS = {
    "standard": "standard uncertainty u",
    "expanded": "expanded uncertainty U and its k",
    "readings": "readings (type A)",
    "rectangular": "limits ±a, all alike likely",
    "triangular": "limits ±a, middle likelier",
    "u-shaped": "limits ±a, ends likelier",
}
DIVISORS = {"rectangular": sqrt(3), "triangular": sqrt(6), "u-shaped": sqrt(2)}


@dataclass(frozen=True, kw_only=True)
class InputRow:
    name: str = text("Name", longest=30)
    estimate: float | None = amount("Estimate", default=None)
    given_as: str = choice("Given as", SPREADS, default="standard")
    width: float | None = amount("Size (u, U or a)", default=None, lowest=0.0)
    k: float = amount("Its k", default=2.0, above=0.0, help="Of U only.")
    dof: float | None = amount("Degrees of freedom", default=None, lowest=1.0, help="Empty: unlimited.")
    readings: tuple[float, ...] = amounts("Readings", default=(), least=0)
    sensitivity: float = amount("Sensitivity", default=1.0, help="Without a formula.")


@dataclass(frozen=True, kw_only=True)
class CorrelationRow:
    first: str = text("First", longest=30)
    second: str = text("Second", longest=30)
    coefficient: float = amount("Coefficient", lowest=-1.0, highest=1.0)


@dataclass(frozen=True, kw_only=True)
class BudgetInputs:
    formula: str = text(
        "Formula",
        default="",
        longest=500,
        help="Of the names below, such as ls + d. Empty: the sum of sensitivity × input.",
    )
    unit: str = unit_choice("Unit of the result")
    inputs: tuple[InputRow, ...] = table(
        "Inputs", InputRow, most=60, help="Each estimate in the unit the formula needs."
    )
    correlations: tuple[CorrelationRow, ...] = table("Correlations", CorrelationRow, default=(), least=0, most=200)
    confidence: float = share("Confidence", default=0.95, above=0.0, below=1.0)
    k: float | None = amount(
        "Coverage factor", default=None, above=0.0, help="Empty: from the confidence and the degrees of freedom."
    )
    slopes: str = choice(
        "Sensitivities", {"exact": "exact derivatives", "steps": "small steps of ± u"}, default="exact"
    )


@dataclass(frozen=True, kw_only=True)
class BudgetRow:
    name: str = text("Input")
    estimate: float = amount("Estimate")
    uncertainty: float = amount("Standard uncertainty")
    dof: float | None = amount("Degrees of freedom")
    sensitivity: float = amount("Sensitivity")
    contribution: float = amount("Contribution", "@unit", help="Size of sensitivity × standard uncertainty.")
    share: float = share("Share of variance", decimals=3)


@dataclass(frozen=True, kw_only=True)
class BudgetResult:
    sentence: str = sentence()
    value: float = amount("Result", "@unit")
    standard_uncertainty: float = amount("Combined standard uncertainty", "@unit")
    dof: float | None = amount("Effective degrees of freedom", help="None: unlimited.", decimals=1)
    k: float = amount("Coverage factor", decimals=3)
    expanded_uncertainty: float = amount("Expanded uncertainty", "@unit")
    low: float = amount("From", "@unit")
    high: float = amount("To", "@unit")
    second_order_uncertainty: float | None = amount(
        "Standard uncertainty with second-order terms", "@unit", help="For a formula of independent inputs."
    )
    budget: tuple[BudgetRow, ...] = table("Budget", BudgetRow)
    note: str | None = text("Note")


@dataclass(frozen=True)
class Prepared:
    """Rows as the two methods need them."""

    names: tuple[str, ...]
    estimates: tuple[float, ...]
    uncertainties: tuple[float, ...]
    dofs: tuple[float, ...]
    formula: Expression | None
    correlation: Floats | None


def prepare(inputs: BudgetInputs) -> Prepared:
    """Check and complete the rows. Raises Refused at the row."""
    names: list[str] = []
    rows: list[tuple[float, float, float]] = []
    for place, row in enumerate(inputs.inputs):
        names.append(_name(row.name, names, f"/inputs/{place}/name"))
        rows.append(_spread(row, f"/inputs/{place}"))
    formula = None
    if inputs.formula:
        try:
            formula = parse(inputs.formula, set(names))
        except InputError as error:
            raise refuse("/formula", error.sentence, error.code) from error
    estimates, uncertainties, dofs = zip(*rows, strict=True)
    return Prepared(tuple(names), estimates, uncertainties, dofs, formula, _correlation(inputs, names))


def _name(name: str, before: list[str], path: str) -> str:
    try:
        plain = check_name(name)
    except InputError as error:
        raise refuse(path, error.sentence, error.code) from error
    if plain in before:
        raise refuse(path, f"“{plain}” has two rows. Give each input its own name.", "name-twice")
    return plain


def _spread(row: InputRow, path: str) -> tuple[float, float, float]:
    """Estimate, standard uncertainty and degrees of freedom of a row."""
    dof = inf if row.dof is None else row.dof
    if row.given_as == "readings":
        try:
            mean, u, own = from_readings(row.readings)
        except InputError as error:
            raise refuse(f"{path}/readings", error.sentence, error.code) from error
        return (mean if row.estimate is None else row.estimate), u, (own if row.dof is None else row.dof)
    if row.readings:
        raise refuse(f"{path}/given_as", "There are readings, but the row is given as something else.", "idle-readings")
    if row.estimate is None:
        raise refuse(f"{path}/estimate", "Missing. Give the estimate, or readings to take it from.", "no-estimate")
    if row.width is None:
        raise refuse(f"{path}/width", "Missing. Give u, U or the half-width a.", "no-width")
    if row.given_as == "expanded":
        return row.estimate, row.width / row.k, dof
    return row.estimate, row.width / DIVISORS.get(row.given_as, 1.0), dof


def _correlation(inputs: BudgetInputs, names: list[str]) -> Floats | None:
    if not inputs.correlations:
        return None
    matrix = np.eye(len(names))
    for place, row in enumerate(inputs.correlations):
        for column, name in (("first", row.first), ("second", row.second)):
            if name.strip() not in names:
                raise refuse(
                    f"/correlations/{place}/{column}", f"“{name}” has no row among the inputs.", "unknown-name"
                )
        one, two = names.index(row.first.strip()), names.index(row.second.strip())
        if one == two:
            raise refuse(
                f"/correlations/{place}/second", "An input always follows itself. Name another one.", "same-name"
            )
        matrix[one, two] = matrix[two, one] = row.coefficient
    return matrix


def slopes(ready: Prepared, inputs: BudgetInputs) -> tuple[float, ...]:
    """Sensitivity of each input at the estimates. Raises Refused (no-value)."""
    if ready.formula is None:
        return tuple(row.sensitivity for row in inputs.inputs)
    at = dict(zip(ready.names, ready.estimates, strict=True))
    if inputs.slopes == "exact":
        found = [_finite(ready.formula.derivative(name), at, f"slope for {name}") for name in ready.names]
    else:
        found = [
            _by_steps(ready.formula, at, name, u) for name, u in zip(ready.names, ready.uncertainties, strict=True)
        ]
    return tuple(found)


def _by_steps(formula: Expression, at: Mapping[str, float], name: str, u: float) -> float:
    """Kragten's way (GUM 5.1.3, note 2): half the change of the result between estimate + u and estimate − u."""
    step = u or 1e-6 * (abs(at[name]) or 1.0)
    up = _finite(formula, {**at, name: at[name] + step}, f"value at {name} + u")
    down = _finite(formula, {**at, name: at[name] - step}, f"value at {name} − u")
    return (up - down) / (2 * step)


def _finite(formula: Expression, at: Mapping[str, float], what: str) -> float:
    with np.errstate(all="ignore"):
        figure = float(formula.value(at))
    if not np.isfinite(figure):
        sentence = f"The formula has no {what}: a division by zero, or a root or logarithm of a negative number."
        raise refuse("/formula", sentence, "no-value")
    return figure


def value_of(ready: Prepared, inputs: BudgetInputs) -> float:
    at = dict(zip(ready.names, ready.estimates, strict=True))
    if ready.formula is None:
        return sum(row.sensitivity * x for row, x in zip(inputs.inputs, ready.estimates, strict=True))
    return _finite(ready.formula, at, "value")


def budget(inputs: BudgetInputs) -> BudgetResult:
    """Law of propagation with effective degrees of freedom and expanded uncertainty."""
    ready = prepare(inputs)
    value = value_of(ready, inputs)
    sensitivities = slopes(ready, inputs)
    try:
        found = combine(sensitivities, ready.uncertainties, ready.dofs, ready.correlation)
        k = coverage_factor(inputs.confidence, found.dof) if inputs.k is None else inputs.k
    except InputError as error:
        path = "/correlations" if error.code == "bad-correlation" else ""
        raise refuse(path, error.sentence, error.code) from error
    u, expanded = found.uncertainty, k * found.uncertainty
    rows = tuple(
        BudgetRow(
            name=name,
            estimate=x,
            uncertainty=each,
            dof=None if isinf(dof) else dof,
            sensitivity=c,
            contribution=abs(float(part)),
            share=float(part_share),
        )
        for name, x, each, dof, c, part, part_share in zip(
            ready.names,
            ready.estimates,
            ready.uncertainties,
            ready.dofs,
            sensitivities,
            found.contributions,
            found.shares,
            strict=True,
        )
    )
    return BudgetResult(
        sentence=_budget_said(inputs, value, expanded, k, rows),
        value=value,
        standard_uncertainty=u,
        dof=None if isinf(found.dof) else found.dof,
        k=k,
        expanded_uncertainty=expanded,
        low=value - expanded,
        high=value + expanded,
        second_order_uncertainty=_second(ready, u),
        budget=rows,
        note=_note(ready, found.dof, u) or None,
    )


def _second(ready: Prepared, u: float) -> float | None:
    if ready.formula is None or ready.correlation is not None or len(ready.names) > 12:
        return None
    at = dict(zip(ready.names, ready.estimates, strict=True))
    more = second_order(ready.formula, at, dict(zip(ready.names, ready.uncertainties, strict=True)))
    total = u * u + more
    return sqrt(total) if np.isfinite(total) and total >= 0 else None


def _budget_said(inputs: BudgetInputs, value: float, expanded: float, k: float, rows: tuple[BudgetRow, ...]) -> str:
    surely = f"k = {number(k, 2)}"
    if inputs.k is None:
        surely = f"{six(100 * inputs.confidence)}{NBSP}%, {surely}"
    said = f"The result is {written(value, inputs.unit, inputs.unit)} ± {_rounded(expanded, inputs.unit)} ({surely})"
    if expanded == 0:
        return said + "; no input is uncertain, so check that nothing was left out."
    most = max(rows, key=lambda row: row.contribution)
    if len(rows) > 1:
        said += f"; most of it, {number(100 * most.share, 0)}{NBSP}% of the variance, comes from {most.name}"
    return said + "."


def _rounded(expanded: float, unit: str) -> str:
    """Two digits, rounded up, as an uncertainty is written."""
    if expanded == 0:
        return "0" + ("" if unit == "1" else f"{NBSP}{unit}")
    step = 2 * numerical_tolerance(expanded, 2)
    rounded = float(np.ceil(expanded / step - 1e-9)) * step
    return six(rounded, 3) + ("" if unit == "1" else f"{NBSP}{unit}")


def _note(ready: Prepared, dof: float, u: float) -> str:
    notes = []
    if u == 0:
        notes.append("No spread anywhere: that is never so. Add at least the resolution of the instrument.")
    if ready.correlation is not None and not isinf(dof):
        notes.append("With correlated inputs the smallest degrees of freedom are used: no formula for them is agreed.")
    if ready.formula is not None and (idle := [name for name in ready.names if name not in ready.formula.names]):
        notes.append(f"Not in the formula: {', '.join(idle)}.")
    return " ".join(notes)


def budget_plot(inputs: BudgetInputs, result: BudgetResult) -> tuple[Plot, ...]:
    rows = sorted(result.budget, key=lambda row: -row.contribution)[:10]
    bars = Series(tuple(float(i) for i in range(1, len(rows) + 1)), tuple(row.contribution for row in rows), "bars")
    most = rows[0]
    return (
        Plot(
            "What the uncertainty is made of",
            Axis("input", names=tuple(row.name for row in rows)),
            Axis("contribution", inputs.unit, low=0.0),
            (bars,),
            says=f"{most.name} contributes most, {number(100 * most.share, 0)}{NBSP}% of the variance.",
        ),
    )


EXAMPLE = BudgetInputs(
    formula="ls + d - ls*(da*theta + a*dtheta)",
    unit="nm",
    confidence=0.99,
    inputs=(
        InputRow(name="ls", estimate=50_000_623.0, width=25.0, dof=18.0),
        InputRow(name="d", estimate=215.0, width=9.7, dof=25.6),
        InputRow(name="a", estimate=11.5e-6, given_as="rectangular", width=2e-6),
        InputRow(name="theta", estimate=-0.1, width=0.41),
        InputRow(name="da", estimate=0.0, given_as="rectangular", width=1e-6, dof=50.0),
        InputRow(name="dtheta", estimate=0.0, given_as="rectangular", width=0.05, dof=2.0),
    ),
)
FORMULA = """u²(y) = Σ c²u² + 2 Σ c c′ u u′ r, with c the derivative of the formula by each input
u of limits ±a: a/√3 (all alike likely), a/√6 (middle likelier), a/√2 (ends likelier); of n readings: s/√n
degrees of freedom = u⁴(y) ÷ Σ (c u)⁴/ν, cut to a whole number; U = k·u(y), k from Student's t"""

CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="uncertainty-budget",
        title="Uncertainty budget",
        subject="Measuring",
        asks="How sure is a result, and what makes it unsure?",
        inputs=BudgetInputs,
        result=BudgetResult,
        compute=budget,
        example=EXAMPLE,
        formula=FORMULA,
        sources=(GUM,),
        cautions=(CAUTION,),
        plot=budget_plot,
    ),
)
