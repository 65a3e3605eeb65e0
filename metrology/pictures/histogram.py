"""How the deviation of the samples is spread, against the limits."""

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from PIL import Image

from metrology.errors import InputError
from metrology.pictures.furniture import Writing, round_length
from metrology.pictures.lettering import Lettering
from metrology.pictures.palette import BANDS, PAPER, RULE, Scale, scale
from metrology.pictures.strokes import Canvas, blend, finished, paper, stroke, swatch
from metrology.wording import limits, number


def histogram_picture(
    edges: npt.ArrayLike,
    counts: npt.ArrayLike,
    *,
    lower_mm: float,
    upper_mm: float,
    guard_mm: float,
    width: int = 760,
    height: int = 420,
    unit_label: str = "mm",
) -> Image.Image:
    """Bars in the colours of the deviation picture, with the limits and the accepted width as dimension lines.

    edges: (n + 1,) mm, ascending. counts: (n,) zero or more. Raises InputError (histogram) when they do not belong
    together, and as `scale` for limits.
    """
    at, many = np.asarray(edges, dtype=np.float64), np.asarray(counts, dtype=np.float64)
    if many.ndim != 1 or len(many) < 1 or at.shape != (len(many) + 1,) or not (np.diff(at) > 0).all():
        raise InputError("histogram", "A histogram needs one edge more than bars, ascending. Measure the scan again.")
    bands = scale(lower_mm, upper_mm, guard_mm)
    unit = min(width / 760, height / 420)
    canvas = paper(width, height, PAPER)
    left, right, top, base = 28 * unit, width - 28 * unit, 96 * unit, height - 74 * unit
    span = upper_mm - lower_mm
    low, high = min(float(at[0]), lower_mm - 0.12 * span), max(float(at[-1]), upper_mm + 0.12 * span)

    def x_of(mm: float) -> float:
        return left + (mm - low) / (high - low) * (right - left)

    for start, stop in ((left, x_of(lower_mm)), (x_of(upper_mm), right)):
        _forbidden(canvas, start, stop, top, base, unit)
    tallest = max(float(many.max()), 1.0)
    for k in np.flatnonzero(many):
        band = BANDS[int(np.searchsorted(bands.edges, (at[k] + at[k + 1]) / 2, side="right"))]
        tall = max(float(many[k]) / tallest * (base - top), 5 * unit)
        swatch(canvas, (x_of(at[k]), base - tall, x_of(at[k + 1]) + 1, base + 1), band, unit * 0.8)
    stroke(canvas, (left, base), (right, base), 2 * unit)
    written = _dimensions(canvas, bands, x_of, base, unit, unit_label)
    written += _ticks(canvas, x_of, low, high, base, unit)
    written.append(Writing((left, base + 56 * unit), "share of samples", anchor="l", quiet=True))
    written.append(Writing((right, base + 56 * unit), f"{unit_label} from nominal", anchor="r", quiet=True))
    image = finished(canvas)
    lettering = Lettering(image, unit)
    for text in written:
        text.write(lettering)
    return image


def _forbidden(canvas: Canvas, left: float, right: float, top: float, base: float, unit: float) -> None:
    """Wide, light hatch on the side of a limit where nothing may be."""
    rows, columns = (index.reshape(-1) for index in np.mgrid[round(top) : round(base), round(left) : round(right)])
    across = ((columns + rows) / np.sqrt(2.0)) % (12 * unit)
    blend(canvas, rows, columns, np.clip(0.6 * unit + 0.5 - np.abs(across - 6 * unit), 0.0, 1.0), RULE)


def _dimensions(
    canvas: Canvas, bands: Scale, x_of: Callable[[float], float], base: float, unit: float, unit_label: str
) -> list[Writing]:
    """The tolerance and, inside it, the accepted width."""
    lower, accepted_from, accepted_to, upper = (float(bands.edges[k]) for k in (0, 1, 6, 7))
    rows = [(lower, upper, "tolerance", 30.0, 2.4)]
    if lower < accepted_from < accepted_to < upper:
        rows.append((accepted_from, accepted_to, "accepted", 66.0, 1.4))
    written = []
    for start, stop, word, down, thick in rows:
        y = down * unit
        for mm, way in ((start, 1.0), (stop, -1.0)):
            x = x_of(mm)
            stroke(canvas, (x, y - 8 * unit), (x, base), thick * unit)
            for barb in (-4 * unit, 4 * unit):
                stroke(canvas, (x, y), (x + way * 11 * unit, y + barb), 1.4 * unit)
        stroke(canvas, (x_of(start), y), (x_of(stop), y), 1.4 * unit)
        text = f"{word} {limits(start, stop, unit_label, bands.decimals)}"
        written.append(Writing(((x_of(start) + x_of(stop)) / 2, y - 7 * unit), text, bold=True))
    return written


def _ticks(
    canvas: Canvas, x_of: Callable[[float], float], low: float, high: float, base: float, unit: float
) -> list[Writing]:
    step = round_length((high - low) / 4)
    decimals = max(0, -int(np.floor(np.log10(step) + 1e-9)))
    written = []
    for k in range(int(np.ceil(low / step)), int(np.floor(high / step)) + 1):
        x = x_of(k * step)
        stroke(canvas, (x, base), (x, base + 6 * unit), 1.5 * unit)
        written.append(Writing((x, base + 28 * unit), number(k * step, decimals, signed=True)))
    return written
