"""Planes to cut a part with, and from which side each section is looked at."""

from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats
from metrology.errors import InputError
from metrology.pictures.views import Triple, View, view_named
from metrology.wording import quantity

_AXIS_VIEWS = {"x": "front", "y": "right", "z": "top"}
_WORDS = (("back", "forward"), ("right", "left"), ("down", "up"))
# A direction is named after each axis that it leans to by less than 67.5°.
_LEANS = float(np.cos(np.radians(67.5)))


@dataclass(frozen=True)
class Plane:
    """Points p with normal · p = offset, mm. normal: (3,) unit. view: from where the section is looked at, along the
    normal or against it. name: for people, such as "x = 120 mm". axis: "x", "y" or "z" where the normal is one."""

    normal: Floats
    offset: float
    view: View
    name: str
    axis: str = ""


def plane_across(axis: str, at: float) -> Plane:
    """The plane x, y or z = `at` mm. Raises InputError (plane)."""
    if axis not in _AXIS_VIEWS or not np.isfinite(at):
        raise InputError("plane", "Choose the plane x, y or z and say where along that axis it lies, in mm.")
    return Plane(np.eye(3)["xyz".index(axis)], float(at), view_named(_AXIS_VIEWS[axis]), f"{axis} = {_short(at)}", axis)


def plane_through(normal: Triple, point: Triple) -> Plane:
    """The plane through a point, at right angles to a direction of any length. Raises InputError (plane)."""
    way, through = np.asarray(normal, dtype=np.float64), np.asarray(point, dtype=np.float64)
    most = float(np.abs(way).max()) if np.isfinite(way).all() else 0.0
    if most <= 0:
        raise InputError("plane", "The direction 0, 0, 0 has no length: give one number at least that is not 0.")
    if not np.isfinite(through).all():
        raise InputError("plane", "A plane needs a point that it passes through: three numbers in mm.")
    way = way / most
    way = way / np.linalg.norm(way)
    for axis, name in enumerate("xyz"):
        if abs(way[axis]) > 1 - 1e-12:
            return plane_across(name, float(through[axis]))
    up = np.array([0.0, 0.0, 1.0]) if abs(way[2]) < 0.9 else np.array([1.0, 0.0, 0.0])
    up = up - float(up @ way) * way
    up /= np.linalg.norm(up)
    right = np.cross(up, way)
    words = (_named(-right), _named(right), _named(up), _named(-up))
    view = View("section", "At right angles to the plane", _triple(right), _triple(up), words)
    x, y, z = (_short(value, "") for value in through)
    return Plane(way, float(way @ through), view, f"slanting plane through x {x}, y {y}, z {z}\u00a0mm")


def _triple(way: Floats) -> Triple:
    return float(way[0]), float(way[1]), float(way[2])


def _named(way: Floats) -> str:
    return ", ".join(_WORDS[axis][int(way[axis] > 0)] for axis in range(3) if abs(way[axis]) > _LEANS)


def _short(value: float, unit: str = "mm") -> str:
    text = quantity(float(value) + 0.0, "", 2)
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return f"{text}\u00a0{unit}" if unit else text
