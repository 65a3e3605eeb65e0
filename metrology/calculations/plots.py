"""What a calculation wants to be drawn, as plain figures; the pages draw it."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

Shape = Literal["line", "steps", "points", "bars", "area", "outline"]
Look = Literal["main", "second", "third", "guard"]


@dataclass(frozen=True)
class Series:
    """Values over x. shape: line, steps (each y holds to the next x), points, bars (each about its x), area (from y
    down to `base`), outline (closed). label: in the legend, empty for none. names: one word beside each point, or none.
    """

    x: tuple[float, ...]
    y: tuple[float, ...]
    shape: Shape = "line"
    look: Look = "main"
    label: str = ""
    names: tuple[str, ...] = ()
    base: float = 0.0


@dataclass(frozen=True)
class Mark:
    """A straight line across the plot. axis "y": level with that value; "x": upright. forbidden: the side that is
    hatched, "above", "below" (in the values of the axis) or "". heavy: a limit; else a thin helping line.
    """

    at: float
    label: str = ""
    axis: Literal["x", "y"] = "y"
    forbidden: Literal["above", "below", ""] = ""
    heavy: bool = True


@dataclass(frozen=True)
class Axis:
    """label: what it is, without the unit. unit: of the figures; written in the person's unit of the same kind. low,
    high: where the drawing begins and ends, None: as the figures need. names: words instead of numbers at 1, 2, 3 …
    """

    label: str
    unit: str = "1"
    low: float | None = None
    high: float | None = None
    names: tuple[str, ...] = ()
    log: bool = False


@dataclass(frozen=True)
class Plot:
    """says: the finding as one sentence, for who cannot see the drawing. equal: both axes to one scale (plans)."""

    title: str
    x: Axis
    y: Axis
    series: tuple[Series, ...]
    marks: tuple[Mark, ...] = ()
    says: str = ""
    equal: bool = False


def curve(x: npt.ArrayLike, y: npt.ArrayLike, shape: Shape = "line", look: Look = "main", label: str = "") -> Series:
    """A series from any sequences or arrays of numbers."""
    return Series(tuple(np.asarray(x, float).tolist()), tuple(np.asarray(y, float).tolist()), shape, look, label)
