"""Edges of a surface: where faces meet at an angle, where it ends, and what lies close to them."""

from typing import Any

import numpy as np
import numpy.typing as npt

from metrology.bodies import Floats, Ints
from metrology.surfaces.surface import Flags, Surface

# Faces that turn by more than this meet in an edge.
SHARP_COS = float(np.cos(np.radians(15.0)))


def sharp_edges(surface: Surface) -> tuple[Flags, Flags]:
    """For the edge opposite each corner of each face, (m, 3): whether the surface turns sharply there, and whether it
    ends there."""
    start, end = surface.faces[:, [1, 2, 0]].reshape(-1), surface.faces[:, [2, 0, 1]].reshape(-1)
    key = np.minimum(start, end) * len(surface.vertices) + np.maximum(start, end)
    order = np.argsort(key, kind="stable")
    same = key[order][1:] == key[order][:-1]
    shared = np.zeros(len(key), dtype=np.bool_)
    shared[order[1:][same]] = shared[order[:-1][same]] = True
    sharp = np.zeros(len(key), dtype=np.bool_)
    one, other = order[:-1][same], order[1:][same]
    turns = np.einsum("ij,ij->i", surface.normals[one // 3], surface.normals[other // 3]) < SHARP_COS
    sharp[one[turns]] = sharp[other[turns]] = True
    return sharp.reshape(-1, 3), ~shared.reshape(-1, 3)


def beside_edges(
    surface: Surface, faces: npt.NDArray[np.integer[Any]], at: Floats, edges: Flags, within: float
) -> Flags:
    """Which points (k, 3) mm of the surface, on faces (k,), lie within a distance of an edge of their own face that is
    flagged in `edges` (m, 3)."""
    beside = np.zeros(len(at), dtype=np.bool_)
    rows: Ints = np.flatnonzero(edges[faces].any(axis=1))
    for corner in range(3):
        some = rows[edges[faces[rows], corner]]
        a = surface.vertices[surface.faces[faces[some], (corner + 1) % 3]]
        along = surface.vertices[surface.faces[faces[some], (corner + 2) % 3]] - a
        away = at[some] - a
        share = np.clip(np.einsum("ij,ij->i", away, along) / np.einsum("ij,ij->i", along, along), 0.0, 1.0)
        beside[some] |= np.linalg.norm(away - share[:, None] * along, axis=1) <= within
    return beside
