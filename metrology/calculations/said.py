"""Findings in words whose figures can be written in the units of whoever reads them."""

from collections.abc import Callable
from dataclasses import dataclass
from math import ceil, floor, log10

from metrology.amounts.feet_inches import write_length
from metrology.amounts.quantities import FEET_INCHES, convert, dimension, dimension_of
from metrology.wording import MINUS, NBSP, number, quantity

DIGITS = 6
# A thousandth of an inch is too coarse for a tenth of an inch that is known to 0.01 mm.
FINE_DECIMALS, SMALL_MM = 2, 2.54
_SUPERSCRIPTS = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


@dataclass(frozen=True)
class Quantity:
    """A figure in a sentence. kind: its dimension where the unit alone does not say it (a temperature difference)."""

    value: float
    unit: str
    decimals: int | None = 1
    kind: str = ""

    def __str__(self) -> str:
        return self.written(self.unit)

    def written(self, unit: str) -> str:
        """In another unit of the same kind, at least as fine."""
        return written(self.value, self.unit, unit, self.decimals, self.kind)


class Said(str):
    """A sentence in the units of the calculation, that can also be written in others."""

    parts: tuple[str | Quantity, ...]

    def __new__(cls, *parts: str | Quantity) -> "Said":
        made = super().__new__(cls, "".join(str(part) for part in parts))
        made.parts = parts
        return made

    def in_units(self, target: Callable[[str, str], str]) -> str:
        """target: from a unit and its dimension ("" where the unit alone says it) to the unit to write."""
        return "".join(
            part if isinstance(part, str) else part.written(target(part.unit, part.kind)) for part in self.parts
        )


def say(words: str, **figures: Quantity | Said | str | int) -> Said:
    """say("The joint is {gap} too wide.", gap=Quantity(1.2, "mm")). Several sentences: join them in one call."""
    parts: list[str | Quantity] = []
    for piece in words.split("{"):
        name, brace, rest = piece.partition("}")
        if not brace:
            parts.append(piece)
            continue
        figure = figures[name]
        if isinstance(figure, Said):
            parts += figure.parts
        else:
            parts.append(figure if isinstance(figure, Quantity) else str(figure))
        parts.append(rest)
    return Said(*parts)


def written(value: float, unit: str, target: str, decimals: int | None = None, kind: str = "") -> str:
    """A figure with its unit. decimals: in `unit`; another unit gets as many as are as fine. None: six digits."""
    if unit in ("", "1") and target in ("", "1"):
        return digits(value) if decimals is None else number(value, decimals)
    if target == FEET_INCHES:
        mm = convert(float(value), unit, "mm", "length")
        small = decimals is not None and decimals >= FINE_DECIMALS and abs(mm) < SMALL_MM
        return write_length(mm, 4 if small else 3)
    if target != unit:
        group = dimension(kind) if kind else dimension_of(unit)
        value = convert(float(value), unit, target, group.name)
        if decimals is not None:
            factor = float(group.unit(target).factor / group.unit(unit).factor)
            decimals = max(0, decimals + ceil(log10(factor) - 1e-9))
    if decimals is None:
        close = "" if target in ("°", "′", "″") else NBSP
        return digits(value) + (close + target if target not in ("", "1") else "")
    if target in ("°", "′", "″"):
        return number(value, decimals) + target
    return quantity(value, "" if target == "1" else target, decimals)


def digits(value: float, significant: int = DIGITS) -> str:
    """As many digits as tell something: 0.312, 1711.33, 2.5×10⁻⁷; whole numbers in full to a thousand million."""
    size = abs(value)
    if size == 0:
        return "0"
    power = floor(log10(size))
    if -5 < power < 9:
        text = f"{size:.{max(0, significant - 1 - power)}f}"
        text = text.rstrip("0").rstrip(".") if "." in text else text
    else:
        mantissa, exponent = f"{size:.{significant - 1}e}".split("e")
        text = mantissa.rstrip("0").rstrip(".") + "×10" + str(int(exponent)).translate(_SUPERSCRIPTS)
    return (MINUS if value < 0 else "") + text
