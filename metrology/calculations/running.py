"""Run a calculation on plain data, and write inputs and answers as plain data."""

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from math import isfinite
from typing import Any

import numpy as np

from metrology.calculations.calculation import AnyCalculation
from metrology.calculations.fields import Amount, Grid, Many, Sentence, Spec, Table, UnitChoice, spec_of, specs
from metrology.calculations.problems import Problem, Refused
from metrology.calculations.reading import read
from metrology.errors import MetrologyError


def run(calculation: AnyCalculation, data: Any) -> tuple[Any, Any]:
    """(inputs, result) from plain data. Raises Refused with every problem at its place, and nothing else."""
    inputs = read(calculation.inputs, data)
    return inputs, solve(calculation, inputs)


def solve(calculation: AnyCalculation, inputs: Any) -> Any:
    """The result of inputs that are read. Raises Refused; a result never holds NaN or infinity."""
    try:
        with np.errstate(all="ignore"):
            result = calculation.compute(inputs)
    except Refused:
        raise
    except MetrologyError as error:
        raise Refused(error.code, (Problem("", error.sentence),)) from error
    except (ArithmeticError, np.linalg.LinAlgError) as error:
        sentence = "These figures are too large or too small to calculate with. Check them and their units."
        raise Refused("out-of-range", (Problem("", sentence),)) from error
    for name, figure in _figures(result):
        if not isfinite(figure):
            sentence = (
                f"These figures give no finite answer for “{name}”. Check for zeros and for figures that are equal."
            )
            raise Refused("not-finite", (Problem("", sentence),))
    return result


def plain(record: Any) -> Any:
    """Inputs or result as JSON takes them: dicts, lists, numbers, words. Numbers are in the units of the fields."""
    if is_dataclass(record) and not isinstance(record, type):
        return {one.name: plain(getattr(record, one.name)) for one in fields(record)}
    if isinstance(record, tuple | list):
        return [plain(item) for item in record]
    if isinstance(record, str):
        return str(record)
    if isinstance(record, np.generic):
        return record.item()
    return record


def answer(calculation: AnyCalculation, inputs: Any, result: Any) -> dict[str, Any]:
    """The answer of the shell: the sentence, the figures, and the unit of each figure that has one."""
    figures = plain(result)
    return {
        "calculation": calculation.name,
        "sentence": figures.pop("sentence"),
        "figures": figures,
        "units": units_of(calculation.result, units_chosen(inputs)),
    }


def units_chosen(inputs: Any) -> dict[str, str]:
    """ "@name" → the unit that the inputs chose for the fields which are in it."""
    chosen = specs(type(inputs)).items()
    return {f"@{name}": getattr(inputs, name) for name, spec in chosen if isinstance(spec, UnitChoice)}


def units_of(kind: type, chosen: Mapping[str, str]) -> dict[str, str]:
    """Dotted field name → unit, of the fields that have one: {"rows.contribution": "mm"}."""
    found: dict[str, str] = {}
    for name, spec in specs(kind).items():
        if isinstance(spec, Table):
            found |= {f"{name}.{below}": unit for below, unit in units_of(spec.row, chosen).items()}
        elif (unit := unit_of(spec, chosen)) not in ("", "1"):
            found[name] = unit
    return found


def unit_of(spec: Spec, chosen: Mapping[str, str]) -> str:
    """The unit of a figure or of the figures in a list; empty for words."""
    item = spec.item if isinstance(spec, Many | Grid) else spec
    if not isinstance(item, Amount):
        return ""
    return chosen.get(item.unit, "1") if item.unit.startswith("@") else item.unit


def _figures(record: Any, label: str = "") -> list[tuple[str, float]]:
    """Every number of a result with the label of its field."""
    if is_dataclass(record) and not isinstance(record, type):
        found: list[tuple[str, float]] = []
        for one in fields(record):
            if not isinstance(spec_of(one), Sentence):
                found += _figures(getattr(record, one.name), spec_of(one).label)
        return found
    if isinstance(record, tuple | list):
        return [pair for item in record for pair in _figures(item, label)]
    return [(label, float(record))] if isinstance(record, float | np.floating) else []
