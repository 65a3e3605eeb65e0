"""From wanted offsets along normals to motions of a pattern's vertices; sharp edges stay sharp."""

from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats, Ints
from metrology.mould_pattern import Pattern
from metrology.surface import Flags, Surface

# Directions that a vertex's faces hold less than this share of the stiffest stay at rest.
_FREE = 0.02
# A vertex goes at most this many times as far as any of its faces: the tip of a narrow edge runs ahead.
_AHEAD = 3.0
_ROUNDS = 400


@dataclass(frozen=True)
class Corners:
    """Each vertex once for every smooth patch that meets there. vertex, patch: (q,). filled: (q,) of a fill face.
    normals: (q, 3) unit, of that patch at the vertex, its faces weighted by their angles there."""

    vertex: Ints
    patch: Ints
    filled: Flags
    normals: Floats


def corners_of(surface: Surface, pattern: Pattern, patch_of_face: Ints, filled: Flags) -> Corners:
    """patch_of_face, filled: (m,), of the faces of the surface."""
    faces, parents = pattern.faces, pattern.parents
    points = pattern.nominal
    angle = np.empty(faces.shape)
    for corner in range(3):
        here, right, left = (points[faces[:, (corner + step) % 3]] for step in range(3))
        u, v = right - here, left - here
        angle[:, corner] = np.arctan2(np.linalg.norm(np.cross(u, v), axis=1), np.einsum("ij,ij->i", u, v))
    patch = 2 * patch_of_face[parents] + filled[parents]
    most = int(patch.max()) + 1
    key, group = np.unique((faces * most + patch[:, None]).reshape(-1), return_inverse=True)
    group = group.reshape(-1)
    weight = angle.reshape(-1)
    facing = np.repeat(surface.normals[parents], 3, axis=0)
    summed = np.stack([np.bincount(group, weight * facing[:, k], len(key)) for k in range(3)], axis=1)
    normals = summed / np.maximum(np.linalg.norm(summed, axis=1, keepdims=True), 1e-12)
    number = key % most
    return Corners(key // most, number // 2, number % 2 == 1, normals)


def motions(pattern: Pattern, corners: Corners, offset: Floats, weight: Floats) -> Floats:
    """Motion of each vertex, (v, 3) mm, that offsets every patch there by what it should, as nearly as can be.

    offset: (q,) mm along the corners' normals. weight: (q,), how much each counts; 0 asks for nothing. A vertex of
    which nothing is asked goes along with its neighbours.
    """
    count = len(pattern.nominal)
    n, w = corners.normals, weight
    left, right = np.zeros((count, 3, 3)), np.zeros((count, 3))
    most = np.zeros(count)
    np.maximum.at(most, corners.vertex, np.where(weight > 0, np.abs(offset), 0.0))
    for i in range(3):
        right[:, i] = np.bincount(corners.vertex, w * offset * n[:, i], count)
        for j in range(3):
            left[:, i, j] = np.bincount(corners.vertex, w * n[:, i] * n[:, j], count)
    stiff, ways = np.linalg.eigh(left)
    kept = stiff > _FREE * np.maximum(stiff[:, -1:], 1e-12)
    along = np.einsum("vij,vi->vj", ways, right)
    moved = np.einsum("vij,vj->vi", ways, np.where(kept, along / np.where(kept, stiff, 1.0), 0.0))
    length = np.linalg.norm(moved, axis=1)
    moved *= np.minimum(1.0, _AHEAD * most / np.maximum(length, 1e-12))[:, None]
    return _carried_along(pattern.faces, moved, stiff[:, -1] > 1e-9)


def _carried_along(faces: Ints, moved: Floats, known: Flags) -> Floats:
    """Vertices that nothing was asked of take the mean of their neighbours, again and again."""
    if known.all() or not known.any():
        return moved
    ends = np.unique(np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1), axis=0)
    ends = ends[~known[ends].all(axis=1)]
    start, end = np.concatenate([ends[:, 0], ends[:, 1]]), np.concatenate([ends[:, 1], ends[:, 0]])
    degree = np.maximum(np.bincount(start, minlength=len(moved)), 1)
    free = np.flatnonzero(~known)
    reached = known.copy()
    for _ in range(_ROUNDS):
        here = reached[end]
        number = np.bincount(start, here, len(moved))
        total = np.stack([np.bincount(start, here * moved[end, k], len(moved)) for k in range(3)], axis=1)
        fresh = total[free] / np.maximum(number, 1)[free, None]
        change = float(np.abs(fresh - moved[free]).max())
        moved[free] = fresh
        reached[free] = number[free] > 0
        if change < 1e-6 and bool((number[free] == degree[free]).all()):
            break
    return moved
