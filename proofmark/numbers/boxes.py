"""What a page shows of the inputs of a calculation: every control with its text, unit, help and error."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from metrology.amounts.quantities import DIMENSIONS
from metrology.calculations.fields import Amount, Choice, Flag, Grid, Many, Spec, Table, Text, UnitChoice, Whole

Options = Sequence[tuple[str, str]]


@dataclass
class Box:
    """One control. kind: amount, whole, choice, unit, flag, text, many, grid or table. text: as typed; flags: "on".

    units: what may be chosen beside it, empty for none. optional: may be left empty.
    """

    name: str
    label: str
    help: str
    kind: str
    text: str = ""
    unit: str = ""
    units: Options = ()
    options: Options = ()
    optional: bool = False
    errors: list[str] = field(default_factory=list)

    @property
    def long(self) -> bool:
        """Over the whole width."""
        return self.kind in ("many", "grid", "table")

    @property
    def lines(self) -> int:
        return min(12, max(3, self.text.count("\n") + 2))


@dataclass
class Cells(Box):
    """A table: one Box a column, then rows of boxes. paste: what was pasted and could not be split."""

    columns: list[Box] = field(default_factory=list)
    rows: list[list[Box]] = field(default_factory=list)
    paste: str = ""
    pasted_only: bool = False


def kind_of(spec: Spec) -> str:
    match spec:
        case Amount():
            return "amount"
        case Whole():
            return "whole"
        case Choice():
            return "choice"
        case UnitChoice():
            return "unit"
        case Flag():
            return "flag"
        case Text():
            return "text"
        case Many():
            return "many"
        case Grid():
            return "grid"
        case Table():
            return "table"
    raise TypeError(type(spec).__name__)


def units_for(spec: Spec) -> Options:
    """What may be chosen beside a figure; nothing where there is only one unit."""
    item = spec.item if isinstance(spec, Many | Grid) else spec
    if not isinstance(item, Amount) or item.unit.startswith("@"):
        return ()
    if item.kind == "share" and not item.shown:
        return ()
    return [(unit.symbol, unit.name) for unit in DIMENSIONS[item.kind].units]


def units_by_kind() -> list[tuple[str, Options]]:
    """Every unit that measured values may be in, grouped."""
    groups: list[tuple[str, Options]] = [("plain numbers", [("1", "no unit")])]
    for group in DIMENSIONS.values():
        if group.name in ("share", "temperature difference"):
            continue
        groups.append((group.name, [(unit.symbol, unit.name) for unit in group.units if unit.symbol != "ft-in"]))
    groups.append(("share", [("%", "percent"), ("‰", "per mille"), ("ppm", "ppm")]))
    return groups
