"""Pictures in plain steps: the scatter of casts, and how far a pattern is moved.

Scatter has colours of its own, paper where small and ink where large, so that nobody takes it for a deviation. A change
is drawn in the colours of deviation, outward as high and inward as low, without their textures: it is no error. What is
not known is grey and stippled.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from PIL import Image

from metrology.bodies import Floats, Mesh
from metrology.errors import InputError
from metrology.pictures import furniture
from metrology.pictures.edges import find_edges, visible_lines
from metrology.pictures.field import Field
from metrology.pictures.lettering import Lettering
from metrology.pictures.paint import lay_steps, lay_unmeasured, look_up
from metrology.pictures.palette import BANDS, GRAPHITE, PALETTE, PAPER, rgb
from metrology.pictures.raster import rasterise
from metrology.pictures.strokes import Canvas, finished, paper, rectangle, stamp, stroke, swatch
from metrology.pictures.views import View, camera, view_named
from metrology.surfaces.surface import prepare
from metrology.wording import number

_OUTLINE, _EDGE = 3.6, 1.9
# From paper to ink in five steps of falling lightness.
SCATTER = np.array([rgb(code) for code in ("#f6f5f2", "#ccd9ee", "#94b0dc", "#4f78bd", "#14438f")], dtype=np.float64)
CHANGE = np.array([PALETTE[band] for band in BANDS], dtype=np.float64)
_MARGIN, _WIDE, _NARROW, _HIGH = 32.0, 60.0, 50.0, 26.0


def steps_for(values: npt.ArrayLike, at_least: float = 0.02) -> Floats:
    """Four edges between the five colours, (4,), in even steps of a round length; the fourth lies near the largest of
    98 % of the values, so that a single place does not pale all others, or near `at_least` mm where that is more."""
    found = np.asarray(values, dtype=np.float64)
    found = found[np.isfinite(found)]
    top = float(np.percentile(found, 98)) if len(found) else 0.0
    step = max(top, at_least) / 4.5
    power = 10.0 ** np.floor(np.log10(step))
    rounded = min(s * power for s in (1.0, 2.0, 2.5, 5.0, 10.0) if s * power >= step * (1 - 1e-9))
    edges: Floats = rounded * np.arange(1.0, 5.0)
    return edges


def change_steps(values: npt.ArrayLike, at_least: float = 0.02) -> Floats:
    """Eight edges between nine colours, (8,): even steps of a round length, the same outward and inward."""
    side = steps_for(np.abs(np.asarray(values, dtype=np.float64)), at_least)
    edges: Floats = np.concatenate([-side[::-1], side]) - 0.5 * side[0] * np.repeat([-1.0, 1.0], 4)
    return edges


def scatter_pictures(
    mesh: Mesh,
    places: npt.ArrayLike,
    normals: npt.ArrayLike,
    values: npt.ArrayLike,
    *,
    views: Sequence[str],
    title: str = "",
    few: str = "not enough casts",
    width: int = 1200,
    height: int = 900,
) -> dict[str, Image.Image]:
    """Scatter on the nominal, one RGB picture for each view. mesh: the nominal. places, normals: (p, 3). values: (p,)
    mm, 0 or more, NaN where not known. few: the word for what is not known. Raises InputError: view, samples."""
    ramp = _Ramp(steps_for(values), SCATTER, "little", "much", few)
    return _pictures(mesh, places, normals, values, ramp, views, title, (width, height))


def change_pictures(
    mesh: Mesh,
    places: npt.ArrayLike,
    normals: npt.ArrayLike,
    values: npt.ArrayLike,
    *,
    views: Sequence[str],
    title: str = "",
    few: str = "left as it is",
    width: int = 1200,
    height: int = 900,
) -> dict[str, Image.Image]:
    """How far a surface is moved, mm, positive outward; otherwise as `scatter_pictures`."""
    ramp = _Ramp(change_steps(values), CHANGE, "inward", "outward", few)
    return _pictures(mesh, places, normals, values, ramp, views, title, (width, height))


def wall_pictures(
    mesh: Mesh,
    places: npt.ArrayLike,
    normals: npt.ArrayLike,
    values: npt.ArrayLike,
    *,
    views: Sequence[str],
    sure_mm: float,
    title: str = "",
    few: str = "no wall measured",
    width: int = 1200,
    height: int = 900,
) -> dict[str, Image.Image]:
    """How much thicker a wall was measured than it is drawn, mm, negative where thinner. sure_mm: the uncertainty, of
    which the colours do not make much. Otherwise as `scatter_pictures`."""
    ramp = _Ramp(change_steps(values, sure_mm), CHANGE, "thinner", "thicker", few)
    return _pictures(mesh, places, normals, values, ramp, views, title, (width, height))


@dataclass(frozen=True)
class _Ramp:
    edges: Floats
    colours: Floats
    low: str
    high: str
    few: str


def _pictures(
    mesh: Mesh,
    places: npt.ArrayLike,
    normals: npt.ArrayLike,
    values: npt.ArrayLike,
    ramp: _Ramp,
    views: Sequence[str],
    title: str,
    size: tuple[int, int],
) -> dict[str, Image.Image]:
    asked = [view_named(name) for name in views]
    points, ways, shown_values = (np.asarray(given, dtype=np.float64) for given in (places, normals, values))
    if points.shape != ways.shape or points.shape != (len(shown_values), 3) or not len(points):
        raise InputError("samples", "The measured places do not belong together. Compare the casts again.")
    width, height = size
    surface = prepare(mesh)
    found = find_edges(surface.faces, surface.normals)
    closed = bool((found.faces[:, 1] >= 0).all())
    field = Field(points, ways, shown_values, (-np.inf, np.inf))
    unit = min(width / 1200, height / 900)
    drawn = {}
    for view in asked:
        eye = camera(view, surface.vertices[np.unique(surface.faces)], furniture.part_box(width, height, unit))
        placed = eye.place(surface.vertices)
        facing = surface.normals @ view.toward > 1e-9
        # An open surface is seen from its back as well.
        seen = rasterise(placed[surface.faces], width, height, np.flatnonzero(facing | (not closed)))
        canvas = paper(width, height, PAPER)
        shown = look_up(seen, found.patch, surface.normals, eye, field)
        lay_steps(canvas, shown, ramp.edges, ramp.colours)
        lay_unmeasured(canvas, shown, unit)
        lines = visible_lines(found, placed, seen, facing if closed else np.ones_like(facing))
        stamp(canvas, [(lines.at[~lines.outline], _EDGE * unit), (lines.at[lines.outline], _OUTLINE * unit)], GRAPHITE)
        low, high = placed.min(axis=0), placed.max(axis=0)
        writings = [
            *_heading(title, view, unit),
            *_legend(canvas, ramp, unit),
            *furniture.direction_words(view, (float(low[0]), float(low[1]), float(high[0]), float(high[1])), unit),
            *(furniture.scale_bar if view.words else furniture.axes)(canvas, eye, unit, "mm"),
        ]
        image = finished(canvas)
        lettering = Lettering(image, unit)
        for text in writings:
            text.write(lettering)
        drawn[view.name] = image
    return drawn


def _heading(title: str, view: View, unit: float) -> list[furniture.Writing]:
    left = _MARGIN * unit
    return [
        furniture.Writing((left, 44 * unit), title or view.title, 24.0, True, "l"),
        furniture.Writing((left, 70 * unit), view.title if title else "", 17.0, False, "l", True),
    ]


def _legend(canvas: Canvas, ramp: _Ramp, unit: float) -> list[furniture.Writing]:
    """The colours and the texture of what is not known, at the lower right."""
    height, width = canvas.shape[:2]
    top, right = height - 104 * unit, width - _MARGIN * unit
    wide = (_WIDE if len(ramp.colours) < 8 else _NARROW) * unit
    bottom, left = top + _HIGH * unit, right - len(ramp.colours) * wide
    signed = bool(ramp.edges[0] < 0)
    decimals = _decimals(ramp.edges)
    written = []
    for k, colour in enumerate(ramp.colours):
        start = left + k * wide
        red, green, blue = (int(part) for part in colour)
        rectangle(canvas, (start, top, start + wide + 1, bottom), (red, green, blue), 1)
        if k:
            figure = number(float(ramp.edges[k - 1]), decimals, signed=signed)
            stroke(canvas, (start + 0.5, bottom), (start + 0.5, bottom + 5 * unit), 1.5 * unit)
            written.append(furniture.Writing((start, bottom + 24 * unit), figure))
    under = bottom + 51 * unit
    written.append(furniture.Writing((left, under), ramp.low, 20.0, True, "l"))
    written.append(furniture.Writing((right, under), f"{ramp.high}, mm", 20.0, True, "r"))
    blank = left - 64 * unit - wide
    swatch(canvas, (blank, top, blank + wide, bottom), "not measured", unit)
    written.append(furniture.Writing((blank + wide / 2, bottom + 24 * unit), ramp.few))
    return written


def _decimals(edges: Floats) -> int:
    """As many as tell the edges apart and say them exactly, three at most."""
    return next(d for d in (1, 2, 3) if d == 3 or np.allclose(np.round(edges, d), edges, atol=1e-9))
