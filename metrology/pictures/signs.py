"""A + or a − on each island of deviation, so that a print without colour keeps the sign."""

from collections.abc import Sequence

import numpy as np
from scipy import ndimage

from metrology.bodies import Floats
from metrology.pictures.furniture import Box
from metrology.pictures.paint import STRIDE, Shown
from metrology.pictures.palette import GRAPHITE, PAPER, Scale
from metrology.pictures.strokes import Canvas, Point, disc, stroke

# Islands narrower than this across (px of a picture 1200 wide) get no sign; at most this many signs.
_NARROWEST, _MOST = 11.0, 40


def place_signs(
    shown: Shown, scale: Scale, lines: Floats, taken: Sequence[Box], unit: float
) -> list[tuple[Point, bool, float]]:
    """Where a sign belongs, whether it is a plus, and the room around it in px. Largest room first.

    lines: (p, 2) px, drawn lines, which divide islands. taken: boxes (left, top, right, bottom) px to stay off.
    """
    half = STRIDE // 2
    deviation = shown.deviation[half::STRIDE, half::STRIDE]
    known = np.nan_to_num(shown.share[half::STRIDE, half::STRIDE]) > 0.5
    free = np.ones(deviation.shape, dtype=bool)
    at = np.clip(lines.astype(np.int64) // STRIDE, 0, np.array(deviation.shape)[::-1] - 1)
    free[at[:, 1], at[:, 0]] = False
    open_to_signs = np.ones(deviation.shape, dtype=bool)
    for left, top, right, bottom in taken:
        window = tuple(slice(max(int(a // STRIDE), 0), int(b // STRIDE) + 1) for a, b in ((top, bottom), (left, right)))
        open_to_signs[window] = False
    found: list[tuple[Point, bool, float]] = []
    with np.errstate(invalid="ignore"):
        sides = ((True, deviation > scale.edges[4]), (False, deviation < scale.edges[3]))
    for plus, side in sides:
        island = side & known & free
        number, count = ndimage.label(island)
        if not count:
            continue
        island = np.pad(island & open_to_signs, 1)
        room = ndimage.distance_transform_edt(island)[1:-1, 1:-1] * STRIDE
        for row, column in ndimage.maximum_position(room, number, np.arange(1, count + 1)):
            if room[row, column] >= _NARROWEST * unit:
                centre = (float(column * STRIDE + half) + 0.5, float(row * STRIDE + half) + 0.5)
                found.append((centre, plus, float(room[row, column])))
    return sorted(found, key=lambda sign: (-sign[2], sign[0]))[:_MOST]


def draw_sign(canvas: Canvas, centre: Point, plus: bool, unit: float, *, plate: bool) -> None:
    """plate: a paper disc under the sign, where it stands on a dark or textured band."""
    x, y = centre
    if plate:
        disc(canvas, centre, 12.5 * unit, PAPER)
    stroke(canvas, (x - 6.5 * unit, y), (x + 6.5 * unit, y), 2.6 * unit, GRAPHITE)
    if plus:
        stroke(canvas, (x, y - 6.5 * unit), (x, y + 6.5 * unit), 2.6 * unit, GRAPHITE)
