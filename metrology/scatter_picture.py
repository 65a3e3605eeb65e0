"""Pictures of a quantity that is never negative, such as the scatter of casts: paper where small, ink where large.

It has colours of its own, so that nobody takes scatter for a deviation. What rests on too few casts is grey and
stippled.
"""

from collections.abc import Sequence

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
from metrology.pictures.palette import GRAPHITE, PAPER, rgb
from metrology.pictures.raster import rasterise
from metrology.pictures.strokes import Canvas, finished, paper, rectangle, stamp, stroke, swatch
from metrology.pictures.views import View, camera, view_named
from metrology.surface import prepare
from metrology.wording import number

_OUTLINE, _EDGE = 3.6, 1.9
# From paper to ink in five steps of falling lightness.
COLOURS = np.array([rgb(code) for code in ("#f6f5f2", "#ccd9ee", "#94b0dc", "#4f78bd", "#14438f")], dtype=np.float64)
_MARGIN, _WIDE, _HIGH = 32.0, 60.0, 26.0


def steps_for(values: npt.ArrayLike) -> Floats:
    """Four edges between the five colours, (4,), in even steps of a round length; the fourth lies near the largest of
    98 % of the values, so that a single place does not pale all others."""
    found = np.asarray(values, dtype=np.float64)
    found = found[np.isfinite(found)]
    top = float(np.percentile(found, 98)) if len(found) else 0.0
    step = max(top, 0.02) / 4.5
    power = 10.0 ** np.floor(np.log10(step))
    rounded = min(s * power for s in (1.0, 2.0, 2.5, 5.0, 10.0) if s * power >= step * (1 - 1e-9))
    edges: Floats = rounded * np.arange(1.0, 5.0)
    return edges


def scatter_pictures(
    mesh: Mesh,
    places: npt.ArrayLike,
    normals: npt.ArrayLike,
    values: npt.ArrayLike,
    *,
    views: Sequence[str],
    edges: npt.ArrayLike | None = None,
    title: str = "",
    few: str = "not enough casts",
    width: int = 1200,
    height: int = 900,
    unit_label: str = "mm",
) -> dict[str, Image.Image]:
    """One RGB picture for each view. mesh: the nominal. places, normals: (p, 3). values: (p,) 0 or more, NaN where not
    known. edges: (4,) between the colours; from `steps_for` when not given. few: the word for what is not known.

    Raises InputError: view, samples.
    """
    asked = [view_named(name) for name in views]
    points, ways, field_values = (np.asarray(given, dtype=np.float64) for given in (places, normals, values))
    if points.shape != ways.shape or points.shape != (len(field_values), 3) or not len(points):
        raise InputError("samples", "The measured places do not belong together. Compare the casts again.")
    bounds = steps_for(field_values) if edges is None else np.asarray(edges, dtype=np.float64)
    surface = prepare(mesh)
    found = find_edges(surface.faces, surface.normals)
    closed = bool((found.faces[:, 1] >= 0).all())
    field = Field(points, ways, field_values, (0.0, np.inf))
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
        lay_steps(canvas, shown, bounds, COLOURS)
        lay_unmeasured(canvas, shown, unit)
        lines = visible_lines(found, placed, seen, facing if closed else np.ones_like(facing))
        stamp(canvas, [(lines.at[~lines.outline], _EDGE * unit), (lines.at[lines.outline], _OUTLINE * unit)], GRAPHITE)
        low, high = placed.min(axis=0), placed.max(axis=0)
        writings = [
            *_heading(title, view, unit),
            *_legend(canvas, bounds, few, unit, unit_label),
            *furniture.direction_words(view, (float(low[0]), float(low[1]), float(high[0]), float(high[1])), unit),
            *(furniture.scale_bar if view.words else furniture.axes)(canvas, eye, unit, unit_label),
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


def _legend(canvas: Canvas, edges: Floats, few: str, unit: float, unit_label: str) -> list[furniture.Writing]:
    """The five colours and the texture of what is not known, at the lower right."""
    height, width = canvas.shape[:2]
    top, right = height - 104 * unit, width - _MARGIN * unit
    bottom, left = top + _HIGH * unit, right - len(COLOURS) * _WIDE * unit
    decimals = next(d for d in range(1, 4) if d == 3 or len({number(e, d) for e in edges.tolist()}) == len(edges)
                    and np.allclose(np.round(edges, d), edges))  # fmt: skip
    written = []
    for k, colour in enumerate(COLOURS):
        start = left + k * _WIDE * unit
        red, green, blue = (int(part) for part in colour)
        rectangle(canvas, (start, top, start + _WIDE * unit + 1, bottom), (red, green, blue), 1)
        if k:
            stroke(canvas, (start + 0.5, bottom), (start + 0.5, bottom + 5 * unit), 1.5 * unit)
            written.append(furniture.Writing((start, bottom + 24 * unit), number(float(edges[k - 1]), decimals)))
    under = bottom + 51 * unit
    written.append(furniture.Writing((left, under), "little", 20.0, True, "l"))
    written.append(furniture.Writing((right, under), f"much, {unit_label}", 20.0, True, "r"))
    blank = left - (64 + _WIDE) * unit
    swatch(canvas, (blank, top, blank + _WIDE * unit, bottom), "not measured", unit)
    written.append(furniture.Writing((blank + _WIDE / 2 * unit, bottom + 24 * unit), few))
    return written
