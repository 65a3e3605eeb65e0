"""Smooth lines, discs and textures on an array of pixels."""

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
from PIL import Image

from metrology.bodies import Floats
from metrology.pictures.palette import GRAPHITE, NOT_MEASURED, PALETTE, STIPPLE, WHITE, Colour, dots, hatch, stipple

Canvas = npt.NDArray[np.float32]
Point = tuple[float, float]

# Subdivision of a pixel when lines are stamped.
_FINE = 3


def paper(width: int, height: int, colour: Colour) -> Canvas:
    """(height, width, 3) float32, 0 to 255."""
    return np.full((height, width, 3), colour, dtype=np.float32)


def stamp(canvas: Canvas, runs: Iterable[tuple[Floats, float]], colour: Colour = GRAPHITE) -> None:
    """Draw lines given as dense points: for each run its points (p, 2) px and its width px. Ends and corners are
    round; where runs meet they join without a seam."""
    height, width = canvas.shape[:2]
    fine = np.zeros((height * _FINE, width * _FINE), dtype=np.uint8)
    for points, line in runs:
        radius = line * _FINE / 2
        reach = int(np.ceil(radius))
        by = np.mgrid[-reach : reach + 1, -reach : reach + 1].reshape(2, -1)
        at = np.floor(points[:, ::-1] * _FINE).astype(np.int64)
        at = at[((at >= reach) & (at < np.array(fine.shape) - reach)).all(axis=1)]
        for dy, dx in by[:, np.hypot(*by) <= radius].T:
            fine[at[:, 0] + dy, at[:, 1] + dx] = 255
    share = np.asarray(Image.fromarray(fine).reduce(_FINE), dtype=np.float32) / 255
    rows, columns = np.nonzero(share)
    blend(canvas, rows, columns, share[rows, columns], colour)


def blend(
    canvas: Canvas, rows: npt.NDArray[np.intp], columns: npt.NDArray[np.intp], share: npt.ArrayLike, colour: Colour
) -> None:
    there = canvas[rows, columns]
    canvas[rows, columns] = there + np.asarray(share, dtype=np.float32)[:, None] * (
        np.array(colour, dtype=np.float32) - there
    )


def stroke(canvas: Canvas, start: Point, end: Point, width: float, colour: Colour = GRAPHITE) -> None:
    """One straight line with round ends; px."""
    a, along = np.array(start), np.subtract(end, start)
    rows, columns, x, y = _around(canvas, (start, end), width / 2 + 1)
    part = ((x - a[0]) * along[0] + (y - a[1]) * along[1]) / max(float(along @ along), 1e-9)
    part = np.clip(part, 0.0, 1.0)
    away = np.hypot(x - a[0] - part * along[0], y - a[1] - part * along[1])
    blend(canvas, rows, columns, np.clip(width / 2 + 0.5 - away, 0.0, 1.0), colour)


def disc(canvas: Canvas, centre: Point, radius: float, colour: Colour) -> None:
    stroke(canvas, centre, centre, 2 * radius, colour)


def rectangle(canvas: Canvas, box: tuple[float, float, float, float], fill: Colour | None, line: int = 0) -> None:
    """Crisp: left, top, right, bottom rounded to whole pixels; the line lies inside."""
    left, top, right, bottom = (round(edge) for edge in box)
    if line:
        canvas[top:bottom, left:right] = GRAPHITE
    if fill is not None:
        canvas[top + line : bottom - line, left + line : right - line] = fill


def swatch(canvas: Canvas, box: tuple[float, float, float, float], band: str, unit: float) -> None:
    """A box in a band's colour and texture, or in that of "not measured"."""
    left, top, right, bottom = (round(edge) for edge in box)
    rows, columns = (index.reshape(-1) for index in np.mgrid[top:bottom, left:right])
    rectangle(canvas, box, PALETTE.get(band, NOT_MEASURED))
    if band in ("lo4", "hi4"):
        blend(canvas, rows, columns, hatch(rows, columns, unit, rising=band == "hi4"), WHITE)
    elif band in ("lo3", "hi3"):
        blend(canvas, rows, columns, dots(rows, columns, unit), WHITE)
    elif band not in PALETTE:
        blend(canvas, rows, columns, stipple(rows, columns, unit), STIPPLE)
    inner = canvas[top + 1 : bottom - 1, left + 1 : right - 1].copy()
    canvas[top:bottom, left:right] = GRAPHITE
    canvas[top + 1 : bottom - 1, left + 1 : right - 1] = inner


def finished(canvas: Canvas) -> Image.Image:
    return Image.fromarray(np.rint(np.clip(canvas, 0, 255)).astype(np.uint8))


def _around(
    canvas: Canvas, points: Iterable[Point], reach: float
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp], Floats, Floats]:
    """Rows and columns of the pixels of a box around points, and their middles x, y."""
    low, high = np.min(list(points), axis=0) - reach, np.max(list(points), axis=0) + reach
    size = np.array([canvas.shape[1], canvas.shape[0]])
    (left, top), (right, bottom) = (np.clip(edge, 0, size).astype(int) for edge in (np.floor(low), np.ceil(high)))
    rows, columns = (index.reshape(-1) for index in np.mgrid[top:bottom, left:right])
    return rows, columns, columns + 0.5, rows + 0.5
