"""The unit of length that a STEP file (ISO 10303-21) assigns to its shapes, read from the text of its entities."""

import re
from collections import Counter

from metrology.amounts.units import LENGTH_IN_MM
from metrology.errors import ReadingError

PREFIXES = {"$": 1.0, "DECI": 0.1, "CENTI": 0.01, "MILLI": 1e-3, "MICRO": 1e-6, "NANO": 1e-9, "PICO": 1e-12}
PREFIXES |= {"DECA": 10.0, "HECTO": 100.0, "KILO": 1e3, "MEGA": 1e6, "GIGA": 1e9}
METRE_IN_MM = 1000.0
# A survey foot is 2 millionths longer than a foot; the library that makes the triangles takes the number in the file.
ALIKE = 1e-5
SPACE = re.compile(rb"/\*.*?\*/|\s+", re.S)
CONTEXT = re.compile(rb"GLOBAL_UNIT_ASSIGNED_CONTEXT\s*\(\s*\(([^)]*)\)")
SI = re.compile(r"SI_UNIT\((?:\.(\w+)\.|\$),\.METRE\.\)")
CONVERTED = re.compile(r"CONVERSION_BASED_UNIT\('[^']*',#(\d+)\)")
MEASURE = re.compile(r"MEASURE_WITH_UNIT\(\w+\(([-+.\dE]+)\),#(\d+)\)")


def own_units(text: bytes) -> list[str]:
    """The units that shapes of the file are in, most used first; empty when it assigns none.

    Raises ReadingError (not-a-mesh) for a unit that is none of ours.
    """
    lengths: Counter[float] = Counter()
    known: dict[bytes, float | None] = {}
    for context in CONTEXT.finditer(text):
        for number in re.findall(rb"#(\d+)", context[1]):
            if number not in known:
                known[number] = _length_in_mm(text, number, 0)
            if length := known[number]:
                lengths[length] += 1
    return list(dict.fromkeys(_unit(length) for length, _ in lengths.most_common()))


def _unit(length: float) -> str:
    for unit, mm in LENGTH_IN_MM.items():
        if abs(length / mm - 1) < ALIKE:
            return unit
    raise ReadingError(
        "not-a-mesh",
        f"The STEP model is in units of {length:g}\u00a0mm, which are not offered here. Export it in millimetres.",
    )


def _length_in_mm(text: bytes, number: bytes, depth: int) -> float | None:
    """Millimetres in the unit #number, None when it is no unit of length."""
    entity = _entity(text, number)
    if entity is None or "LENGTH_UNIT()" not in entity or depth > 3:
        return None
    if found := SI.search(entity):
        return PREFIXES.get(found[1] or "$", 0.0) * METRE_IN_MM or None
    if found := CONVERTED.search(entity):
        measure = MEASURE.search(_entity(text, found[1].encode()) or "")
        if measure:
            base = _length_in_mm(text, measure[2].encode(), depth + 1)
            try:
                return float(measure[1]) * base if base else None
            except ValueError:
                return None
    return None


def _entity(text: bytes, number: bytes) -> str | None:
    """The entity #number without white space and comments, in capitals."""
    found = re.search(rb"#%s\s*=([^;]*);" % number, text)
    return SPACE.sub(b"", found[1]).decode("latin-1").upper() if found else None
