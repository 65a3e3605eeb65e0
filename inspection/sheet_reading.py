"""Reading single cells of a sheet: a value in the unit of its characteristic, a moment."""

import re
from collections.abc import Callable
from datetime import date, datetime, time, tzinfo

from metrology.amounts.quantities import FEET_INCHES, convert
from metrology.errors import UnitError

from .entry_units import LARGEST, EntryUnits, read_value

STEPS = 10_000  # kept values are whole ten-thousandths of their unit
_PLAIN = re.compile(r"[+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d{1,2})?")
_DAY_FIRST = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})(?:[ T]+(\d{1,2}):(\d{2})(?::\d{2})?)?")
_BOTH_MARKS = re.compile(r"\d\.\d{3}(?:\D|$)")
LAST_MINUTE = time(23, 59)


def value_reader(units: EntryUnits, unit: str, given: str, decimal: str) -> Callable[[object], int]:
    """How a cell becomes a value of a characteristic in steps of 1/STEPS of its unit.

    unit: of the characteristic. given: the unit that the sheet names for it, empty for the one it is typed in. decimal:
    "point" or "comma". The reader raises UnitError; so does this for a unit of another kind.
    """
    target = given or units.of(unit)
    factor = None if target == FEET_INCHES else convert(1.0, target, unit)
    comma = decimal == "comma"

    def read(cell: object) -> int:
        kind = type(cell)
        if kind is float or kind is int:
            if factor is None:
                raise UnitError("ambiguous-length", f"{cell} may be feet or inches. Choose the unit of its column.")
            return _steps(cell * factor, cell)
        if kind is not str:
            what = "a day or a time" if isinstance(cell, date | time) else f"“{cell}”"
            raise UnitError("not-a-number", f"It holds {what}, not a number. Format the cell as a number.")
        text = cell.strip().replace("\u2212", "-")
        if comma:
            if _BOTH_MARKS.search(text):
                raise UnitError(
                    "not-a-number", f"“{text[:40]}” has a point where decimals follow a comma. Write it without."
                )
            text = text.replace(",", ".")
        if factor is not None and _PLAIN.fullmatch(text):
            return _steps(float(text) * factor, text)
        return int(read_value(text, target, unit) * STEPS)

    return read


def _steps(value: float, written: object) -> int:
    if not -LARGEST < value < LARGEST:
        raise UnitError("too-large", f"“{str(written)[:40]}” is no value. Check the figure and its unit.")
    return round(value * STEPS)


def moment_of(cell: object, zone: tzinfo, now: datetime) -> datetime:
    """The moment that a cell names; a day alone means its last minute, or now when that is yet to come.

    Raises UnitError (not-a-moment).
    """
    if isinstance(cell, str):
        cell = _parsed(cell.strip())
    if isinstance(cell, datetime):
        if cell.tzinfo is None:
            cell = cell.replace(tzinfo=zone)
        if cell.time() != time(0):
            return cell
        cell = cell.date()
    if not isinstance(cell, date):
        raise UnitError("not-a-moment", f"“{str(cell)[:40]}” is no day. Write 2026-05-14 or 2026-05-14 12:30.")
    return min(datetime.combine(cell, LAST_MINUTE, zone), max(now, datetime.combine(cell, time(0), zone)))


def _parsed(text: str) -> datetime | str:
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        pass
    if match := _DAY_FIRST.fullmatch(text):
        day, month, year, hour, minute = (int(part or 0) for part in match.groups())
        try:
            return datetime(year, month, day, hour, minute)
        except ValueError:
            pass
    return text
