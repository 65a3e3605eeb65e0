"""JSON Schema (2020-12) of a calculation's inputs and result, from its dataclasses."""

from typing import Any

from metrology.amounts.quantities import ALIASES, DIMENSIONS, FEET_INCHES
from metrology.calculations.calculation import AnyCalculation
from metrology.calculations.fields import (
    Amount,
    Choice,
    Flag,
    Grid,
    Many,
    Sentence,
    Spec,
    Table,
    Text,
    UnitChoice,
    Whole,
    defaults,
    specs,
)
from metrology.calculations.running import plain

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def schema(calculation: AnyCalculation) -> dict[str, Any]:
    """Describes what `compute` takes; the shape of its figures stands beside it under $defs."""
    return {
        "$schema": DIALECT,
        "title": calculation.title,
        "description": calculation.asks,
        **_record(calculation.inputs, given=True),
        "examples": [plain(calculation.example)],
        "$defs": {"figures": _record(calculation.result, given=False)},
    }


def _record(kind: type, *, given: bool) -> dict[str, Any]:
    optional = defaults(kind)
    properties, required = {}, []
    for name, spec in specs(kind).items():
        if isinstance(spec, Sentence):
            continue
        described = _described(spec) | _value(spec, given)
        if name in optional:
            described["default"] = plain(optional[name])
        if not given or (name in optional and optional[name] is None):
            described = _or_null(described)
        if given and name not in optional:
            required.append(name)
        properties[name] = described
    closed = {"required": required, "additionalProperties": False} if given else {}
    return {"type": "object", "properties": properties, **closed}


def _described(spec: Spec) -> dict[str, Any]:
    item = spec.item if isinstance(spec, Many | Grid) else spec
    unit = ""
    if isinstance(item, Amount):
        unit = f"In the unit given as “{item.unit[1:]}”." if item.unit.startswith("@") else f"In {item.unit}."
        unit = "" if item.unit == "1" else unit
    words = " ".join(part for part in (spec.help, unit) if part)
    return {"title": spec.label, **({"description": words} if words else {})}


def _value(spec: Spec, given: bool) -> dict[str, Any]:
    match spec:
        case Table():
            return {"type": "array", "items": _record(spec.row, given=given), **_sizes(spec.least, given)}
        case Many():
            return {"type": "array", "items": _value(spec.item, given), **_sizes(spec.least, given)}
        case Grid():
            row = {"type": "array", "items": _value(spec.item, given), **_sizes(1, given)}
            return {"type": "array", "items": row, **_sizes(spec.least, given)}
        case Amount():
            return _amount(spec) if given else {"type": "number"}
        case Whole():
            bounds = {"minimum": spec.lowest, "maximum": spec.highest}
            return {"type": "integer"} | ({k: v for k, v in bounds.items() if v is not None} if given else {})
        case Flag():
            return {"type": "boolean"}
        case Choice():
            return {"type": "string", "enum": list(spec.options)}
        case UnitChoice():
            return {"type": "string", "enum": sorted({*(symbol for one in DIMENSIONS for symbol in _symbols(one)), ""})}
        case Text():
            return {"type": ["string", "number"], "maxLength": spec.longest} if given else {"type": "string"}
    raise TypeError(f"No schema for {type(spec).__name__}")


def _amount(spec: Amount) -> dict[str, Any]:
    """A number in the stated unit, words as a person types them, or both value and unit."""
    bounds = {
        "minimum": spec.lowest,
        "maximum": spec.highest,
        "exclusiveMinimum": spec.above,
        "exclusiveMaximum": spec.below,
    }
    units = {"enum": _symbols(spec.kind)} if spec.kind else {}
    words = {"type": "string", "minLength": 1, "maxLength": 60}
    both = {
        "type": "object",
        "properties": {"value": {"anyOf": [{"type": "number"}, words]}, "unit": {"type": "string", **units}},
        "required": ["value"],
        "additionalProperties": False,
    }
    plain_number = {"type": "number"} | {key: bound for key, bound in bounds.items() if bound is not None}
    return {"anyOf": [plain_number, words, both]}


def _symbols(kind: str) -> list[str]:
    own = [unit.symbol for unit in DIMENSIONS[kind].units]
    return own + sorted(alias for alias, symbol in ALIASES.items() if symbol in own and symbol != FEET_INCHES)


def _sizes(least: int, given: bool) -> dict[str, Any]:
    return {"minItems": least} if given and least else {}


def _or_null(described: dict[str, Any]) -> dict[str, Any]:
    words: dict[str, Any] = {key: described.pop(key) for key in ("title", "description", "default") if key in described}
    return words | {"anyOf": [described, {"type": "null"}]}
