"""From which side a part is seen, and how millimetres become pixels. Part frame: +X forward, +Y left, +Z up."""

from dataclasses import dataclass
from math import cos, radians, sin

import numpy as np

from metrology.bodies import Floats
from metrology.errors import InputError

Triple = tuple[float, float, float]


@dataclass(frozen=True)
class View:
    """A parallel projection.

    right, up: unit directions of the part frame that point right and up in the picture. title: for people. words: what
    lies to the picture's left, right, top and bottom; empty in the pictorial view.
    """

    name: str
    title: str
    right: Triple
    up: Triple
    words: tuple[str, ...] = ()

    @property
    def toward(self) -> Floats:
        """Unit direction from the part to the eye, (3,)."""
        return np.cross(self.right, self.up)


def pictorial(round_deg: float, above_deg: float) -> tuple[Triple, Triple]:
    """Directions seen from in front, turned to the part's right by `round_deg`, and from above by `above_deg`."""
    a, e = radians(round_deg), radians(above_deg)
    return (sin(a), cos(a), 0.0), (-cos(a) * sin(e), sin(a) * sin(e), cos(e))


_X, _Y, _Z = (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)
_BACK, _RIGHT = (-1.0, 0.0, 0.0), (0.0, -1.0, 0.0)

VIEWS: tuple[View, ...] = (
    View("pictorial", "From front right, above", *pictorial(52.0, 33.0)),
    View("top", "From above", _X, _Y, ("back", "forward", "left", "right")),
    View("bottom", "From below", _X, _RIGHT, ("back", "forward", "right", "left")),
    View("front", "From the front", _Y, _Z, ("right", "left", "up", "down")),
    View("back", "From the back", _RIGHT, _Z, ("left", "right", "up", "down")),
    View("left", "From the left", _BACK, _Z, ("forward", "back", "up", "down")),
    View("right", "From the right", _X, _Z, ("back", "forward", "up", "down")),
)


def view_named(name: str) -> View:
    """Raises InputError (view) for a name that is not in `VIEWS`."""
    for view in VIEWS:
        if view.name == name:
            return view
    names = ", ".join(view.name for view in VIEWS)
    raise InputError("view", f"There is no view “{name}”. Choose one of {names}.")


@dataclass(frozen=True)
class Camera:
    """Millimetres of the part frame to pixels and back.

    axes: (3, 3), rows right, down, toward the eye. scale: pixels a millimetre. shift: (3,) px.
    """

    axes: Floats
    scale: float
    shift: Floats

    def place(self, points: Floats) -> Floats:
        """(..., 3) mm to x right, y down and depth, all px; nearer the eye is more."""
        return points @ self.axes.T * self.scale + self.shift

    def back(self, pixels: Floats) -> Floats:
        """Inverse of `place`."""
        return (pixels - self.shift) / self.scale @ self.axes


def camera(view: View, vertices: Floats, box: tuple[float, float, float, float]) -> Camera:
    """The camera that shows all vertices, as large as fits, in the middle of `box` (left, top, right, bottom px)."""
    axes = np.array([view.right, np.negative(view.up), view.toward])
    turned = vertices @ axes.T
    low, high = turned.min(axis=0), turned.max(axis=0)
    size = np.maximum(high - low, 1e-9 * max(float(np.ptp(turned)), 1e-9))
    scale = float(min((box[2] - box[0]) / size[0], (box[3] - box[1]) / size[1]))
    middle = np.array([(box[0] + box[2]) / 2, (box[1] + box[3]) / 2, 0.0])
    return Camera(axes, scale, middle - (low + high) / 2 * scale)
