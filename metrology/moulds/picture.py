"""Pictures of mouldability: the nominal from above and from below, with undercut, steep faces and thin walls marked."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from PIL import Image

from metrology.bodies import Floats, Mesh
from metrology.moulds.mouldability import Mouldability
from metrology.moulds.places import Place
from metrology.moulds.release import draft_deg, undercut_at, walls_at
from metrology.moulds.words import area_words
from metrology.pictures import callouts as labelling
from metrology.pictures import furniture
from metrology.pictures.edges import find_edges, in_sight, visible_lines
from metrology.pictures.lettering import Lettering
from metrology.pictures.palette import GRAPHITE, LEAD, PAPER, RULE, Scale, dots, hatch
from metrology.pictures.raster import Seen, rasterise
from metrology.pictures.strokes import Canvas, Point, blend, finished, paper, rectangle, stamp
from metrology.pictures.views import VIEWS, Camera, View, camera, pictorial
from metrology.surfaces.planes_of import FlatFace, coplanar
from metrology.surfaces.surface import Flags, Surface, prepare
from metrology.wording import quantity

MOULD_VIEWS: tuple[View, ...] = (VIEWS[0], View("from-below", "From back left, below", *pictorial(232.0, -33.0)))
_OUTLINE, _EDGE = 3.6, 1.9
# Labels of what is wrong are framed thickly: beyond these edges.
_NO_SCALE = Scale(np.array([-0.5, -0.5, -0.2, -0.1, 0.1, 0.2, 0.5, 0.5]), 1)


@dataclass(frozen=True)
class _Mark:
    """A place to label; see `metrology.pictures.callouts.Named`. value: 1 where something is wrong, else 0."""

    number: int
    at: Floats
    normal: Floats
    value: float
    sentence: str


@dataclass(frozen=True)
class _Found:
    """At each covered pixel, (p,): undercut, less draft angle than wanted, thinner than wanted, on the fill face."""

    rows: np.ndarray
    columns: np.ndarray
    undercut: Flags
    steep: Flags
    thin: Flags
    fill: Flags
    facing: Floats


def mould_pictures(mesh: Mesh, found: Mouldability, *, width: int = 1200, height: int = 900) -> dict[str, Image.Image]:
    """One RGB picture for each of `MOULD_VIEWS`. mesh: the nominal that `found` came from.

    Undercut is hatched, too little draft angle dotted, a wall below what is wanted hatched the other way in thin lines;
    the pull is an arrow. Looked at pixel by pixel, so that edges are sharp.
    """
    surface = prepare(mesh)
    edges = find_edges(surface.faces, surface.normals)
    filled = np.zeros(len(surface.faces), dtype=np.bool_)
    if found.filling is not None:
        filled = _filled(surface, found)
    unit = min(width / 1200, height / 900)
    drawn = {}
    for view in MOULD_VIEWS:
        box = (0.10 * width, 100 * unit, 0.90 * width, height - 150 * unit)
        corners = surface.vertices[np.unique(surface.faces)]
        arrow = _arrow(corners, found.pull)
        eye = camera(view, np.concatenate([corners, arrow]), box)
        placed = eye.place(surface.vertices)
        facing: Flags = surface.normals @ view.toward > 1e-9
        seen = rasterise(placed[surface.faces], width, height, np.arange(len(facing)))
        lines = visible_lines(edges, placed, seen, facing)
        canvas = paper(width, height, PAPER)
        _lay_on(canvas, _judge(surface, seen, eye, found, filled), eye, unit)
        stamp(canvas, [(lines.at[~lines.outline], _EDGE * unit), (lines.at[lines.outline], _OUTLINE * unit)], GRAPHITE)
        drawn[view.name] = _finish(canvas, eye, seen, view, found, arrow, unit)
    return drawn


def _filled(surface: Surface, found: Mouldability) -> Flags:
    assert found.filling is not None
    offset = float(found.filling.centre @ found.filling.normal)
    face = FlatFace(found.filling.normal, offset, 0.0, found.filling.centre, np.zeros(0, dtype=np.int64))
    return coplanar(surface, face)


def _arrow(corners: Floats, pull: Floats) -> Floats:
    """Start and end of the arrow, (2, 3) mm: from the middle of the part's end towards the pull, outward."""
    low, high = corners.min(axis=0), corners.max(axis=0)
    diagonal = float(np.linalg.norm(high - low))
    reach = float((corners @ pull).max())
    middle = (low + high) / 2
    start = middle + (reach - float(middle @ pull) + 0.03 * diagonal) * pull
    return np.stack([start, start + 0.2 * diagonal * pull])


def _judge(surface: Surface, seen: Seen, eye: Camera, found: Mouldability, filled: Flags) -> _Found:
    rows, columns = np.nonzero(seen.face >= 0)
    faces = seen.face[rows, columns].astype(np.int64)
    points = eye.back(np.stack([columns + 0.5, rows + 0.5, seen.depth[rows, columns]], axis=1))
    asked = found.asked
    on_fill = filled[faces]
    undercut = np.zeros(len(rows), dtype=np.bool_)
    off = np.flatnonzero(~on_fill)
    undercut[off] = undercut_at(surface, points[off], faces[off], found.pull, asked.kind)
    steep = draft_deg(surface.normals, found.pull, asked.kind)[faces] < asked.draft_deg - 5e-3
    thin = np.zeros(len(rows), dtype=np.bool_)
    if found.wall is not None and asked.wall_mm is not None:
        with np.errstate(invalid="ignore"):
            thin = walls_at(surface, points, faces) < asked.wall_mm - 1e-6
    return _Found(rows, columns, undercut, steep & ~undercut & ~on_fill, thin, on_fill, surface.normals[faces])


def _lay_on(canvas: Canvas, found: _Found, eye: Camera, unit: float) -> None:
    light = 0.55 * eye.axes[2] - 0.45 * eye.axes[0] + np.array([0.0, 0.0, 0.9])
    shade = 1.0 - np.clip(found.facing @ (light / np.linalg.norm(light)), 0.0, 1.0)
    blend(canvas, found.rows, found.columns, 0.55 * shade, RULE)
    _texture(canvas, found.rows, found.columns, found.steep, "steep", unit)
    _texture(canvas, found.rows, found.columns, found.thin, "thin", unit)
    _texture(canvas, found.rows, found.columns, found.undercut, "undercut", unit)


def _texture(canvas: Canvas, rows: np.ndarray, columns: np.ndarray, where: Flags, name: str, unit: float) -> None:
    rows, columns = rows[where], columns[where]
    if name == "undercut":
        blend(canvas, rows, columns, np.full(len(rows), 0.35), LEAD)
        blend(canvas, rows, columns, hatch(rows, columns, 1.25 * unit, rising=True), GRAPHITE)
    elif name == "thin":
        blend(canvas, rows, columns, 0.75 * hatch(rows, columns, unit, rising=False), LEAD)
    else:
        blend(canvas, rows, columns, dots(rows, columns, 1.1 * unit), GRAPHITE)


def _finish(
    canvas: Canvas, eye: Camera, seen: Seen, view: View, found: Mouldability, arrow: Floats, unit: float
) -> Image.Image:
    height, width = canvas.shape[:2]
    seen_tip = _draw_arrow(canvas, eye, seen, arrow, unit)
    writings = [
        furniture.Writing((32 * unit, 44 * unit), "Mouldability", 24.0, True, "l"),
        furniture.Writing((32 * unit, 70 * unit), view.title, 17.0, False, "l", True),
        *_legend(canvas, found, unit),
        *furniture.axes(canvas, eye, unit, "mm"),
    ]
    if seen_tip is not None:
        writings.append(_beside(seen_tip, "pull", seen, unit))
    shown, hidden = labelling.sort_out(_marks(found), eye, seen)
    if hidden:
        numbers = ", ".join(str(mark.number) for mark in hidden)
        writings.append(
            furniture.Writing((width - 32 * unit, 44 * unit), f"{numbers}: not seen from here", anchor="r", quiet=True)
        )
    lettering = Lettering(Image.new("RGB", (1, 1)), unit)
    taken = [text.box(lettering, unit) for text in writings]
    busy: Floats = np.where(seen.face >= 0, 0.4, 0.0)
    room = (12 * unit, 84 * unit, width - 12 * unit, height - 130 * unit)
    labels = labelling.place_labels(shown, _NO_SCALE, lettering, unit, room, taken, busy)
    labelling.draw_leaders(canvas, labels, unit)
    image = finished(canvas)
    lettering = Lettering(image, unit)
    for text in writings:
        text.write(lettering)
    labelling.write_labels(lettering, labels, unit)
    return image


def _marks(found: Mouldability) -> Sequence[_Mark]:
    said: list[tuple[str, Place, bool]] = [
        (f"undercut, {area_words(island.area)}", island.place, True) for island in found.undercuts[:4]
    ]
    asked = found.asked
    if found.least_draft is not None and found.least_draft_at is not None:
        short = found.least_draft < asked.draft_deg - 5e-3
        said.append((f"draft angle {quantity(found.least_draft, '', 1)}°", found.least_draft_at, short))
    if found.wall is not None and found.wall_at is not None:
        short = asked.wall_mm is not None and found.wall < asked.wall_mm - 1e-6
        said.append((f"wall {quantity(found.wall, 'mm', 0 if found.wall >= 10 else 1)}", found.wall_at, short))
    if found.filling is not None:
        for trap in found.filling.traps[:2]:
            said.append(("air is caught here", trap, True))
    return [
        _Mark(number, spot.at, spot.normal, float(wrong), f"{text} at {spot.words.partition(' at ')[2]}")
        for number, (text, spot, wrong) in enumerate(said, 1)
    ]


def _draw_arrow(canvas: Canvas, eye: Camera, seen: Seen, arrow: Floats, unit: float) -> Point | None:
    """The arrow without what the part hides of it; its tip, px, where it can be seen."""
    tail, tip = (eye.place(point) for point in arrow)
    along = tip - tail
    length = float(np.hypot(*along[:2]))
    if length < 4 * unit:
        return None
    way = along[:2] / length
    turns = [np.array([[0.87, sine], [-sine, 0.87]]) for sine in (0.5, -0.5)]
    ends = [tail, *(tip - 22 * unit * np.r_[way @ turn, 0.0] for turn in turns)]
    runs = [end + np.linspace(0.0, 1.0, 2 + int(2 * np.hypot(*(tip - end)[:2])))[:, None] * (tip - end) for end in ends]
    points = np.concatenate(runs)
    visible, _ = in_sight(points, seen)
    stamp(canvas, [(points[visible, :2], 5.0 * unit)], GRAPHITE)
    return (float(tip[0]), float(tip[1])) if visible[len(runs[0]) - 1] else None


def _beside(tip: Point, word: str, seen: Seen, unit: float) -> furniture.Writing:
    """The word to the right of the tip or to its left, where less of the part is in the way."""
    row, reach = int(tip[1]), int(66 * unit)
    rows = slice(max(row - int(14 * unit), 0), row + int(14 * unit))
    right = (seen.face[rows, int(tip[0]) : int(tip[0]) + reach] >= 0).sum()
    left = (seen.face[rows, max(int(tip[0]) - reach, 0) : int(tip[0])] >= 0).sum()
    side = 1 if right <= left else -1
    at = (tip[0] + side * 18 * unit, tip[1] + 6 * unit)
    return furniture.Writing(at, word, 20.0, True, "l" if side > 0 else "r")


def _legend(canvas: Canvas, found: Mouldability, unit: float) -> list[furniture.Writing]:
    """Swatches with their words, from the right, along the foot of the picture."""
    height, width = canvas.shape[:2]
    asked = found.asked
    entries = [("undercut", "undercut"), ("steep", f"draft angle below {quantity(asked.draft_deg, '', 1)}°")]
    if asked.wall_mm is not None:
        entries.append(("thin", f"wall below {quantity(asked.wall_mm, 'mm', 1)}"))
    lettering = Lettering(Image.new("RGB", (1, 1)), unit)
    right, top = width - 32 * unit, height - 64 * unit
    written = []
    for name, words in reversed(entries):
        right -= lettering.width(words, 17.0)
        written.append(furniture.Writing((right, top + 20 * unit), words, anchor="l"))
        right -= 56 * unit
        box = (right, top, right + 46 * unit, top + 26 * unit)
        rows, columns = (
            at.reshape(-1) for at in np.mgrid[round(box[1]) : round(box[3]), round(box[0]) : round(box[2])]
        )
        rectangle(canvas, box, PAPER)
        _texture(canvas, rows, columns, np.ones(len(rows), dtype=np.bool_), name, unit)
        inner = canvas[round(box[1]) + 1 : round(box[3]) - 1, round(box[0]) + 1 : round(box[2]) - 1].copy()
        rectangle(canvas, box, GRAPHITE)
        canvas[round(box[1]) + 1 : round(box[3]) - 1, round(box[0]) + 1 : round(box[2]) - 1] = inner
        right -= 26 * unit
    return written
