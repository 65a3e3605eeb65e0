"""Whether groups of values differ by more than chance: two moulds, two mixes, two technicians."""

from dataclasses import dataclass

import numpy as np
from scipy import special

from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import amount, sentence, share, table, text, unit_choice, whole
from metrology.calculations.plots import Axis, Plot, curve
from metrology.calculations.problems import refuse
from metrology.wording import NBSP, number


@dataclass(frozen=True)
class Value:
    group: str = text("Group")
    value: float = amount("Value", "@unit")


@dataclass(frozen=True)
class GroupsInputs:
    values: tuple[Value, ...] = table("Values", Value, least=3, most=20_000)
    significance: float = share("Chance of a false alarm", above=0.0, highest=0.5, default=0.05)
    unit: str = unit_choice()


@dataclass(frozen=True)
class GroupFound:
    group: str = text("Group")
    count: int = whole("Values")
    mean: float = amount("Mean", "@unit")
    deviation: float | None = amount("Standard deviation", "@unit")


@dataclass(frozen=True)
class GroupsResult:
    sentence: str = sentence()
    between: float = amount("Sum of squares between groups", "1")
    within: float = amount("Sum of squares within groups", "1")
    between_degrees: int = whole("Degrees of freedom between")
    within_degrees: int = whole("Degrees of freedom within")
    f: float | None = amount("F", "1", decimals=4, help="Empty: no value differs from its group.")
    p_value: float = amount("Chance of such differences by chance alone", "1")
    within_deviation: float = amount("Standard deviation within groups", "@unit")
    determination: float | None = amount("Share of the variance that the groups explain, R²", "1")
    groups: tuple[GroupFound, ...] = table("Groups", GroupFound)
    unit: str = unit_choice()


def groups(inputs: GroupsInputs) -> GroupsResult:
    """One-way analysis of variance. Errors: one-group, no-repeats, no-spread."""
    names = list(dict.fromkeys(one.group for one in inputs.values))
    values = np.array([one.value for one in inputs.values])
    index = np.array([names.index(one.group) for one in inputs.values])
    if len(names) < 2:
        raise refuse("/values", "All values belong to one group. Name at least two.", "one-group")
    if len(values) == len(names):
        raise refuse("/values", "Each group has one value, so its scatter is unknown. Take more.", "no-repeats")
    counts = np.bincount(index)
    # About the first value, so that a large common part does not eat the digits of small differences.
    about = values - values[0]
    means = np.bincount(index, about) / counts
    left = about - means[index]
    within, between = float(left @ left), float(counts @ (means - about.mean()) ** 2)
    noise = len(values) * (4e-16 * max(float(np.abs(values).max()), 1e-300)) ** 2
    if within <= noise and between <= noise:
        raise refuse("/values", "All values are the same. Nothing can be told apart.", "no-spread")
    free, left_free = len(names) - 1, len(values) - len(names)
    f = None if within <= noise else (between / free) / (within / left_free)
    p = 0.0 if f is None else float(special.fdtrc(free, left_free, f))
    squares = np.bincount(index, left**2)
    found = tuple(
        GroupFound(name, int(n), float(mean + values[0]), None if n < 2 else float(np.sqrt(square / (n - 1))))
        for name, n, mean, square in zip(names, counts, means, squares, strict=True)
    )
    highest, lowest = max(found, key=lambda one: one.mean), min(found, key=lambda one: one.mean)
    apart = f"{highest.group} lies {number(highest.mean - lowest.mean, 3)}{NBSP}{inputs.unit} above {lowest.group}"
    if p <= inputs.significance:
        said = f"The groups differ: {apart}, more than chance explains (p = {p:.2g})."
    else:
        said = f"No difference is shown: {apart}, which chance explains (p = {p:.2g})."
    return GroupsResult(
        said, between, within, free, left_free, f, p, float(np.sqrt(within / left_free)),
        between / (between + within), found, inputs.unit,
    )  # fmt: skip


def drawn(inputs: GroupsInputs, result: GroupsResult) -> tuple[Plot, ...]:
    names = tuple(one.group for one in result.groups)
    x = [1.0 + names.index(one.group) for one in inputs.values]
    means = curve(range(1, len(names) + 1), [one.mean for one in result.groups], "line", "second", "mean")
    return (
        Plot(
            "Values by group", Axis("Group", names=names), Axis("Value", inputs.unit),
            (curve(x, [one.value for one in inputs.values], "points", label="values"), means),
            says=result.sentence,
        ),
    )  # fmt: skip


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="groups-compared",
        title="Groups compared",
        subject="Gauges and process",
        asks="Do two moulds, mixes or technicians differ by more than chance?",
        inputs=GroupsInputs,
        result=GroupsResult,
        compute=groups,
        example=GroupsInputs(
            tuple(
                Value(mould, value)
                for mould, values in (
                    ("mould M-02", (599.62, 599.71, 599.58, 599.66)),
                    ("mould M-05", (599.88, 599.95, 599.79, 599.91)),
                )
                for value in values
            )
        ),
        formula="F = (Σ n (mean − grand mean)² / (k − 1)) / (Σ (value − mean)² / (n − k))",
        sources=(Source("One-way analysis of variance", "definition"),),
        cautions=(
            "It supposes the same scatter in every group and values that do not depend on each other.",
            "The example is invented: seat width of saddle blocks.",
        ),
        plot=drawn,
    ),
)
