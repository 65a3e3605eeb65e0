"""The inputs of a page: filled from the worked example or from what was sent, and turned into plain data."""

from collections.abc import Mapping
from typing import Any

from metrology.calculations.calculation import AnyCalculation
from metrology.calculations.fields import Amount, Choice, Grid, Many, Spec, Table, Whole, defaults, specs
from metrology.calculations.problems import Problem
from metrology.calculations.reading import read
from metrology.calculations.running import plain
from metrology.wording import listed

from . import pasting
from .boxes import Box, Cells, kind_of, units_for
from .units import first_unit, typed

MOST_CELL_ROWS = 40
MORE_ROWS = 3
SENT = "calculate"


class Sheet:
    """The boxes of one calculation. `plain` is what they say, as the reader of inputs takes it."""

    def __init__(self, calculation: AnyCalculation, system: str) -> None:
        self.calculation = calculation
        self.system = system
        self.boxes: list[Box] = []
        self.plain: dict[str, Any] = {}
        self.whole: list[str] = []  # problems of the inputs as a whole
        self.of_a_record = False
        self.missing: list[str] = []  # labels of boxes that a record left empty
        self._rows: dict[str, list[int]] = {}  # of tables: which shown row each given row is
        self._failed = False

    @classmethod
    def of_example(cls, calculation: AnyCalculation, system: str) -> "Sheet":
        sheet = cls(calculation, system)
        optional = defaults(calculation.inputs)
        for name, spec in specs(calculation.inputs).items():
            value = getattr(calculation.example, name)
            box = _box(name, spec, optional.get(name, ...), system)
            _fill(box, spec, value)
            sheet.boxes.append(box)
        sheet._read()
        return sheet

    @classmethod
    def of_record(cls, calculation: AnyCalculation, given: Mapping[str, Any], system: str) -> "Sheet":
        """given: some of the inputs, as the shell takes them. What is not given stands at its default; where it has
        none the box is left empty, and `missing` names it. Raises Refused for figures that cannot be read.
        """
        sheet = cls(calculation, system)
        sheet.of_a_record = True
        optional = defaults(calculation.inputs)
        # Boxes that stay empty are read from the worked example, only so that the rest can be read.
        needed = {name: value for name, value in plain(calculation.example).items() if name not in optional}
        inputs = read(calculation.inputs, needed | dict(given))
        for name, spec in specs(calculation.inputs).items():
            box = _box(name, spec, optional.get(name, ...), system)
            if name in given or name in optional:
                _fill(box, spec, getattr(inputs, name))
            else:
                sheet.missing.append(box.label)
                if isinstance(box, Cells):
                    _finish(box)
            sheet.boxes.append(box)
        sheet._read()
        sheet._failed = sheet._failed or bool(sheet.missing)
        return sheet

    @classmethod
    def of_sent(cls, calculation: AnyCalculation, data: Mapping[str, str], system: str, more: str = "") -> "Sheet":
        """data: names of controls → texts. more: the table that three empty rows are added to."""
        sheet = cls(calculation, system)
        optional = defaults(calculation.inputs)
        for name, spec in specs(calculation.inputs).items():
            box = _box(name, spec, optional.get(name, ...), system)
            if isinstance(box, Cells) and isinstance(spec, Table):
                _take_table(box, spec, data, more == name, system)
            else:
                _take(box, data)
            sheet.boxes.append(box)
        sheet._read()
        return sheet

    @property
    def good(self) -> bool:
        return not self._failed

    @property
    def chosen(self) -> dict[str, str]:
        """Kind of quantity → the unit that was chosen for the first field of that kind."""
        found: dict[str, str] = {}
        for box, spec in zip(self.boxes, specs(self.calculation.inputs).values(), strict=True):
            columns = (
                zip(box.columns, specs(spec.row).values(), strict=True) if isinstance(spec, Table) else [(box, spec)]
            )
            for column, below in columns:
                item = below.item if isinstance(below, Many | Grid) else below
                if isinstance(item, Amount) and column.unit and not item.unit.startswith("@"):
                    found.setdefault(item.kind, column.unit)
        return found

    def errors(self) -> list[tuple[str, str, str]]:
        """(id, label, sentence) of every problem, in the order of the page."""
        found = []
        for box in self.boxes:
            found += [(f"f-{box.name}", box.label, error) for error in box.errors]
            for i, row in enumerate(getattr(box, "rows", []), start=1):
                found += [(f"f-{c.name}", f"{box.label}, row {i}, {c.label}", error) for c in row for error in c.errors]
        return found

    def place(self, problems: tuple[Problem, ...]) -> None:
        """Put each problem beside the box its path names."""
        self._failed = True
        for problem in problems:
            steps = problem.path.strip("/").split("/")
            box = next((one for one in self.boxes if one.name == steps[0]), None)
            if box is None:
                self.whole.append(problem.sentence)
            elif isinstance(box, Cells) and len(steps) > 1:
                self._place_in_row(box, steps, problem.sentence)
            else:
                _say(box, steps[1:], problem.sentence)

    def lacks(self, problems: tuple[Problem, ...]) -> None:
        """A record that does not hold enough made no mistake: its page asks for the rest, and shows no error."""
        self._failed = True
        labels = {box.name: box.label for box in self.boxes}
        names = [problem.path.strip("/").split("/")[0] for problem in problems]
        self.missing += [labels[name] for name in names if name in labels]

    def _place_in_row(self, box: Cells, steps: list[str], sentence: str) -> None:
        index = self._rows.get(box.name, [])[int(steps[1])]
        column = steps[2] if len(steps) > 2 else ""
        cell = (
            next((one for one in box.rows[index] if one.name.endswith(f"-{column}")), None)
            if not box.pasted_only
            else None
        )
        if cell is not None and column:
            _say(cell, steps[3:], sentence)
        else:
            label = next((one.label for one in box.columns if one.name.endswith(f"-{column}")), "")
            box.errors.append(f"Row {index + 1}{', ' + label if label and column else ''}: {sentence}")

    def _read(self) -> None:
        for box, spec in zip(self.boxes, specs(self.calculation.inputs).values(), strict=True):
            if isinstance(box, Cells) and isinstance(spec, Table):
                if box.errors:
                    self._failed = True
                    continue
                self._read_table(box, spec)
            else:
                value = _plain(box)
                if value is not None:
                    self.plain[box.name] = value

    def _read_table(self, box: Cells, spec: Table) -> None:
        given, places = [], []
        for index, row in enumerate(box.rows):
            if _typed(row):
                record = {cell.name.rpartition("-")[2]: _plain(cell) for cell in row}
                given.append({name: value for name, value in record.items() if value is not None})
                places.append(index)
        self._rows[box.name] = places
        if given or not box.optional:
            self.plain[box.name] = given


def _box(name: str, spec: Spec, default: Any, system: str) -> Box:
    """default: of the field, ... when it has none."""
    unit = ""
    item = spec.item if isinstance(spec, Many | Grid) else spec
    units = units_for(spec)
    if units and isinstance(item, Amount):
        unit = first_unit(item.unit, item.shown, item.kind, system)
    more = {
        "name": name,
        "label": spec.label,
        "help": spec.help,
        "kind": kind_of(spec),
        "unit": unit,
        "units": units,
        "options": list(spec.options.items()) if isinstance(spec, Choice) else (),
        "optional": default in (None, "", ()),
    }
    if isinstance(spec, Table):
        optional_here = defaults(spec.row)
        columns = [
            _box(f"{name}-{key}", below, optional_here.get(key, ...), system) for key, below in specs(spec.row).items()
        ]
        return Cells(**more, columns=columns)
    return Box(**more)


def _fill(box: Box, spec: Spec, value: Any) -> None:
    """Write a value of the worked example into its box."""
    if isinstance(box, Cells) and isinstance(spec, Table):
        below = list(specs(spec.row).items())
        for index, record in enumerate(value):
            row = _empty_row(box, index)
            for cell, (name, part) in zip(row, below, strict=True):
                _fill(cell, part, getattr(record, name))
            box.rows.append(row)
        _finish(box)
    elif value is None:
        box.text = ""
    elif isinstance(spec, Amount):
        box.text = _written(value, spec, box.unit)
    elif isinstance(spec, Many):
        # In a cell on one line; feet and inches hold blanks, so semicolons stand between.
        between = "; " if box.name.count("-") else "\n" if box.unit == "ft-in" else "  "
        box.text = between.join(_written(item, spec.item, box.unit) for item in value)
    elif isinstance(spec, Grid):
        box.text = "\n".join("\t".join(_written(item, spec.item, box.unit) for item in row) for row in value)
    elif isinstance(value, bool):
        box.text = "on" if value else ""
    else:
        box.text = str(value)


def _written(value: Any, item: Amount | Whole, unit: str) -> str:
    if isinstance(item, Whole):
        return str(value)
    return typed(value, item.unit, unit or item.unit, item.kind)


def _take(box: Box, data: Mapping[str, str]) -> None:
    """What was sent for one box."""
    box.text = data.get(box.name, "")
    if box.units:
        asked = data.get(f"{box.name}.unit", "")
        box.unit = asked if asked in {symbol for symbol, _ in box.units} else box.unit


def _take_table(box: Cells, spec: Table, data: Mapping[str, str], more: bool, system: str) -> None:
    for column in box.columns:
        _take(column, data)
        column.text = ""
    pasted = data.get(f"{box.name}.paste", "")
    if pasted.strip():
        _take_paste(box, pasted)
    else:
        for index in range(_count(data.get(f"{box.name}.rows", ""), spec.most)):
            row = _empty_row(box, index)
            for cell in row:
                cell.text = data.get(cell.name, "")
            box.rows.append(row)
        while box.rows and not _typed(box.rows[-1]):
            box.rows.pop()
    _finish(box, MORE_ROWS if more else 0)


def _take_paste(box: Cells, pasted: str) -> None:
    try:
        rows = pasting.table(pasted, len(box.columns))
    except ValueError as error:
        box.errors.append(str(error))
        box.paste = pasted
        return
    for index, texts in enumerate(pasting.without_heads(rows, [column.label for column in box.columns])):
        row = _empty_row(box, index)
        for cell, text in zip(row, texts, strict=True):
            cell.text = _option(cell, text) if cell.kind == "choice" else text
        box.rows.append(row)


def _option(cell: Box, text: str) -> str:
    """The stored word of a choice, which may be pasted as the page shows it."""
    return next((key for key, label in cell.options if label.lower() == text.lower()), text)


def _empty_row(box: Cells, index: int) -> list[Box]:
    return [
        Box(
            name=f"{box.name}-{index}-{column.name.rpartition('-')[2]}",
            label=column.label,
            help="",
            kind=column.kind,
            unit=column.unit,
            units=column.units,
            options=column.options,
            optional=column.optional,
        )
        for column in box.columns
    ]


def _finish(box: Cells, more: int = 0) -> None:
    """One empty row at the end to type into, or `more`; long tables are shown as text only."""
    if len(box.rows) > MOST_CELL_ROWS:
        box.pasted_only = True
        box.paste = "\n".join("\t".join(cell.text for cell in row) for row in box.rows)
        return
    for _ in range(max(1, more)):
        box.rows.append(_empty_row(box, len(box.rows)))


def _plain(box: Box) -> Any:
    """What the reader of inputs takes; None for a field that is left empty."""
    text = box.text.strip()
    match box.kind:
        case "flag":
            return box.text == "on"
        case "many":
            items = pasting.figures(text)
            return [_with_unit(item, box.unit) for item in items] if items or not box.optional else None
        case "grid":
            rows = pasting.matrix(text)
            return [[_with_unit(item, box.unit) for item in row] for row in rows] if rows or not box.optional else None
        case "amount":
            return _with_unit(text, box.unit) if text else None
        case "text":
            return box.text if text or not box.optional else None
    return text or None


def _with_unit(text: str, unit: str) -> Any:
    return {"value": text, "unit": unit} if unit else text


def _say(box: Box, rest: list[str], sentence: str) -> None:
    """An error beside a box; in a list with the place of the figure. After three, the rest is counted."""
    place = f"Figure {listed([str(int(step) + 1) for step in rest])}: " if rest and all(map(str.isdigit, rest)) else ""
    if len(rest) == 2 and place:
        place = f"Row {int(rest[0]) + 1}, figure {int(rest[1]) + 1}: "
    if len(box.errors) < 3:
        box.errors.append(place + sentence)
    elif len(box.errors) == 3:
        box.errors.append("There are more like these.")


def _typed(row: list[Box]) -> bool:
    """Whether anything was typed into a row; its choices always say something."""
    return any(cell.text.strip() for cell in row if cell.kind not in ("flag", "choice"))


def _count(text: str, most: int) -> int:
    return min(int(text), most) if text.isdigit() and len(text) < 6 else 0
