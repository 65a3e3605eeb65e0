"""Lengths in feet, inches and fractions: 5'-7 3/8", as they are written on drawings and tapes."""

import re
import unicodedata
from decimal import Decimal
from fractions import Fraction

from metrology.errors import UnitError
from metrology.wording import MINUS

MM_PER_INCH = Fraction("25.4")
FINEST = 64

_FEET = re.compile(r"(?:'|(?<=[\d.,\s])(?:feet|foot|ft)(?![a-z])\.?)", re.IGNORECASE)
_INCHES = re.compile(r'(?:"|(?<=[\d.,\s])(?:inches|inch|ins|in)(?![a-z])\.?)', re.IGNORECASE)
_NUMBER = r"\d+(?:[.,]\d+)?|[.,]\d+"
_PART = rf"(?:(?P<{{0}}whole>{_NUMBER})(?:(?:\s+|-)(?P<{{0}}frac>\d+/\d+))?|(?P<{{0}}only>\d+/\d+))"
_LENGTH = re.compile(
    r"(?P<sign>[-+])?\s*(?:"
    + _PART.format("f")
    + r"\s*')?\s*(?P<gap>-)?\s*(?:"
    + _PART.format("i")
    + r'\s*(?P<mark>")?)?'
)
_WRITE = 'Write 5\'-7 3/8", 5 ft 7 3/8 in, 67.375 in or 67 3/8".'


def plain_text(text: str) -> str:
    """One notation for all: plain primes, plain fractions, plain minus, single spaces. '' is read as an inch mark."""
    spread = "".join(
        f" {unicodedata.normalize('NFKC', c)}"
        if unicodedata.category(c) == "No" and "FRACTION" in unicodedata.name(c, "")
        else c
        for c in text
    )
    same = spread.translate(_SAME)
    return re.sub(r"\s+", " ", same.replace("''", '"')).strip()


_SAME = {
    **dict.fromkeys(map(ord, "\u2212\u2012\u2013\u2010\u2011"), "-"),
    **dict.fromkeys(map(ord, "\u2032\u2018\u2019\u00b4\u0060\u02b9\u02bc"), "'"),
    **dict.fromkeys(map(ord, "\u2033\u201c\u201d\u02ba"), '"'),
    ord("\u2044"): "/",
    ord("\u2215"): "/",
}  # fmt: skip


def read_feet_inches(text: str) -> Fraction:
    """A length as written on a tape, in inches, exact. Negative: a minus before the whole.

    Takes 5'-7 3/8", 5' 7", 5 ft 7 3/8 in, 67 3/8", 7½", 5.5', 0,375", with straight or curly marks. A figure without
    any mark, inches of 12 or more behind feet, a fraction of 1 or more, a decimal with more behind it and 1'000 are
    refused. Raises UnitError: ambiguous-length, not-a-length.
    """
    shown = text.strip()[:40]
    plain = _INCHES.sub('"', _FEET.sub("'", plain_text(text)))
    match = _LENGTH.fullmatch(plain)
    if not match or not (match["fwhole"] or match["fonly"] or match["iwhole"] or match["ionly"]):
        raise UnitError("not-a-length", f"“{shown}” is not a length in feet and inches. {_WRITE}")
    has_feet = bool(match["fwhole"] or match["fonly"])
    has_inches = bool(match["iwhole"] or match["ionly"])
    if not has_feet and not match["mark"]:
        raise UnitError("ambiguous-length", f"“{shown}” may be feet or inches. Write {shown}' or {shown}\".")
    if match["gap"] and (not has_feet or not has_inches):
        raise UnitError("not-a-length", f"“{shown}” has a dash with nothing beside it. {_WRITE}")
    if has_feet and has_inches and (match["ffrac"] or match["fonly"] or re.search("[.,]", match["fwhole"] or "")):
        raise UnitError("ambiguous-length", f"“{shown}” has parts of a foot and inches too. {_WRITE}")
    feet, inches = _figure(match, "f", shown), _figure(match, "i", shown)
    if has_feet and re.fullmatch(r"\d{3,}", match["iwhole"] or ""):
        raise UnitError("ambiguous-length", f"“{shown}” may have a mark between thousands. Leave it out. {_WRITE}")
    if has_feet and inches >= 12:
        raise UnitError("ambiguous-length", f"“{shown}” has 12 inches or more behind the feet. {_WRITE}")
    return (-1 if match["sign"] == "-" else 1) * (12 * feet + inches)


def _figure(match: re.Match[str], part: str, shown: str) -> Fraction:
    whole, fraction = match[f"{part}whole"], match[f"{part}frac"] or match[f"{part}only"]
    total = Fraction(Decimal(whole.replace(",", "."))) if whole else Fraction(0)
    if fraction:
        top, bottom = map(int, fraction.split("/"))
        if bottom == 0 or top >= bottom:
            raise UnitError("ambiguous-length", f"“{shown}”: {fraction} is not a fraction of an inch or foot. {_WRITE}")
        if whole and re.search("[.,]", whole):
            raise UnitError("ambiguous-length", f"“{shown}” has decimals and a fraction. Use one of them. {_WRITE}")
        total += Fraction(top, bottom)
    return total


def mm_of(text: str) -> float:
    """A length as written on a tape, in mm. Raises UnitError as read_feet_inches."""
    return float(read_feet_inches(text) * MM_PER_INCH)


def write_feet_inches(mm: float, denominator: int = 16) -> str:
    """The nearest 5'-7 3/8" on a tape divided into 1/denominator inch; half way goes to the even division.

    Below a foot without feet (3 1/2"), whole feet with 0": 5'-0". Negative with a real minus before the whole. Raises
    UnitError: not-a-number, bad-division (the denominator is not 1, 2, 4, … 64).
    """
    if denominator not in (1, 2, 4, 8, 16, 32, 64):
        raise UnitError("bad-division", f"An inch is divided into 2, 4, 8, 16, 32 or 64 parts, not {denominator}.")
    return _written(round(_inches(mm) * denominator), denominator)


def write_length(mm: float, decimals: int = 3) -> str:
    """Feet and inches that lose nothing: a fraction where the length has one to 1/64, else decimals of an inch."""
    exact = _inches(mm)
    nearest = round(exact * FINEST)
    if abs(exact * FINEST - nearest) < Fraction(1, 10**6):
        return _written(nearest, FINEST)
    steps = round(abs(exact) * 10**decimals)
    feet, rest = divmod(steps, 12 * 10**decimals)
    inches = f"{rest / 10**decimals:.{decimals}f}"
    sign = MINUS if exact < 0 and steps else ""
    return f"{sign}{feet}'-{inches}\"" if feet else f'{sign}{inches}"'


def _inches(mm: float) -> Fraction:
    try:
        return Fraction(repr(float(mm))) / MM_PER_INCH
    except ValueError:
        raise UnitError("not-a-number", "The length is not a number. Enter it again.") from None


def _written(parts: int, denominator: int) -> str:
    sign = MINUS if parts < 0 else ""
    feet, rest = divmod(abs(parts), 12 * denominator)
    whole, top = divmod(rest, denominator)
    fraction = Fraction(top, denominator)
    inches = f"{whole} {fraction}" if top and (whole or feet) else f"{fraction}" if top else f"{whole}"
    return f"{sign}{feet}'-{inches}\"" if feet else f'{sign}{inches}"'
