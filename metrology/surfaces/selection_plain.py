"""Selections as plain JSON values, to be kept and read again, and in words."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from metrology.errors import InputError
from metrology.surfaces.selection import (
    AllOf,
    AnyOf,
    Beyond,
    Box,
    Facing,
    Grown,
    NearPlane,
    Selection,
    Vector,
    Without,
    check,
)
from metrology.wording import MINUS, NBSP, listed, number

WAYS: dict[str, Vector] = {
    "up": (0.0, 0.0, 1.0),
    "down": (0.0, 0.0, -1.0),
    "forward": (1.0, 0.0, 0.0),
    "back": (-1.0, 0.0, 0.0),
    "left": (0.0, 1.0, 0.0),
    "right": (0.0, -1.0, 0.0),
}
# Conditions within conditions: more would be a mistake, or an attack.
_DEEPEST, _MOST = 12, 200


def to_plain(selection: Selection) -> dict[str, Any]:
    """One key for the kind of condition; the rest of it is the value."""
    match selection:
        case Grown(seed, angle, against, normal):
            found: dict[str, Any] = {"seed": list(seed), "angle": angle, "against": against}
            return {"grown": found | ({"normal": list(normal)} if normal else {})}
        case Box(low, high):
            return {"box": [*low, *high]}
        case Facing(way, within):
            return {"facing": {"way": list(way), "within": within}}
        case NearPlane(normal, offset, within):
            return {"near": {"normal": list(normal), "offset": offset, "within": within}}
        case Beyond(normal, offset):
            return {"beyond": {"normal": list(normal), "offset": offset}}
        case AllOf(parts):
            return {"all": [to_plain(part) for part in parts]}
        case AnyOf(parts):
            return {"any": [to_plain(part) for part in parts]}
        case Without(kept, left_out):
            return {"without": [to_plain(kept), to_plain(left_out)]}


def from_plain(plain: Any) -> Selection:
    """The reverse of `to_plain`. Raises InputError: "selection" for anything else."""
    try:
        selection = _read(plain, _DEEPEST, [_MOST])
    except (KeyError, TypeError, ValueError, IndexError, AttributeError, OverflowError):
        raise InputError("selection", "The region is not stored in a form that can be read. Define it again.") from None
    check(selection)
    return selection


def _read(plain: Any, depth: int, left: list[int]) -> Selection:
    left[0] -= 1
    if depth < 0 or left[0] < 0:
        raise ValueError("too many conditions")
    ((kind, value),) = plain.items()
    match kind:
        case "grown":
            normal = _vector(value["normal"]) if value.get("normal") else None
            return Grown(_vector(value["seed"]), float(value["angle"]), value["against"], normal)
        case "box":
            if len(value) != 6:
                raise ValueError(value)
            return Box(_vector(value[:3]), _vector(value[3:]))
        case "facing":
            return Facing(_vector(value["way"]), float(value["within"]))
        case "near":
            return NearPlane(_vector(value["normal"]), float(value["offset"]), float(value["within"]))
        case "beyond":
            return Beyond(_vector(value["normal"]), float(value["offset"]))
        case "all":
            return AllOf(tuple(_read(part, depth - 1, left) for part in value))
        case "any":
            return AnyOf(tuple(_read(part, depth - 1, left) for part in value))
        case "without":
            kept, left_out = value
            return Without(_read(kept, depth - 1, left), _read(left_out, depth - 1, left))
    raise ValueError(kind)


def _vector(values: Sequence[Any]) -> Vector:
    x, y, z = (float(value) for value in values)
    return x, y, z


def in_words(selection: Selection) -> str:
    """ "grown from (0, 0, 220) by up to 25° from face to face, facing up" """
    match selection:
        case Grown(seed, angle, against, _):
            how = "from the first face" if against == "seed" else "from face to face"
            return f"grown from {_point(seed)} while it turns by up to {_short(angle)}° {how}"
        case Box(low, high):
            sides = [
                f"{axis} {_short(start)} to {_short(end)}" for axis, start, end in zip("xyz", low, high, strict=True)
            ]
            return f"in the box {', '.join(sides)}{NBSP}mm"
        case Facing(way, within):
            name = next((name for name, known in WAYS.items() if _same(way, known)), None)
            exact = "" if within == 45 else f" within {_short(within)}°"
            return f"facing {name or f'along {_point(way)}'}{exact}"
        case NearPlane(normal, offset, within):
            return f"within {_short(within)}{NBSP}mm of the plane {_plane(normal, offset)}"
        case Beyond(normal, offset):
            return f"beyond the plane {_plane(normal, offset)}"
        case AllOf(parts):
            return ", ".join(_inner(part) for part in parts) or "the whole surface"
        case AnyOf(parts):
            return listed([_inner(part) for part in parts], 6).replace(" and ", " or ") or "nothing"
        case Without(kept, left_out):
            return f"{_inner(kept)}, without what is {_inner(left_out)}"


def _inner(selection: Selection) -> str:
    words = in_words(selection)
    mixed = isinstance(selection, AllOf | AnyOf) and len(selection.parts) > 1
    return f"({words})" if mixed or isinstance(selection, Without) else words


def _plane(normal: Vector, offset: float) -> str:
    size = float(np.linalg.norm(normal))
    for axis, name in enumerate("xyz"):
        for sign in (1.0, -1.0):
            if _same(normal, tuple(sign * float(k == axis) for k in range(3))):
                return f"{name} = {_short(sign * offset / size)}{NBSP}mm" + ("" if sign > 0 else ", looking back")
    unit = tuple(float(part) / size for part in normal)
    return f"with normal {_point(unit)}, {_short(offset / size)}{NBSP}mm along it from the origin"


def _same(way: Sequence[float], known: Sequence[float]) -> bool:
    return bool(np.allclose(np.asarray(way) / np.linalg.norm(way), known, rtol=0, atol=1e-9))


def _point(values: Sequence[float]) -> str:
    return f"({', '.join(_short(value) for value in values)})"


def _short(value: float) -> str:
    """At most three decimals and no zeros at the end."""
    text = number(float(value), 3)
    return (text.rstrip("0").rstrip(".") if "." in text else text).replace("-", MINUS)
