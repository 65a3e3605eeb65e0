"""Fields of the two dataclasses of a calculation: what each figure is called, its unit, its bounds.

Each helper gives a dataclass field with its `Spec` as metadata. Order is the order on the page. The value that the
calculation gets is always in the unit named here, whatever the person chose. In results only label, unit, decimals and
help matter.
"""

from collections.abc import Mapping
from dataclasses import MISSING, Field, dataclass, field, fields
from typing import Any

from metrology.amounts.quantities import dimension, dimension_of

_KEY = "spec"


@dataclass(frozen=True)
class Spec:
    """label: in sentence case, as on the page. help: one short sentence, or empty."""

    label: str
    help: str = ""


@dataclass(frozen=True)
class Amount(Spec):
    """A figure with a unit.

    unit: the unit the calculation works in; "@unit" takes it from the text field of that name. kind: its dimension,
    "" behind an @. shown: the unit first offered on the page. lowest, highest: allowed; above, below: not reached
    themselves. decimals: how a result is written; None: six digits.
    """

    unit: str = "1"
    kind: str = "share"
    shown: str = ""
    lowest: float | None = None
    highest: float | None = None
    above: float | None = None
    below: float | None = None
    decimals: int | None = None


@dataclass(frozen=True)
class Whole(Spec):
    """A whole number."""

    lowest: int | None = None
    highest: int | None = None


@dataclass(frozen=True)
class Choice(Spec):
    """One of a few words. options: stored word → what the page says."""

    options: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class UnitChoice(Spec):
    """The unit of all figures whose unit is "@" and this field's name: any unit known, or 1."""


@dataclass(frozen=True)
class Flag(Spec):
    """Yes or no."""


@dataclass(frozen=True)
class Text(Spec):
    """A few words."""

    longest: int = 80


@dataclass(frozen=True)
class Many(Spec):
    """A list of figures of one kind, of least to most items; least is 0 for a list that may be empty."""

    item: Amount | Whole = Amount("")
    least: int = 1
    most: int = 100_000


@dataclass(frozen=True)
class Grid(Spec):
    """Rows of figures of one kind, all equally long: a matrix."""

    item: Amount | Whole = Amount("")
    least: int = 1
    most: int = 1000


@dataclass(frozen=True)
class Table(Spec):
    """Rows of a frozen dataclass, whose fields are written with these helpers too."""

    row: type = object
    least: int = 1
    most: int = 2000


@dataclass(frozen=True)
class Sentence(Spec):
    """The finding in words; the first field of every result."""


def spec_of(one: "Field[Any]") -> Spec:
    spec = one.metadata[_KEY]
    assert isinstance(spec, Spec)
    return spec


def specs(kind: type) -> dict[str, Spec]:
    """The specs of a dataclass by field name, in order."""
    return {one.name: spec_of(one) for one in fields(kind)}


def defaults(kind: type) -> dict[str, Any]:
    """The fields that may be left out, with what they then are."""
    return {one.name: one.default for one in fields(kind) if one.default is not MISSING}


def _field(spec: Spec, default: Any) -> Any:
    return field(metadata={_KEY: spec}, **({} if default is MISSING else {"default": default}))


def amount(label: str, unit: str = "1", *, kind: str = "", default: Any = MISSING, **more: Any) -> Any:
    """A float in `unit`. more: help, shown, lowest, highest, above, below, decimals. default=None: may be left out."""
    return _field(_amount(label, unit, kind, **more), default)


def share(
    label: str, *, default: Any = MISSING, lowest: float | None = 0.0, highest: float | None = 1.0, **more: Any
) -> Any:
    """A float from 0 to 1, shown as percent."""
    more.setdefault("shown", "%")
    if "above" in more:
        lowest = None
    if "below" in more:
        highest = None
    return _field(Amount(label, lowest=lowest, highest=highest, **more), default)


def whole(label: str, *, default: Any = MISSING, **more: Any) -> Any:
    """An int. more: help, lowest, highest."""
    return _field(Whole(label, **more), default)


def choice(label: str, options: Mapping[str, str], *, default: Any = MISSING, help: str = "") -> Any:
    """A str, one of the keys of `options`."""
    return _field(Choice(label, help, options), default)


def unit_choice(label: str = "Unit of the values", *, default: Any = "mm", help: str = "") -> Any:
    """A str: the unit of every field whose unit is "@" and this field's name."""
    return _field(UnitChoice(label, help), default)


def flag(label: str, *, default: bool = False, help: str = "") -> Any:
    """A bool."""
    return _field(Flag(label, help), default)


def text(label: str, *, default: Any = MISSING, help: str = "", longest: int = 80) -> Any:
    """A str."""
    return _field(Text(label, help, longest), default)


def amounts(
    label: str,
    unit: str = "1",
    *,
    kind: str = "",
    default: Any = MISSING,
    least: int = 1,
    most: int = 100_000,
    help: str = "",
    **more: Any,
) -> Any:
    """A tuple of floats. more: as amount."""
    return _field(Many(label, help, _amount(label, unit, kind, **more), least, most), default)


def wholes(
    label: str, *, default: Any = MISSING, least: int = 1, most: int = 100_000, help: str = "", **more: Any
) -> Any:
    """A tuple of ints. more: lowest, highest."""
    return _field(Many(label, help, Whole(label, **more), least, most), default)


def grid(
    label: str,
    unit: str = "1",
    *,
    kind: str = "",
    default: Any = MISSING,
    least: int = 1,
    most: int = 1000,
    help: str = "",
    **more: Any,
) -> Any:
    """A tuple of equally long tuples of floats. more: as amount."""
    return _field(Grid(label, help, _amount(label, unit, kind, **more), least, most), default)


def table(label: str, row: type, *, default: Any = MISSING, least: int = 1, most: int = 2000, help: str = "") -> Any:
    """A tuple of `row`, a frozen dataclass of these fields."""
    return _field(Table(label, help, row, least, most), default)


def sentence() -> Any:
    """The finding in words, first in every result: a str, or a `Said` that can be written in other units."""
    return _field(Sentence("Finding"), MISSING)


def _amount(label: str, unit: str, kind: str, **more: Any) -> Amount:
    if unit.startswith("@"):
        kind = ""
    elif kind:
        unit = dimension(kind).unit(unit).symbol
    else:
        group = dimension_of(unit)
        kind, unit = group.name, group.unit(unit).symbol
    return Amount(label, unit=unit, kind=kind, **more)
