"""Deviation laid on what is seen of a part: from the field to coloured, textured pixels."""

from dataclasses import dataclass
from functools import partial

import numpy as np

from metrology.bodies import Floats, Ints
from metrology.pictures.field import Field
from metrology.pictures.palette import (
    BANDS,
    LEAD,
    NOT_MEASURED,
    PALETTE,
    STIPPLE,
    WHITE,
    Scale,
    dots,
    hatch,
    steps_of,
    stipple,
)
from metrology.pictures.raster import Seen
from metrology.pictures.strokes import Canvas, blend
from metrology.pictures.views import Camera

# The field is found at every fourth pixel each way and spread from there within smooth patches.
STRIDE = 4
_HALF = STRIDE // 2


@dataclass(frozen=True)
class Shown:
    """deviation: (height, width) mm, NaN off the part and where nothing near was measured. share: (height, width), of
    the neighbourhood that was measured, NaN off the part."""

    deviation: Floats
    share: Floats


def look_up(seen: Seen, patch: Ints, normals: Floats, view: Camera, field: Field) -> Shown:
    """The field at every covered pixel. patch: (m,) smooth patch and normals: (m, 3) of the faces that `seen` names."""
    height, width = seen.face.shape
    nodes = seen.face[_HALF::STRIDE, _HALF::STRIDE]
    shape = (nodes.shape[0] + 2, nodes.shape[1] + 2)
    near = np.full(shape, -1, dtype=np.int64)
    near[1:-1, 1:-1] = np.where(nodes >= 0, patch[nodes], -1)
    values, shares = np.full(shape, np.nan), np.zeros(shape)
    i, j = np.nonzero(nodes >= 0)
    rows, columns = _HALF + STRIDE * i, _HALF + STRIDE * j
    values[i + 1, j + 1], shares[i + 1, j + 1] = _direct(rows, columns, seen, normals, view, field)

    rows, columns = np.nonzero(seen.face >= 0)
    own = patch[seen.face[rows, columns]]
    up, left = (rows - _HALF) / STRIDE, (columns - _HALF) / STRIDE
    i, j = np.floor(up).astype(np.int64), np.floor(left).astype(np.int64)
    up, left = up - i, left - j
    total, known, value, share = (np.zeros(len(rows)) for _ in range(4))
    for di in (0, 1):
        for dj in (0, 1):
            node = (i + 1 + di) * shape[1] + j + 1 + dj
            weight = np.abs(1 - di - up) * np.abs(1 - dj - left) * (near.reshape(-1)[node] == own)
            found = values.reshape(-1)[node]
            total += weight
            share += weight * shares.reshape(-1)[node]
            weight = weight * np.isfinite(found)
            known += weight
            value += weight * np.nan_to_num(found)
    deviation, measured = np.full((height, width), np.nan), np.full((height, width), np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        deviation[rows, columns], measured[rows, columns] = value / known, share / total
    # Slivers between the nodes have none of their own.
    lost = np.flatnonzero(total < 1e-9)
    rows, columns = rows[lost], columns[lost]
    deviation[rows, columns], measured[rows, columns] = _direct(rows, columns, seen, normals, view, field)
    return Shown(deviation, measured)


def _direct(
    rows: np.ndarray, columns: np.ndarray, seen: Seen, normals: Floats, view: Camera, field: Field
) -> tuple[Floats, Floats]:
    if not len(rows):
        return np.empty(0), np.empty(0)
    at = np.stack([columns + 0.5, rows + 0.5, seen.depth[rows, columns]], axis=1)
    return field.at(view.back(at), normals[seen.face[rows, columns]])


def lay_on(canvas: Canvas, shown: Shown, scale: Scale, unit: float) -> None:
    """Colour and texture every covered pixel."""
    rows, columns = np.nonzero(np.isfinite(shown.deviation))
    deviation, change = shown.deviation[rows, columns], _change(shown.deviation, rows, columns)
    colours = np.array([PALETTE[band] for band in BANDS], dtype=np.float32)
    band = np.searchsorted(scale.edges, deviation, side="right")
    canvas[rows, columns] = colours[band]
    reach = 0.5 * change
    at_edge = np.searchsorted(scale.edges, deviation - reach) != np.searchsorted(scale.edges, deviation + reach)
    some = np.flatnonzero(at_edge | np.isin(band, (0, 1, 7, 8)))
    rows, columns = rows[some], columns[some]
    steps = steps_of(deviation[some], change[some], scale.edges)
    canvas[rows, columns] = colours[0] + steps.astype(np.float32) @ np.diff(colours, axis=0)
    low, high = 1.0 - steps[:, 0], steps[:, 7]
    guard = steps[:, 0] - steps[:, 1] + steps[:, 6] - steps[:, 7]
    textures = ((low, partial(hatch, rising=False)), (high, partial(hatch, rising=True)), (guard, dots))
    for strength, texture in textures:
        some = np.flatnonzero(strength > 0)
        cover = texture(rows[some], columns[some], unit)
        blend(canvas, rows[some], columns[some], np.multiply(strength[some], cover), WHITE)
    lay_unmeasured(canvas, shown, unit)


def lay_steps(canvas: Canvas, shown: Shown, edges: Floats, colours: Floats) -> None:
    """Colour every covered pixel by plain steps. edges: (k,) ascending. colours: (k + 1, 3), 0 to 255."""
    rows, columns = np.nonzero(np.isfinite(shown.deviation))
    value, change = shown.deviation[rows, columns], _change(shown.deviation, rows, columns)
    steps = steps_of(value, change, edges)
    canvas[rows, columns] = colours[0] + steps.astype(np.float32) @ np.diff(colours, axis=0).astype(np.float32)


def lay_unmeasured(canvas: Canvas, shown: Shown, unit: float) -> None:
    """Grey and stipple where nothing near was measured, with a line around it."""
    rows, columns = np.nonzero(shown.share < 0.999)
    if not len(rows):
        return
    known = np.isfinite(shown.deviation[rows, columns])
    share, change = shown.share[rows, columns], np.maximum(_change(shown.share, rows, columns), 1e-9)
    beyond = np.where(known, (0.5 - share) / change, np.inf)
    some = np.flatnonzero(beyond > -2)
    rows, columns, beyond = rows[some], columns[some], beyond[some]
    inside: Floats = np.clip(beyond + 0.5, 0.0, 1.0)
    blend(canvas, rows, columns, inside, NOT_MEASURED)
    blend(canvas, rows, columns, np.multiply(inside, stipple(rows, columns, unit)), STIPPLE)
    blend(canvas, rows, columns, np.clip(0.6 * unit + 0.5 - np.abs(beyond), 0.0, 1.0), LEAD)


def _change(values: Floats, rows: Ints, columns: Ints) -> Floats:
    """How much values change over one pixel, at some pixels; at a jump, as much as on its calmer side."""
    if not len(rows):
        return np.empty(0)
    top, left = max(int(rows.min()) - 1, 0), max(int(columns.min()) - 1, 0)
    window = values[top : int(rows.max()) + 2, left : int(columns.max()) + 2]
    down, across = np.full_like(window, np.nan), np.full_like(window, np.nan)
    for calmest, turned in ((down, window), (across.T, window.T)):
        step = np.abs(turned[1:] - turned[:-1])
        calmest[1:] = step
        np.fmin(calmest[:-1], step, out=calmest[:-1])
    at = rows - top, columns - left
    return np.hypot(np.nan_to_num(down[at]), np.nan_to_num(across[at]))
