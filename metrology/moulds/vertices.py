"""From wanted offsets along normals to motions of a pattern's vertices; sharp edges stay sharp."""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array

from metrology.bodies import Floats, Ints
from metrology.moulds.pattern import Pattern
from metrology.surfaces.surface import Flags, Surface

# Directions that a vertex's faces hold less than this share of the stiffest stay at rest.
_FREE = 0.02
# A vertex goes at most this many times as far as any of its faces: the tip of a narrow edge runs ahead.
_AHEAD = 3.0
_ROUNDS, _USUAL, _SETTLED = 400, 60, 1e-5


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
    firm = stiff[:, -1] > 1e-9
    # What the faces of a vertex leave free, (v, 3, 3): everything where nothing is asked.
    held = np.where(kept & firm[:, None], 1.0, 0.0)
    free = np.eye(3) - np.einsum("vij,vj,vkj->vik", ways, held, ways)
    return _carried_along(pattern, moved, free, firm)


def _carried_along(pattern: Pattern, moved: Floats, free: Floats, firm: Flags) -> Floats:
    """Vertices go along with their neighbours, near ones most, in the directions that nothing holds: a wall whose edge
    is lifted stretches evenly instead of folding at the edge."""
    faces = pattern.faces
    sides = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    ends = np.unique(sides, axis=0)
    near = 1.0 / np.maximum(np.linalg.norm(pattern.nominal[ends[:, 0]] - pattern.nominal[ends[:, 1]], axis=1), 1e-9)
    count = len(moved)
    rows, columns = np.concatenate([ends[:, 0], ends[:, 1]]), np.concatenate([ends[:, 1], ends[:, 0]])
    weights = csr_array((np.concatenate([near, near]), (rows, columns)), shape=(count, count))
    reached = firm.astype(np.float64)
    here = moved.copy()
    for k in range(_ROUNDS):
        number = weights @ reached
        mean = (weights @ (reached[:, None] * here)) / np.maximum(number, 1e-300)[:, None]
        fresh = moved + np.einsum("vij,vj->vi", free, np.where(number[:, None] > 0, mean, 0.0))
        change = float(np.abs(fresh - here).max(initial=0.0))
        spread = number > 0
        grown = bool((spread & (reached == 0)).any())
        here, reached = fresh, np.maximum(reached, spread)
        if change < _SETTLED and not grown:
            break
        if k >= _USUAL and not grown and firm.all():
            break
    return here
