"""Rotations as (k, 3, 3) arrays."""

import numpy as np

from metrology.bodies import Floats


def rotation_grid(count: int) -> Floats:
    """`count` rotations spread evenly over all rotations, (count, 3, 3).

    Quaternions on two interleaved spirals (super-Fibonacci spirals, Alexa 2022, constants from memory).
    """
    step = np.arange(count) + 0.5
    inner, outer = np.sqrt(step / count), np.sqrt(1 - step / count)
    a, b = 2 * np.pi * step / np.sqrt(2.0), 2 * np.pi * step / 1.533751168755204288118041
    return from_quaternions(
        np.stack([inner * np.sin(a), inner * np.cos(a), outer * np.sin(b), outer * np.cos(b)], axis=1)
    )


def from_quaternions(q: Floats) -> Floats:
    """Rotations (k, 3, 3) of unit quaternions (k, 4), scalar last."""
    x, y, z, w = q.T
    rows = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ]
    return np.moveaxis(np.array(rows), 2, 0)


def turned_by(vectors: Floats) -> Floats:
    """Rotations (k, 3, 3) about vectors (k, 3) by their length in radians; exact to rounding for any length."""
    half = np.linalg.norm(vectors, axis=1, keepdims=True) / 2
    return from_quaternions(np.hstack([vectors * np.sinc(half / np.pi) / 2, np.cos(half)]))


def vector_of(turn: Floats) -> Floats:
    """The rotation (3, 3) as a vector along its axis, (3,), of its angle's length, 0 to π radians."""
    w = np.sqrt(max(0.0, 1.0 + float(np.trace(turn)))) / 2
    skew = np.array([turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]])
    length = float(np.linalg.norm(skew)) / 2
    angle = float(np.arctan2(length, (np.trace(turn) - 1) / 2))
    if length > 1e-8 or w > 0.5:
        found: Floats = skew * (0.5 if length < 1e-12 else angle / (2 * length))
        return found
    # Half a turn: the axis is the direction that stays.
    stays = (turn + np.eye(3)) / 2
    axis = stays[:, int(np.argmax(np.diag(stays)))]
    half: Floats = angle * axis / np.linalg.norm(axis)
    return half


def quarter_turns() -> Floats:
    """The 24 rotations that carry the coordinate axes onto themselves, the one that turns nothing first."""
    found = []
    for order in ((0, 1, 2), (1, 2, 0), (2, 0, 1), (0, 2, 1), (2, 1, 0), (1, 0, 2)):
        for signs in range(8):
            turn = np.zeros((3, 3))
            turn[range(3), order] = [1 - 2 * (signs >> axis & 1) for axis in range(3)]
            if np.linalg.det(turn) > 0:
                found.append(turn)
    return np.array(found)
