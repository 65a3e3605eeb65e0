"""Which face is seen at each pixel: triangles cut into rows, rows into pixels, and the nearest to the eye kept."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from metrology.bodies import Floats, Ints

# Pixels worked on at once: bounds memory when many faces lie behind each other.
_PIECE = 4_000_000


@dataclass(frozen=True)
class Seen:
    """face: (height, width) int32, −1 where there is only paper. depth: (height, width) px, more is nearer; −inf on
    paper. slope: (m, 2) depth gained by each face per pixel to the right and per pixel down."""

    face: npt.NDArray[np.int32]
    depth: Floats
    slope: Floats


def rasterise(corners: Floats, width: int, height: int, drawn: Ints) -> Seen:
    """What is seen of triangles. corners: (m, 3, 3) px as `Camera.place` gives them. drawn: rows of those to draw.

    A pixel belongs to the triangle that holds its middle; triangles that share an edge leave neither gap nor overlap.
    """
    slope = _slopes(corners)
    face = np.full(width * height, -1, dtype=np.int32)
    depth = np.full(width * height, -np.inf)
    rows, first_row = _rows(corners, height)
    wanted = np.zeros(len(corners), dtype=bool)
    wanted[drawn] = True
    rows *= wanted
    widest = np.clip(np.ptp(corners[:, :, 0], axis=1) + 1, 1, width)
    piece = (np.cumsum(rows * widest) // _PIECE).astype(np.int64)
    for number in np.unique(piece):
        part = np.flatnonzero((piece == number) & (rows > 0))
        owner = np.repeat(part, rows[part])
        row = first_row[owner] + np.arange(len(owner)) - np.repeat(np.cumsum(rows[part]) - rows[part], rows[part])
        _fill(corners, slope, owner, row, width, face, depth)
    return Seen(face.reshape(height, width), depth.reshape(height, width), slope)


def _slopes(corners: Floats) -> Floats:
    a, b, c = (corners[:, corner] for corner in range(3))
    normal = np.cross(b - a, c - a)
    # Faces seen edge-on have no depth as a function of place; they cover next to nothing.
    steep = np.where(np.abs(normal[:, 2]) < 1e-12, 1e-12, normal[:, 2])
    return -normal[:, :2] / steep[:, None]


def _rows(corners: Floats, height: int) -> tuple[Ints, Ints]:
    """How many rows of pixel middles each triangle crosses, and the first of them."""
    y = corners[:, :, 1]
    first = np.clip(np.ceil(y.min(axis=1) - 0.5), 0, height).astype(np.int64)
    stop = np.clip(np.ceil(y.max(axis=1) - 0.5), 0, height).astype(np.int64)
    return stop - first, first


def _fill(
    corners: Floats,
    slope: Floats,
    owner: Ints,
    row: Ints,
    width: int,
    face: npt.NDArray[np.int32],
    depth: Floats,
) -> None:
    """Cut each row of each triangle into pixels and keep those nearer than what is there."""
    middle = row + 0.5
    left, right = np.full(len(row), np.inf), np.full(len(row), -np.inf)
    for side in range(3):
        a, b = corners[:, side, :2], corners[:, (side + 1) % 3, :2]
        # Both triangles at an edge must find the same crossing to the last bit: run along it the same way.
        turned = (a[:, 1] > b[:, 1]) | ((a[:, 1] == b[:, 1]) & (a[:, 0] > b[:, 0]))
        start, end = np.where(turned[:, None], b, a), np.where(turned[:, None], a, b)
        rise = end[:, 1] - start[:, 1]
        lean = (end[:, 0] - start[:, 0]) / np.where(rise == 0, 1.0, rise)
        crossed = (start[owner, 1] <= middle) & (middle < end[owner, 1])
        x = start[owner, 0] + (middle - start[owner, 1]) * lean[owner]
        left = np.where(crossed & (x < left), x, left)
        right = np.where(crossed & (x > right), x, right)
    first = np.clip(np.ceil(left - 0.5), 0, width)
    stop = np.clip(np.ceil(right - 0.5), 0, width)
    count = np.maximum(stop - first, 0).astype(np.int64)
    held = np.flatnonzero(count)
    owner, row, first, count, middle = owner[held], row[held], first[held].astype(np.int64), count[held], middle[held]
    at = corners[owner, 0]
    here = at[:, 2] + slope[owner, 0] * (first + 0.5 - at[:, 0]) + slope[owner, 1] * (middle - at[:, 1])
    span = np.repeat(np.arange(len(count)), count)
    along = np.arange(len(span)) - np.repeat(np.cumsum(count) - count, count)
    pixel = (row * width + first)[span] + along
    z = here[span] + slope[owner, 0][span] * along
    low, high = corners[:, :, 2].min(axis=1), corners[:, :, 2].max(axis=1)
    np.clip(z, low[owner][span], high[owner][span], out=z)
    np.maximum.at(depth, pixel, z)
    nearest = np.flatnonzero(z == depth[pixel])
    face[pixel[nearest]] = owner[span[nearest]]
