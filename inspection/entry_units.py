"""In which units measured values are typed and shown; they are kept in the unit of their characteristic."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from metrology.amounts.entries import read_amount, read_number
from metrology.amounts.feet_inches import write_length
from metrology.amounts.quantities import FEET_INCHES, convert
from metrology.errors import UnitError
from metrology.wording import MINUS, NBSP
from parts import units_in_use
from parts.limits import shown
from parts.models import Characteristic

LENGTHS: Mapping[str, str] = {
    "mm": "millimetres", "cm": "centimetres", "m": "metres", "in": "inches", "ft": "feet",
    FEET_INCHES: "feet and inches",
}  # fmt: skip
KEPT = Decimal("0.0001")  # of the characteristic's unit
LARGEST = 10**10
_GREAT_POWER = re.compile(r"[eE][+-]?\d{3,}")


@dataclass(frozen=True)
class EntryUnits:
    """length: one of LENGTHS. customary: masses in pounds; angles and shares stay as they are."""

    length: str = "mm"
    customary: bool = False

    def of(self, unit: str) -> str:
        """The unit to type a value of a characteristic in."""
        if unit == Characteristic.Unit.MM:
            return self.length
        return "lb" if unit == Characteristic.Unit.KG and self.customary else unit

    def read(self, text: str, unit: str) -> Decimal:
        """A typed value in the characteristic's unit, to 0.0001 of it. A unit behind the figure holds before ours.

        Raises UnitError with a sentence for the person.
        """
        return read_value(text, self.of(unit), unit)

    def shown(self, value: Decimal | None, unit: str) -> str:
        """A kept value with the unit it would be typed in; empty for none."""
        if value is None:
            return ""
        target = self.of(unit)
        if target == FEET_INCHES:
            return write_length(float(value))
        if target != unit:
            value = Decimal(repr(round(convert(float(value), unit, target), 4)))
        return shown(value) + ("" if unit == "1" else "°" if unit == "°" else f"{NBSP}{target}")

    def plain(self, value: Decimal, unit: str) -> str:
        """As `shown`, but as it is typed into a field that names the unit itself."""
        text = self.shown(value, unit)
        return text if self.of(unit) == FEET_INCHES else text.split(NBSP)[0].removesuffix("°").replace(MINUS, "-")


def read_value(text: str, typed_in: str, unit: str) -> Decimal:
    """A typed value in `unit`, to 0.0001 of it. typed_in: its unit when the text brings none. Raises UnitError."""
    if _GREAT_POWER.search(text):
        raise UnitError("not-a-number", f"“{text.strip()[:40]}” is not a number to measure. Write 0.35 or 0,35.")
    if unit == Characteristic.Unit.NONE:
        return kept(read_number(text), text)
    return kept(read_amount(text, typed_in, unit), text)


def kept(value: float | Fraction, text: str) -> Decimal:
    if abs(value) >= LARGEST:
        raise UnitError("too-large", f"“{text.strip()[:40]}” is too large. Check the figure and its unit.")
    return Decimal(repr(float(value))).quantize(KEPT)


def usual_units() -> EntryUnits:
    """The units in use by the person of this request."""
    used = units_in_use.current()
    return EntryUnits(used.unit_for("mm"), used.customary)
