"""Pictures of a part and of its deviation: drawings in parallel projection, the same from the same input.

Deviation in mm, positive = material outside nominal. Colour bands are cut at the limits, at the limits less the guard
band, and in even steps between. Beyond a limit the band is hatched, in the guard band dotted, and what was not measured
is grey and stippled, so that a print without colour says the same.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from PIL import Image

from metrology.bodies import Floats, Mesh
from metrology.errors import InputError
from metrology.pictures import callouts as labelling
from metrology.pictures import furniture
from metrology.pictures.edges import Edges, Flags, Lines, find_edges, visible_lines
from metrology.pictures.field import Field
from metrology.pictures.histogram import histogram_picture
from metrology.pictures.lettering import Lettering
from metrology.pictures.paint import Shown, lay_on, look_up
from metrology.pictures.palette import BACKGROUNDS, GRAPHITE, PAPER, RULE, Scale, scale
from metrology.pictures.raster import Seen, rasterise
from metrology.pictures.signs import draw_sign, place_signs
from metrology.pictures.strokes import Canvas, blend, finished, paper, stamp
from metrology.pictures.views import VIEWS, Camera, View, camera, view_named
from metrology.surfaces.surface import Surface, prepare
from metrology.wording import listed

__all__ = ["VIEWS", "View", "deviation_picture", "deviation_pictures", "histogram_picture", "nominal_picture"]

# Line widths of a picture 1200 px wide: the outline twice the inner edges, as on a drawing.
_OUTLINE, _EDGE = 3.6, 1.9
_SMALLEST, _LARGEST, _MOST_TEXT = 64, 6000, 1.4
_EVERY_VIEW = tuple(view.name for view in VIEWS)


def deviation_picture(
    mesh: Mesh,
    sample_points: npt.ArrayLike,
    sample_deviation: npt.ArrayLike,
    *,
    view: str,
    lower_mm: float,
    upper_mm: float,
    guard_mm: float,
    callouts: Sequence[labelling.Named] = (),
    sample_normals: npt.ArrayLike | None = None,
    width: int = 1200,
    height: int = 900,
    background: str = "paper",
    title: str = "",
    unit_label: str = "mm",
    text_scale: float = 1.0,
) -> Image.Image:
    """One of `deviation_pictures`."""
    return deviation_pictures(
        mesh,
        sample_points,
        sample_deviation,
        views=(view,),
        lower_mm=lower_mm,
        upper_mm=upper_mm,
        guard_mm=guard_mm,
        callouts=callouts,
        sample_normals=sample_normals,
        width=width,
        height=height,
        background=background,
        title=title,
        unit_label=unit_label,
        text_scale=text_scale,
    )[view]


def deviation_pictures(
    mesh: Mesh,
    sample_points: npt.ArrayLike,
    sample_deviation: npt.ArrayLike,
    *,
    views: Sequence[str] = _EVERY_VIEW,
    lower_mm: float,
    upper_mm: float,
    guard_mm: float,
    callouts: Sequence[labelling.Named] = (),
    sample_normals: npt.ArrayLike | None = None,
    width: int = 1200,
    height: int = 900,
    background: str = "paper",
    title: str = "",
    unit_label: str = "mm",
    text_scale: float = 1.0,
) -> dict[str, Image.Image]:
    """Deviation on the nominal, one RGB picture for each name in `views`.

    mesh: the nominal. sample_points: (s, 3) mm on its surface. sample_deviation: (s,) mm, NaN = not measured.
    sample_normals: (s, 3) unit, outward; found on the mesh when not given. guard_mm: the guard band inside each limit.
    callouts: places to label; one that cannot be seen from a side is named above the picture. width, height: px.
    background: "paper" or "white". text_scale: larger lettering and lines, up to 1.4 times, for pictures printed small.

    Raises InputError: view, picture-size, samples, background, the codes of `palette.scale` and of `surface.prepare`.
    """
    asked = [view_named(name) for name in views]
    bands = scale(lower_mm, upper_mm, guard_mm)
    unit = _unit(width, height, text_scale)
    if background not in BACKGROUNDS:
        raise InputError("background", f"There is no background “{background}”. Choose paper or white.")
    points, deviation = np.asarray(sample_points, dtype=np.float64), np.asarray(sample_deviation, dtype=np.float64)
    given = None if sample_normals is None else np.asarray(sample_normals, dtype=np.float64)
    _check_samples(points, deviation, given)
    solid = _Solid.of(mesh)
    normals = solid.surface.normals[solid.surface.closest(np.ascontiguousarray(points))[1]] if given is None else given
    field = Field(points, normals, deviation, (lower_mm, upper_mm))
    drawn = {}
    for view in asked:
        sheet = _Sheet.of(solid, view, width, height, furniture.part_box(width, height, unit))
        canvas = paper(width, height, BACKGROUNDS[background])
        shown = look_up(sheet.seen, solid.edges.patch, solid.surface.normals, sheet.camera, field)
        lay_on(canvas, shown, bands, unit)
        drawn[view.name] = _finish(canvas, sheet, shown, bands, callouts, unit, title, unit_label)
    return drawn


def nominal_picture(
    mesh: Mesh, *, view: str = "pictorial", width: int = 800, height: int = 600, background: str = "paper"
) -> Image.Image:
    """The nominal alone: its lines, and faces in quiet greys by where they face. Raises as `deviation_pictures`."""
    seen_from = view_named(view)
    unit = _unit(width, height, 1.0)
    if background not in BACKGROUNDS:
        raise InputError("background", f"There is no background “{background}”. Choose paper or white.")
    solid = _Solid.of(mesh)
    side = 0.06 * min(width, height)
    sheet = _Sheet.of(solid, seen_from, width, height, (side, side, width - side, height - side))
    canvas = paper(width, height, BACKGROUNDS[background])
    rows, columns = np.nonzero(sheet.seen.face >= 0)
    facing = solid.surface.normals[sheet.seen.face[rows, columns]]
    # Light from above and from the left of the eye; a face in full light stays paper.
    light = 0.55 * sheet.camera.axes[2] - 0.45 * sheet.camera.axes[0] + np.array([0.0, 0.0, 0.9])
    shade = 1.0 - np.clip(facing @ (light / np.linalg.norm(light)), 0.0, 1.0)
    blend(canvas, rows, columns, np.full(len(rows), 1.0), PAPER)
    blend(canvas, rows, columns, 0.75 * shade, RULE)
    _draw_lines(canvas, sheet.lines, max(unit, 0.45))
    return finished(canvas)


@dataclass(frozen=True)
class _Solid:
    """What pictures from every side share."""

    surface: Surface
    edges: Edges
    closed: bool

    @classmethod
    def of(cls, mesh: Mesh) -> "_Solid":
        surface = prepare(mesh)
        edges = find_edges(surface.faces, surface.normals)
        return cls(surface, edges, bool((edges.faces[:, 1] >= 0).all()))


@dataclass(frozen=True)
class _Sheet:
    """A part seen from one side."""

    view: View
    camera: Camera
    placed: Floats
    seen: Seen
    lines: Lines

    @classmethod
    def of(cls, solid: _Solid, view: View, width: int, height: int, box: furniture.Box) -> "_Sheet":
        eye = camera(view, solid.surface.vertices[np.unique(solid.surface.faces)], box)
        placed = eye.place(solid.surface.vertices)
        facing: Flags = solid.surface.normals @ view.toward > 1e-9
        # An open surface is seen from its back as well.
        drawn = np.flatnonzero(facing) if solid.closed else np.arange(len(facing))
        seen = rasterise(placed[solid.surface.faces], width, height, drawn)
        return cls(
            view,
            eye,
            placed,
            seen,
            visible_lines(solid.edges, placed, seen, facing if solid.closed else ~np.zeros_like(facing)),
        )


def _finish(
    canvas: Canvas,
    sheet: _Sheet,
    shown: Shown,
    bands: Scale,
    callouts: Sequence[labelling.Named],
    unit: float,
    title: str,
    unit_label: str,
) -> Image.Image:
    """Lines, signs, callouts and what surrounds the part."""
    height, width = canvas.shape[:2]
    _draw_lines(canvas, sheet.lines, unit)
    low, high = sheet.placed.min(axis=0), sheet.placed.max(axis=0)
    around = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    writings = [
        *furniture.heading(title, sheet.view, unit),
        *furniture.legend(canvas, bands, unit, unit_label),
        *furniture.direction_words(sheet.view, around, unit),
        *(furniture.scale_bar if sheet.view.words else furniture.axes)(canvas, sheet.camera, unit, unit_label),
    ]
    seen, hidden = labelling.sort_out(callouts, sheet.camera, sheet.seen)
    if hidden:
        numbers = listed([str(callout.number) for callout in hidden], 8)
        note = f"{numbers}: not seen from here"
        writings.append(furniture.Writing((width - 32 * unit, 44 * unit), note, anchor="r", quiet=True))
    lettering = Lettering(Image.new("RGB", (1, 1)), unit)
    first = writings[0]
    fitted = lettering.fitted(first.text, first.size, width - (300 if hidden else 64) * unit, bold=True)
    writings[0] = replace(first, text=fitted)
    taken = [text.box(lettering, unit) for text in writings]
    room = (12 * unit, 84 * unit, width - 12 * unit, height - 116 * unit)
    busy = 0.4 * (sheet.seen.face >= 0) + 0.6 * _coloured(shown, bands)
    labels = labelling.place_labels(seen, bands, lettering, unit, room, taken, busy)
    occupied = [
        *(label.box for label in labels),
        *labelling.leader_boxes(labels, unit),
    ]
    for centre, plus, room_px in place_signs(shown, bands, sheet.lines.at, occupied, unit):
        x, y = (int(part) for part in centre)
        value = shown.deviation[y, x]
        dark = not bands.edges[2] <= value <= bands.edges[5]
        if room_px >= (13 if dark else 10) * unit:
            draw_sign(canvas, centre, plus, unit, plate=bool(dark))
    labelling.draw_leaders(canvas, labels, unit)
    image = finished(canvas)
    lettering = Lettering(image, unit)
    for text in writings:
        text.write(lettering)
    labelling.write_labels(lettering, labels, unit)
    return image


def _draw_lines(canvas: Canvas, lines: Lines, unit: float) -> None:
    runs = [(lines.at[~lines.outline], _EDGE * unit), (lines.at[lines.outline], _OUTLINE * unit)]
    stamp(canvas, runs, GRAPHITE)


def _coloured(shown: Shown, bands: Scale) -> Flags:
    """Pixels that say something a label should not cover."""
    with np.errstate(invalid="ignore"):
        return np.asarray((shown.deviation < bands.edges[3]) | (shown.deviation > bands.edges[4]), dtype=np.bool_)


def _unit(width: int, height: int, text_scale: float) -> float:
    if not (_SMALLEST <= width <= _LARGEST and _SMALLEST <= height <= _LARGEST):
        sides = f"between {_SMALLEST} and {_LARGEST} pixels"
        raise InputError(
            "picture-size", f"A picture of {width} × {height} pixels cannot be drawn. Make each side {sides}."
        )
    if not 0 < text_scale <= _MOST_TEXT:
        raise InputError(
            "picture-size", f"Lettering grows {_MOST_TEXT} times at most. Make the picture smaller instead."
        )
    return min(width / 1200, height / 900) * text_scale


def _check_samples(points: Floats, deviation: Floats, normals: Floats | None) -> None:
    fits = points.ndim == 2 and points.shape[1:] == (3,) and len(points) and deviation.shape == (len(points),)
    if not fits or (normals is not None and normals.shape != points.shape) or not np.isfinite(points).all():
        raise InputError("samples", "The measured samples do not belong together. Measure the scan again.")
