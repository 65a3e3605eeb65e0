"""A region of the nominal, shown where it lies: the part in quiet lines, the region in ink."""

import numpy as np
from PIL import Image

from metrology.bodies import Floats, Ints
from metrology.pictures.edges import find_edges, visible_lines
from metrology.pictures.lettering import Lettering
from metrology.pictures.palette import GRAPHITE, LEAD, PAPER, RULE, rgb
from metrology.pictures.raster import Seen, rasterise
from metrology.pictures.strokes import Canvas, blend, disc, finished, paper, stamp, stroke
from metrology.pictures.views import VIEWS, Camera, View, camera, view_named
from metrology.surfaces.selection import Chosen
from metrology.surfaces.surface import Flags, Surface

INK = rgb("#14438f")
# Views are tried at this width; the pictorial one is taken when it shows at least this share of what the best does.
_SMALL, _NEARLY = 260, 0.55


def region_picture(chosen: Chosen, *, view: str = "", width: int = 800, height: int = 600) -> tuple[Image.Image, str]:
    """The part with the region in ink, and the name of the view; empty takes the one that shows most of the region.

    Seed points are numbered discs. Raises InputError (view) for an unknown view.
    """
    surface = chosen.surface
    seen_from = view_named(view) if view else best_view(chosen)
    unit = max(min(width / 1200, height / 900), 0.45)
    side = 0.07 * min(width, height)
    box = (side, side, width - side, height - side - 14 * unit)
    eye, seen, facing = _look(surface, seen_from, width, height, box)
    canvas = paper(width, height, PAPER)
    rows, columns = np.nonzero(seen.face >= 0)
    faces: Ints = seen.face[rows, columns].astype(np.int64)
    shade = _shade(surface, faces, eye)
    blend(canvas, rows, columns, 0.75 * shade, RULE)
    held = _held(chosen, seen, eye)
    rows, columns = np.nonzero(held)
    faces = seen.face[rows, columns].astype(np.int64)
    blend(canvas, rows, columns, 0.42 + 0.3 * _shade(surface, faces, eye), INK)
    _outline(canvas, held)
    edges = find_edges(surface.faces, surface.normals)
    lines = visible_lines(edges, eye.place(surface.vertices), seen, facing)
    stamp(canvas, [(lines.at[~lines.outline], 1.9 * unit), (lines.at[lines.outline], 3.6 * unit)], GRAPHITE)
    marks = []
    for number, seed in enumerate(chosen.seeds, 1):
        x, y = (float(value) for value in eye.place(np.array(seed.seed))[:2])
        if 0 <= x < width and 0 <= y < height:
            stroke(canvas, (x, y), (x, y), 30 * unit, GRAPHITE)
            disc(canvas, (x, y), 13 * unit, PAPER)
            marks.append(((x, y), str(number)))
    image = finished(canvas)
    lettering = Lettering(image, unit)
    for (x, y), text in marks:
        lettering.write((x, y + 6.5 * unit), text, 19, bold=True, anchor="m")
    lettering.write((side / 2, height - 14 * unit), seen_from.title, 22, fill=LEAD)
    return image, seen_from.name


def best_view(chosen: Chosen) -> View:
    """The view from which most of the region is seen; the pictorial one if it shows nearly as much."""
    shown = []
    height = int(_SMALL * 0.75)
    for view in VIEWS:
        eye, seen, _ = _look(chosen.surface, view, _SMALL, height, (8.0, 8.0, _SMALL - 8.0, height - 8.0))
        # In mm², so that a view that is drawn larger has no advantage.
        shown.append(float(_held(chosen, seen, eye).sum()) / eye.scale**2)
    return VIEWS[0] if shown[0] >= _NEARLY * max(shown) else VIEWS[int(np.argmax(shown))]


def _look(
    surface: Surface, view: View, width: int, height: int, box: tuple[float, float, float, float]
) -> tuple[Camera, Seen, Flags]:
    eye = camera(view, surface.vertices[np.unique(surface.faces)], box)
    facing: Flags = np.asarray(surface.normals @ view.toward > 1e-9)
    closed = bool((find_edges(surface.faces, surface.normals).faces[:, 1] >= 0).all()) if not facing.all() else False
    drawn = np.flatnonzero(facing) if closed else np.arange(len(facing))
    seen = rasterise(eye.place(surface.vertices)[surface.faces], width, height, drawn)
    return eye, seen, facing if closed else np.ones_like(facing)


def _held(chosen: Chosen, seen: Seen, eye: Camera) -> Flags:
    """Pixels (height, width) that show the region."""
    held = np.zeros(seen.face.shape, dtype=np.bool_)
    rows, columns = np.nonzero(seen.face >= 0)
    faces: Ints = seen.face[rows, columns].astype(np.int64)
    maybe = chosen.faces[faces]
    rows, columns, faces = rows[maybe], columns[maybe], faces[maybe]
    at = np.stack([columns + 0.5, rows + 0.5, seen.depth[rows, columns]], axis=1)
    held[rows, columns] = chosen.holds(eye.back(at), faces)
    return held


def _shade(surface: Surface, faces: Ints, eye: Camera) -> Floats:
    """As in the picture of the nominal: light from above and from the left of the eye."""
    light = 0.55 * eye.axes[2] - 0.45 * eye.axes[0] + np.array([0.0, 0.0, 0.9])
    shade: Floats = 1.0 - np.clip(surface.normals[faces] @ (light / np.linalg.norm(light)), 0.0, 1.0)
    return shade


def _outline(canvas: Canvas, held: Flags) -> None:
    """A dark rim, one pixel wide, where the region ends."""
    inner = held.copy()
    inner[1:] &= held[:-1]
    inner[:-1] &= held[1:]
    inner[:, 1:] &= held[:, :-1]
    inner[:, :-1] &= held[:, 1:]
    rows, columns = np.nonzero(held & ~inner)
    blend(canvas, rows, columns, np.full(len(rows), 0.9), INK)
