"""Pictures of a position report: the assembly from above and from one side, with what each part is off as an arrow."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from PIL import Image

from metrology.bodies import Floats
from metrology.errors import InputError
from metrology.pictures import callouts as labelling
from metrology.pictures import furniture
from metrology.pictures.edges import find_edges, visible_lines
from metrology.pictures.lettering import Lettering
from metrology.pictures.palette import GRAPHITE, LEAD, PAPER, RULE, Colour, Scale, dots
from metrology.pictures.raster import rasterise
from metrology.pictures.strokes import Canvas, Point, blend, disc, finished, paper, stamp, stroke
from metrology.pictures.views import Camera, View, camera, view_named
from metrology.positions.assembly import PlacedPart, placed_mesh
from metrology.positions.results import PartPosition
from metrology.surfaces.coarser import coarser
from metrology.surfaces.surface import prepare
from metrology.wording import quantity

PLAN, ELEVATION = "plan", "elevation"
# The longest arrow, as a share of the picture's width, and the strongest magnification.
_LONGEST, _STRONGEST = 0.09, 500.0
_LABELS, _MOST_FACES = 12, 150_000
_NO_SCALE = Scale(np.array([-0.5, -0.5, -0.2, -0.1, 0.1, 0.2, 0.5, 0.5]), 1)


@dataclass(frozen=True)
class _Mark:
    """A label; see `metrology.pictures.callouts.Named`. value: 1 where the part does not conform."""

    number: int
    at: Floats
    value: float
    sentence: str


def position_pictures(
    parts: Sequence[PlacedPart], positions: Sequence[PartPosition], *, width: int = 1400, height: int = 900
) -> dict[str, Image.Image]:
    """Two RGB pictures, "plan" and "elevation" (from the side that shows the longer way).

    positions: of a report, in its order; the first twelve are labelled, numbered by rank. Arrows start at the middle
    of a part and are magnified, the same in both pictures; the factor is written. A part that was not found is dotted.
    """
    if not parts or not positions:
        raise InputError("no-parts", "There are no parts to draw.")
    each = max(_MOST_FACES // len(parts), 300)
    thin = {id(part.mesh): coarser(part.mesh, each) for part in parts}
    light = [replace(part, mesh=thin[id(part.mesh)]) for part in parts]
    surface = prepare(placed_mesh(light))
    owner = np.repeat(np.arange(len(light)), [len(part.mesh.faces) for part in light])[surface.mesh_faces]
    lost = np.isin(owner, [k for k, p in enumerate(parts) if p.label in {q.label for q in positions if not q.found}])
    edges = find_edges(surface.faces, surface.normals)
    across = np.ptp(surface.vertices, axis=0)
    side = "front" if across[1] > across[0] else "right"
    unit = min(width / 1400, height / 900)
    eyes = {}
    for name, view in ((PLAN, view_named("top")), (ELEVATION, view_named(side))):
        box = (0.12 * width, 130 * unit, 0.88 * width, height - 150 * unit)
        eyes[name] = (view, camera(view, surface.vertices, box))
    factor = _factor(positions, min(eye.scale for _, eye in eyes.values()), _LONGEST * width)
    drawn = {}
    for name, (view, eye) in eyes.items():
        placed = eye.place(surface.vertices)
        seen = rasterise(placed[surface.faces], width, height, np.arange(len(surface.faces)))
        lines = visible_lines(edges, placed, seen, surface.normals @ view.toward > 1e-9)
        canvas = paper(width, height, PAPER)
        rows, columns = np.nonzero(seen.face >= 0)
        blend(canvas, rows, columns, np.full(len(rows), 0.18), RULE)
        gone = lost[seen.face[rows, columns]]
        blend(canvas, rows[gone], columns[gone], dots(rows[gone], columns[gone], unit), LEAD)
        stamp(canvas, [(lines.at[~lines.outline], 1.1 * unit), (lines.at[lines.outline], 1.8 * unit)], LEAD)
        busy: Floats = np.where(seen.face >= 0, 0.25, 0.0)
        around = np.r_[placed.min(axis=0)[:2] - 110 * unit, placed.max(axis=0)[:2] + 110 * unit]
        around = np.clip(around, [100 * unit, 118 * unit] * 2, [width - 100 * unit, height - 132 * unit] * 2)
        words = furniture.direction_words(
            view, (float(around[0]), float(around[1]), float(around[2]), float(around[3])), unit
        )
        drawn[name] = _finish(canvas, eye, view, name, positions, factor, words, busy, unit)
    return drawn


def _factor(positions: Sequence[PartPosition], scale: float, most_px: float) -> float:
    """A round magnification that makes the longest arrow about as long as it may be."""
    longest = max((float(np.linalg.norm(p.axes.T @ p.slide)) for p in positions if p.found), default=0.0)
    wanted = most_px / max(longest * scale, 1e-9)
    return furniture.round_length(min(max(wanted, 1.0), _STRONGEST))


def _finish(
    canvas: Canvas,
    eye: Camera,
    view: View,
    name: str,
    positions: Sequence[PartPosition],
    factor: float,
    words: list[furniture.Writing],
    busy: Floats,
    unit: float,
) -> Image.Image:
    height, width = canvas.shape[:2]
    marks: list[tuple[labelling.Named, Point]] = []
    tips: list[furniture.Box] = []
    for rank, position in enumerate(positions, 1):
        start = _pixel(eye, position.middle)
        if position.found:
            end = _pixel(eye, position.middle + factor * position.axes.T @ position.slide)
            _arrow(canvas, start, end, unit)
            tips.append((end[0] - 18 * unit, end[1] - 18 * unit, end[0] + 18 * unit, end[1] + 18 * unit))
        if rank <= _LABELS:
            wrong = position.result == "does not conform" or not position.found
            marks.append((_Mark(rank, position.middle, float(wrong), _label(position)), start))
    title = "From above" if name == PLAN else view.title
    note = f"arrows {quantity(factor, '', 0)} times as long as the parts are off; dotted: not found"
    writings = [
        furniture.Writing(
            (32 * unit, 44 * unit), f"Where the parts lie, {title[0].lower()}{title[1:]}", 24.0, True, "l"
        ),
        furniture.Writing((32 * unit, 70 * unit), note, 17.0, False, "l", True),
        *words,
        *furniture.scale_bar(canvas, eye, unit, "mm"),
    ]
    lettering = Lettering(Image.new("RGB", (1, 1)), unit)
    taken = [*(text.box(lettering, unit) for text in writings), *tips]
    room = (12 * unit, 84 * unit, width - 12 * unit, height - 116 * unit)
    labels = labelling.place_labels(marks, _NO_SCALE, lettering, unit, room, taken, busy)
    labelling.draw_leaders(canvas, labels, unit)
    image = finished(canvas)
    lettering = Lettering(image, unit)
    for text in writings:
        text.write(lettering)
    labelling.write_labels(lettering, labels, unit)
    return image


def _label(position: PartPosition) -> str:
    if not position.found:
        return f"{position.label} not found"
    if not any(position.known[:3]):
        return f"{position.label} not determined"
    least = "" if all(position.known[:3]) else "at least "
    return f"{position.label} {least}{quantity(position.off, 'mm', 1)}"


def _pixel(eye: Camera, at: Floats) -> Point:
    place = eye.place(at)
    return float(place[0]), float(place[1])


def _arrow(canvas: Canvas, start: Point, end: Point, unit: float, colour: Colour = GRAPHITE) -> None:
    along = np.subtract(end, start)
    length = float(np.hypot(*along))
    disc(canvas, start, 4.0 * unit, colour)
    if length < 5 * unit:
        return
    way = along / length
    stroke(canvas, start, end, 7.0 * unit, PAPER)
    stroke(canvas, start, end, 3.4 * unit, colour)
    barb_length = min(16 * unit, 0.5 * length)
    for sine in (0.5, -0.5):
        barb = way @ np.array([[0.87, sine], [-sine, 0.87]])
        tip = (float(end[0] - barb_length * barb[0]), float(end[1] - barb_length * barb[1]))
        stroke(canvas, end, tip, 3.4 * unit, colour)
