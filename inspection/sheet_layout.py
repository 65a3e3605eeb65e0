"""How a sheet of measured values is read: what stands in which column. Guessed by headings, chosen by a person."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from metrology.amounts.quantities import FEET_INCHES, dimension_of
from metrology.errors import UnitError

SERIAL, NAME, VALUE, UNIT, INSTRUMENT, WHEN, NONE = "serial", "name", "value", "unit", "instrument", "when", ""
ROLES: Mapping[str, str] = {
    NONE: "pass over",
    SERIAL: "serial of the cast",
    NAME: "number or name on the drawing",
    VALUE: "value",
    UNIT: "unit of the value",
    INSTRUMENT: "instrument",
    WHEN: "measured at",
}
_WORDS: Mapping[str, tuple[str, ...]] = {
    SERIAL: ("serial", "serial no", "serial number", "cast", "piece", "specimen", "part id", "sn", "s/n"),
    NAME: ("no", "nr", "number", "#", "characteristic", "feature", "balloon", "item", "name", "dimension"),
    VALUE: ("value", "actual", "measured", "measurement", "reading", "measured value", "actual value", "meas"),
    UNIT: ("unit", "units"),
    INSTRUMENT: ("instrument", "measured with", "device"),
    WHEN: ("measured at", "measured on", "date", "when", "time", "date/time", "measured"),
}
_IN_BRACKETS = re.compile(r"\s*[\[(]([^\])]*)[\])]\s*$")
_NUMBERED = re.compile(r"(?:reading|value|actual|measured)\s*\d+")
LOOKED_AT = 40


@dataclass(frozen=True)
class Layout:
    """heading: the line with the headings, from 1; 0 when there is none, then values begin in line `first`.

    roles: one for each column: a key of ROLES, or "c3" for number 3 on the drawing. delimiter, decimal: of text.
    unit: of lengths whose heading or cell names none. fill_down: an empty serial or name means the one above it.
    """

    roles: tuple[str, ...]
    heading: int = 1
    unit: str = "mm"
    fill_down: bool = False
    worksheet: str = ""
    delimiter: str = ""
    decimal: str = ""

    @property
    def is_long(self) -> bool:
        return VALUE in self.roles

    def as_stored(self) -> dict[str, Any]:
        return asdict(self) | {"roles": list(self.roles)}

    @classmethod
    def from_stored(cls, stored: Mapping[str, Any]) -> "Layout":
        known = {name: stored[name] for name in cls.__dataclass_fields__ if name in stored}
        return cls(**known | {"roles": tuple(stored.get("roles", ()))})


def heading_line(rows: Sequence[Sequence[object]]) -> int:
    """The line whose cells best read as headings, from 1; 0 when none does."""
    best, found = 0, 0
    for line, cells in enumerate(rows[:LOOKED_AT], 1):
        words = [_bare(cell)[0] for cell in cells if isinstance(cell, str) and cell.strip()]
        known = sum(any(word in words_of for words_of in _WORDS.values()) or bool(_NUMBERED.fullmatch(word))
                    for word in words)  # fmt: skip
        if known > best and len(words) > 1:
            best, found = known, line
    return found


def headings(rows: Sequence[Sequence[object]], line: int) -> list[str]:
    return [str(cell).strip() if cell is not None else "" for cell in rows[line - 1]] if 0 < line <= len(rows) else []


def guess_roles(heads: Sequence[str], columns: int, places: Mapping[str, int], serial_known: bool) -> tuple[str, ...]:
    """What each column is, by its heading. places: casefolded names and numbers on the drawing to their numbers."""
    roles = []
    for place in range(columns):
        word = _bare(heads[place])[0] if place < len(heads) else ""
        roles.append(_role(word, places))
    if VALUE not in roles:  # then each characteristic has a column of its own
        roles = [NONE if role in (NAME, UNIT) else role for role in roles]
    else:
        roles = [NONE if role.startswith("c") else role for role in roles]
    seen: set[str] = set()
    for place, role in enumerate(roles):
        if role in seen and role != VALUE and not role.startswith("c"):
            roles[place] = NONE
        if role:
            seen.add(role)
    if serial_known:
        roles = [NONE if role == SERIAL else role for role in roles]
    return tuple(roles)


def _role(word: str, places: Mapping[str, int]) -> str:
    if word in places and not word.isdigit():
        return f"c{places[word]}"
    for role, words in _WORDS.items():
        if word in words:
            return role
    if _NUMBERED.fullmatch(word):
        return VALUE
    number = re.fullmatch(r"(?:no\.?|nr\.?|#|c)?\s*(\d+)", word)
    return f"c{places[number[1]]}" if number and number[1] in places else NONE


def remembered(last: Layout, last_heads: Sequence[str], heads: Sequence[str], columns: int) -> tuple[str, ...]:
    """The roles of an earlier sheet for a new one: by the same headings, or by place where neither has any."""
    if not any(last_heads) and not any(heads):
        return tuple((*last.roles, *[NONE] * columns))[:columns]
    by_head = {head.casefold(): role for head, role in zip(last_heads, last.roles, strict=False) if head}
    found = [by_head.get(head.casefold(), NONE) for head in heads]
    return tuple((*found, *[NONE] * columns))[:columns]


def unit_in(heading: str) -> str:
    """The unit in brackets behind a heading, empty when there is none that is known."""
    unit = _bare(heading)[1]
    if unit.lower() in ("ft-in", "feet-inches", "ft in"):
        return FEET_INCHES
    try:
        dimension_of(unit)
    except UnitError:
        return ""
    return unit


def _bare(heading: object) -> tuple[str, str]:
    """A heading in lower case without its unit, and the unit."""
    text = str(heading).strip()
    brackets = _IN_BRACKETS.search(text)
    bare = text[: brackets.start()] if brackets else text
    return bare.casefold().strip(" .:*"), brackets[1].strip() if brackets else ""
