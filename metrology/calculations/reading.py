"""From plain data, as JSON or a form brings it, to the inputs of a calculation; every problem at its place."""

from collections.abc import Mapping
from difflib import get_close_matches
from math import isfinite
from typing import Any, TypeVar

from metrology.amounts.entries import read_amount, read_number
from metrology.amounts.quantities import ALIASES, convert, dimension, dimension_of
from metrology.calculations.fields import (
    Amount,
    Choice,
    Flag,
    Grid,
    Many,
    Spec,
    Table,
    Text,
    UnitChoice,
    Whole,
    defaults,
    specs,
)
from metrology.calculations.problems import Problem, Refused
from metrology.errors import UnitError
from metrology.wording import count, number

Inputs = TypeVar("Inputs")
LARGEST = 1e15
_NOTHING = object()


class _Wrong(Exception):
    """Raised inside with one problem; caught where the next field begins."""

    def __init__(self, sentence: str) -> None:
        super().__init__(sentence)
        self.sentence = sentence


def read(kind: type[Inputs], data: Any) -> Inputs:
    """The inputs dataclass from a mapping of its fields.

    A figure is a number in the field's unit, a text as a person types it, or {"value": 5.5, "unit": "in"}. Raises
    Refused (bad-inputs) with all problems at once: unknown, missing, not a number, out of bounds.
    """
    reader = _Reader()
    inputs = reader.record(kind, data, "", {})
    if reader.problems:
        raise Refused("bad-inputs", tuple(reader.problems))
    return inputs


class _Reader:
    def __init__(self) -> None:
        self.problems: list[Problem] = []

    def record(self, kind: type[Inputs], data: Any, path: str, units: Mapping[str, str]) -> Inputs:
        """One dataclass. units: of the fields "@name", as the record around it has read them."""
        if not isinstance(data, Mapping):
            self.problems.append(Problem(path, f"Give an object with the fields {', '.join(specs(kind))}."))
            return None  # type: ignore[return-value]
        known, optional = specs(kind), defaults(kind)
        for name in data:
            if name not in known:
                self.problems.append(Problem(f"{path}/{name}", _unknown(str(name), list(known))))
        # The units of the values first: other fields are read in them.
        first = sorted(known, key=lambda name: not isinstance(known[name], UnitChoice))
        found: dict[str, Any] = {}
        units = dict(units)
        for name in first:
            given = data.get(name, _NOTHING)
            if given is _NOTHING and name in optional:
                found[name] = optional[name]
            elif given is _NOTHING:
                self.problems.append(Problem(f"{path}/{name}", f"Missing. Give {_wanted(known[name])}."))
            elif given is None and name in optional and optional[name] is None:
                found[name] = None
            else:
                found[name] = self.value(known[name], given, f"{path}/{name}", units)
            if isinstance(known[name], UnitChoice):
                units[f"@{name}"] = found.get(name) or "1"
        if found.keys() != known.keys():
            return None  # type: ignore[return-value]  # a problem is noted: nobody will see this
        return kind(**found)

    def value(self, spec: Spec, given: Any, path: str, units: Mapping[str, str]) -> Any:
        match spec:
            case Table():
                rows = self.items(given, spec.least, spec.most, path, "row")
                return tuple(self.record(spec.row, row, f"{path}/{i}", units) for i, row in enumerate(rows))
            case Many():
                items = self.items(given, spec.least, spec.most, path, "figure")
                return tuple(self.value(spec.item, item, f"{path}/{i}", units) for i, item in enumerate(items))
            case Grid():
                return self.grid(spec, given, path, units)
        try:
            return _single(spec, given, units)
        except _Wrong as wrong:
            self.problems.append(Problem(path, wrong.sentence))
            return None

    def items(self, given: Any, least: int, most: int, path: str, what: str) -> list[Any]:
        if not isinstance(given, list | tuple):
            self.problems.append(Problem(path, f"Give a list of {what}s."))
            return []
        if len(given) < least:
            have = f"there {'is' if len(given) == 1 else 'are'} {len(given)}"
            self.problems.append(Problem(path, f"At least {count(least, what)} needed; {have}."))
        elif len(given) > most:
            self.problems.append(Problem(path, f"At most {count(most, what)}; there are {len(given)}."))
            return []
        return list(given)

    def grid(self, spec: Grid, given: Any, path: str, units: Mapping[str, str]) -> tuple[tuple[Any, ...], ...]:
        rows = [
            self.items(row, 1, spec.most, f"{path}/{i}", "figure")
            for i, row in enumerate(self.items(given, spec.least, spec.most, path, "row"))
        ]
        if rows and any(len(row) != len(rows[0]) for row in rows):
            odd = next(i for i, row in enumerate(rows) if len(row) != len(rows[0]))
            sentence = (
                f"Row {odd + 1} has {count(len(rows[odd]), 'figure')} where row 1 has {len(rows[0])}. Make them equal."
            )
            self.problems.append(Problem(path, sentence))
            return ()
        return tuple(
            tuple(self.value(spec.item, item, f"{path}/{i}/{j}", units) for j, item in enumerate(row))
            for i, row in enumerate(rows)
        )


def _single(spec: Spec, given: Any, units: Mapping[str, str]) -> Any:
    match spec:
        case Amount():
            return _amount(spec, given, units)
        case Whole():
            return _whole(spec, given)
        case Flag():
            if not isinstance(given, bool):
                raise _Wrong("Give true or false.")
            return given
        case Choice():
            if isinstance(given, int | float) and not isinstance(given, bool):
                given = f"{given:g}"  # 2.5 for “2.5”
            if isinstance(given, str) and given in spec.options:
                return given
            raise _Wrong(f"“{_shown(given)}” is not a choice here.{_near(str(given), list(spec.options))}")
        case UnitChoice():
            return _unit(given)
        case Text():
            if isinstance(given, int | float) and not isinstance(given, bool):
                given = f"{given:g}"  # part 3, as often as “3”
            if not isinstance(given, str):
                raise _Wrong("Give words between quotation marks.")
            if len(given) > spec.longest:
                raise _Wrong(f"Too long: at most {spec.longest} characters.")
            return given.strip()
    raise TypeError(f"No way to read {type(spec).__name__}")


def _amount(spec: Amount, given: Any, units: Mapping[str, str]) -> float:
    target = units.get(spec.unit, "1") if spec.unit.startswith("@") else spec.unit
    kind = spec.kind or ("share" if target == "1" else dimension_of(target).name)
    unit = target
    if isinstance(given, Mapping):
        strange = sorted(set(map(str, given)) - {"value", "unit"})
        if strange or "value" not in given:
            raise _Wrong(f'Give {{"value": …, "unit": "{target}"}} and nothing else.')
        unit, given = given.get("unit", target), given["value"]
        if not isinstance(unit, str):
            raise _Wrong(f'Give the unit as a word, such as "{target}".')
    try:
        unit = dimension(kind).unit(unit).symbol
        if isinstance(given, str):
            figure = read_amount(given, unit, target, kind)
        elif isinstance(given, int | float) and not isinstance(given, bool):
            if not isfinite(given) or abs(given) > LARGEST:
                raise _Wrong("Not a number that can be measured. Enter it again.")
            if unit == "ft-in":
                raise _Wrong(f'{given} may be feet or inches. Write it as words, such as "5\'-7 3/8\\"".')
            figure = convert(float(given), unit, target, kind)
        else:
            raise _Wrong(f"“{_shown(given)}” is not a number. Write 0.35.")
    except UnitError as error:
        raise _Wrong(error.sentence) from None
    if abs(figure) > LARGEST:
        raise _Wrong("Not a number that can be measured. Enter it again.")
    return _bounded(figure, spec, target)


def _bounded(figure: float, spec: Amount, unit: str) -> float:
    def said(limit: float) -> str:
        if unit == "1" and spec.shown == "%":
            return f"{number(limit, _places(limit))} ({number(100 * limit, _places(100 * limit))}\u00a0%)"
        return number(limit, _places(limit)) + (f"\u00a0{unit}" if unit != "1" else "")

    if spec.lowest is not None and figure < spec.lowest:
        raise _Wrong(f"Too low: give {said(spec.lowest)} or more.")
    if spec.above is not None and figure <= spec.above:
        raise _Wrong(f"Too low: give more than {said(spec.above)}.")
    if spec.highest is not None and figure > spec.highest:
        raise _Wrong(f"Too high: give {said(spec.highest)} or less.")
    if spec.below is not None and figure >= spec.below:
        raise _Wrong(f"Too high: give less than {said(spec.below)}.")
    return figure


def _places(limit: float) -> int:
    text = repr(round(limit, 10))
    return 0 if text.endswith(".0") or "." not in text else len(text.partition(".")[2])


def _whole(spec: Whole, given: Any) -> int:
    if isinstance(given, str):
        try:
            figure = read_number(given)
        except UnitError as error:
            raise _Wrong(error.sentence.replace("Write 0.35 or 0,35.", "Write a whole number.")) from None
        if figure.denominator != 1:
            raise _Wrong(f"“{given.strip()[:40]}” is not a whole number. Leave the decimals out.")
        whole = int(figure)
    elif isinstance(given, int | float) and not isinstance(given, bool) and isfinite(given) and given == int(given):
        whole = int(given)
    else:
        raise _Wrong(f"“{_shown(given)}” is not a whole number.")
    if spec.lowest is not None and whole < spec.lowest:
        raise _Wrong(f"Too low: give {spec.lowest} or more.")
    if spec.highest is not None and whole > spec.highest:
        raise _Wrong(f"Too high: give {spec.highest} or less.")
    return whole


def _unit(given: Any) -> str:
    if given in ("", "1"):
        return "1"
    try:
        group = dimension_of(given if isinstance(given, str) else _shown(given))
    except UnitError as error:
        raise _Wrong(error.sentence) from None
    symbol = group.unit(ALIASES.get(given, given)).symbol
    return "in" if symbol == "ft-in" else symbol


def _wanted(spec: Spec) -> str:
    match spec:
        case Amount() | Whole():
            return f"“{spec.label}” as a number"
        case Many() | Grid() | Table():
            return f"“{spec.label}” as a list"
        case _:
            return f"“{spec.label}”"


def _unknown(name: str, known: list[str]) -> str:
    near = get_close_matches(name, known, n=1, cutoff=0.5)
    if near:
        return f"There is no field “{name[:40]}” here. Did you mean “{near[0]}”?"
    return f"There is no field “{name[:40]}” here. The fields are {', '.join(known)}."


def _near(given: str, known: list[str]) -> str:
    near = get_close_matches(given, known, n=1, cutoff=0.5)
    return f" Did you mean “{near[0]}”?" if near else f" Choose one of {', '.join(known)}."


def _shown(given: Any) -> str:
    """What was given, in a message: short, and in the words of JSON."""
    if given is None or isinstance(given, bool):
        return {None: "null", True: "true", False: "false"}[given]
    return str(given)[:40] if isinstance(given, int | float | str) else type(given).__name__
