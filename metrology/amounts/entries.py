"""What a person types for a figure: decimal comma, a unit behind the number, feet and inches, degrees and minutes."""

import re
from decimal import Decimal
from fractions import Fraction

from metrology.amounts.feet_inches import plain_text, read_feet_inches
from metrology.amounts.quantities import FEET_INCHES, convert, dimension, dimension_of
from metrology.errors import UnitError

_NUMBER = r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,2})?"
_PLAIN = re.compile(_NUMBER)
_WITH_UNIT = re.compile(rf"({_NUMBER})\s*([^\d\s.,+-].*)")
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
_GROUPS = re.compile(r"[\u00a0\u2007\u2009\u202f]")
_ANGLE = re.compile(r"([+-])?\s*(\d+)\s*°\s*(?:(\d+(?:[.,]\d+)?)\s*'\s*(?:(\d+(?:[.,]\d+)?)\s*\")?)?")
_FRACTION = re.compile(r"[+-]?\s*(?:\d+[ -]+)?\d+/\d+")
LONGEST = 60
WRITE_IT = "Write 0.35 or 0,35."


def read_number(text: str) -> Fraction:
    """A number with a decimal point or comma, exact. No-break and thin spaces between thousands are left out.

    1,500 is refused: it is one and a half to one reader and fifteen hundred to another. Raises UnitError:
    ambiguous-number, not-a-number.
    """
    shown = text.strip()[:40]
    plain = plain_text(_GROUPS.sub("", text))
    if _THOUSANDS.fullmatch(plain):
        point, none = plain.replace(",", "."), plain.replace(",", "")
        raise UnitError("ambiguous-number", f"“{shown}” may be {point} or {none}. Write one of these two.")
    if len(plain) > LONGEST or not _PLAIN.fullmatch(plain):
        if "," in plain and "." in plain:
            raise UnitError(
                "not-a-number", f"“{shown}” is not a number. Leave out the mark between thousands. {WRITE_IT}"
            )
        raise UnitError("not-a-number", f"“{shown}” is not a number. {WRITE_IT}")
    return Fraction(Decimal(plain.replace(",", ".")))


def read_amount(text: str, unit: str, target: str, kind: str | None = None) -> float:
    """A typed figure in the unit `target`.

    unit: what the person chose beside the field; it holds unless the text brings its own (12.5 mm, 5'-7 3/8",
    12°30'15"). kind: the dimension's name where `target` alone does not say it. Raises UnitError: not-a-number,
    ambiguous-number, ambiguous-length, not-a-length, not-an-angle, unknown-unit.
    """
    group = dimension(kind) if kind else dimension_of(target)
    plain = plain_text(_GROUPS.sub("", text))
    if _PLAIN.fullmatch(plain):
        figure = read_number(text)
        if unit == FEET_INCHES and figure:
            shown = text.strip()[:40]
            raise UnitError("ambiguous-length", f"“{shown}” may be feet or inches. Write {shown}' or {shown}\".")
        return convert(figure, unit, target, group.name)
    behind = _WITH_UNIT.fullmatch(plain)
    if behind and _is_unit(behind[2].strip(), group.name):
        return convert(read_number(behind[1]), behind[2].strip(), target, group.name)
    if group.name == "length":
        if unit in ("in", "ft") and _FRACTION.fullmatch(plain):
            plain += '"' if unit == "in" else "'"
        if re.search(r"['\"]|\d\s*(ft|feet|foot|in|inch|inches|ins)\b|/", plain, re.IGNORECASE) or unit == FEET_INCHES:
            return convert(read_feet_inches(plain), "in", target, group.name)
    if group.name == "angle" and "°" in plain:
        return convert(_degrees(plain, text), "°", target, group.name)
    if behind and group.name != "share" and not _PLAIN.match(behind[2]):
        known = ", ".join(one.symbol for one in group.units)
        raise UnitError(
            "unknown-unit", f"“{behind[2].strip()[:20]}” is not a unit of {group.name} known here: {known}."
        )
    return convert(read_number(text), unit, target, group.name)


def _is_unit(symbol: str, kind: str) -> bool:
    try:
        return dimension(kind).unit(symbol).symbol != FEET_INCHES
    except UnitError:
        return False


def _degrees(plain: str, text: str) -> Fraction:
    match = _ANGLE.fullmatch(plain)
    shown = text.strip()[:40]
    if not match:
        raise UnitError("not-an-angle", f"“{shown}” is not an angle. Write 12.504 or 12°30'15\".")
    minutes, seconds = (Fraction(Decimal((part or "0").replace(",", "."))) for part in (match[3], match[4]))
    if minutes >= 60 or seconds >= 60 or (match[4] and minutes.denominator != 1):
        raise UnitError("not-an-angle", f"“{shown}”: minutes and seconds stay below 60. Write 12°30'15\".")
    return (-1 if match[1] == "-" else 1) * (Fraction(match[2]) + minutes / 60 + seconds / 3600)


def decimal_commas(texts: str) -> str:
    """Pasted figures with their decimal commas made points, when the paste itself shows that its commas are decimal.

    0,5 and 12,34 and 1234,567 show it; 12,345 alone does not, and stays as it is (and is refused by read_number).
    """
    shows = re.search(r"(?<![\d,.])(?:0,\d+|\d+,(?:\d{1,2}|\d{4,})|\d{4,},\d+)(?![\d,.])", texts)
    return re.sub(r"(?<=\d),(?=\d)", ".", texts) if shows and "." not in texts else texts
