"""What a page shows of an answer: the sentence first, then figures and tables in the person's units."""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from metrology.amounts.quantities import FEET_INCHES
from metrology.calculations.fields import Amount, Choice, Grid, Many, Sentence, Spec, Table, Text, specs
from metrology.calculations.running import unit_of, units_chosen
from metrology.calculations.said import Said, written
from proofmark.drawing.words import mark_of

from .units import answer_unit

NONE = "none"
MOST_ROWS = 60
MOST_FIGURES = 24


@dataclass(frozen=True)
class Figure:
    """One line of the answer. text: with its unit. mark: of a result word."""

    label: str
    text: str
    help: str = ""
    mark: str = ""
    wide: bool = False


@dataclass(frozen=True)
class Listing:
    """A table of the answer. heads and cells: (text, whether a number). left_out: how many rows are not shown."""

    label: str
    help: str
    heads: tuple[tuple[str, bool], ...]
    rows: tuple[tuple[tuple[str, bool], ...], ...]
    left_out: int = 0


@dataclass(frozen=True)
class Shown:
    sentence: str
    mark: str
    figures: tuple[Figure, ...]
    tables: tuple[Listing, ...]


class Writer:
    """Writes figures in the units of one answer."""

    def __init__(self, inputs: Any, chosen: Mapping[str, str], system: str) -> None:
        self.values = units_chosen(inputs)
        self.chosen, self.system = chosen, system

    def target(self, unit: str, kind: str = "") -> str:
        """A unit that was chosen for the figures by name is kept: the sentence and the answer speak alike."""
        if unit in self.values.values():
            return unit
        return answer_unit(unit, kind, self.chosen, self.system)

    def show(self, result: Any) -> Shown:
        figures: list[Figure] = []
        tables: list[Listing] = []
        for one, spec in zip(fields(result), specs(type(result)).values(), strict=True):
            value = getattr(result, one.name)
            if isinstance(spec, Table):
                tables.append(self._table(spec, value))
            elif isinstance(spec, Grid):
                tables.append(self._grid(spec, value))
            elif not isinstance(spec, Sentence) and not (isinstance(spec, Text) and value is None):
                figures.append(self._figure(spec, value))
        mark = next((figure.mark for figure in figures if figure.mark), "")
        return Shown(self.sentence(result.sentence), mark, tuple(figures), tuple(tables))

    def sentence(self, said: str) -> str:
        return said.in_units(self.target) if isinstance(said, Said) else said

    def _figure(self, spec: Spec, value: Any) -> Figure:
        if isinstance(spec, Many):
            shown = [self._cell(spec.item, item) for item in value[:MOST_FIGURES]]
            more = f" and {len(value) - MOST_FIGURES} more" if len(value) > MOST_FIGURES else ""
            unit = self._unit_said(spec)
            return Figure(spec.label, (", ".join(shown) + unit + more) if shown else NONE, spec.help, wide=True)
        text = self._text(spec, value)
        mark = mark_of(value) if isinstance(value, str) else ""
        return Figure(spec.label, text, spec.help, mark, wide=len(text) > 34)

    def _text(self, spec: Spec, value: Any) -> str:
        """One figure or word with its unit."""
        if value is None:
            return NONE
        if isinstance(value, bool):
            return "yes" if value else "no"
        if isinstance(spec, Amount):
            unit = unit_of(spec, self.values)
            target = spec.shown if spec.unit == "1" and spec.shown else self.target(unit, spec.kind)
            text = written(value, unit, target, spec.decimals, spec.kind)
            return _nearly(value, text, spec.decimals) if target == "%" and unit == "1" else text
        if isinstance(spec, Choice):
            return spec.options.get(value, value)
        return str(value)

    def _cell(self, spec: Spec, value: Any) -> str:
        """A figure without its unit, which stands in the head."""
        text = self._text(spec, value)
        unit = self._unit(spec)
        if value is None:
            return "\u2013"
        return text.removesuffix(unit).rstrip("\u00a0 ") if unit and isinstance(spec, Amount) else text

    def _unit(self, spec: Spec) -> str:
        item = spec.item if isinstance(spec, Many | Grid) else spec
        if not isinstance(item, Amount):
            return ""
        if item.unit == "1":
            return item.shown
        unit = self.target(unit_of(item, self.values), item.kind)
        return "" if unit in ("1", FEET_INCHES) else unit

    def _unit_said(self, spec: Spec) -> str:
        unit = self._unit(spec)
        return f"\u00a0{unit}" if unit else ""

    def _table(self, spec: Table, rows: tuple[Any, ...]) -> Listing:
        below = specs(spec.row)
        heads = []
        for part in below.values():
            unit = self._unit(part)
            numbers = not hasattr(part, "longest") and not hasattr(part, "options")
            heads.append((f"{part.label} ({unit})" if unit else part.label, numbers))
        cells = tuple(
            tuple(
                (self._row_cell(part, getattr(row, name)), head[1])
                for (name, part), head in zip(below.items(), heads, strict=True)
            )
            for row in rows[:MOST_ROWS]
        )
        return Listing(spec.label, spec.help, tuple(heads), cells, max(0, len(rows) - MOST_ROWS))

    def _row_cell(self, spec: Spec, value: Any) -> str:
        if isinstance(spec, Many):
            return ", ".join(self._cell(spec.item, item) for item in value)
        return self._cell(spec, value)

    def _grid(self, spec: Grid, rows: tuple[Any, ...]) -> Listing:
        unit = self._unit(spec)
        label = f"{spec.label} ({unit})" if unit else spec.label
        width = len(rows[0]) if rows else 0
        heads = tuple((str(number), True) for number in range(1, width + 1))
        cells = tuple(tuple((self._cell(spec.item, item), True) for item in row) for row in rows[:MOST_ROWS])
        return Listing(label, spec.help, heads, cells, max(0, len(rows) - MOST_ROWS))


def _nearly(share: float, text: str, decimals: int | None) -> str:
    """A share that is not quite all or nothing is never written as 100 % or 0 %."""
    figure = text.removesuffix("\u00a0%")
    least = f"{10.0 ** -max((decimals or 6) - 2, 0):.{max((decimals or 6) - 2, 0)}f}"
    if 0 < share < 1 and float(figure) >= 100:
        return f"more than {100 - float(least):.{len(least.partition('.')[2])}f}\u00a0%"
    if share > 0 and figure.strip("0.") == "":
        return f"less than {least}\u00a0%"
    return text
