"""Flat faces of a nominal: neighbouring triangles that lie in one plane, largest first."""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from metrology.bodies import Floats, Ints
from metrology.surfaces.surface import Flags, Surface

# Neighbours that turn by less than this lie in one plane; a chain of them must keep within twice that of its middle.
_TURN_DEG = 0.25
# Faces this near, as a share of the diagonal, lie in the same plane.
_LEVEL = 2e-5


@dataclass(frozen=True)
class FlatFace:
    """One flat face. normal: (3,) unit, outward. offset: mm, normal · point. area: mm². centre: (3,) mm, of its area.

    faces: (k,) rows of the surface.
    """

    normal: Floats
    offset: float
    area: float
    centre: Floats
    faces: Ints


def flat_faces(surface: Surface, most: int = 60) -> list[FlatFace]:
    """The `most` largest flat faces, largest first. A curved skin of triangles gives its single triangles."""
    count = len(surface.faces)
    start, end = surface.faces[:, [0, 1, 2]].reshape(-1), surface.faces[:, [1, 2, 0]].reshape(-1)
    edge = np.minimum(start, end) * len(surface.vertices) + np.maximum(start, end)
    order = np.argsort(edge, kind="stable")
    same = edge[order[1:]] == edge[order[:-1]]
    left, right = order[:-1][same] // 3, order[1:][same] // 3
    flat = np.einsum("ij,ij->i", surface.normals[left], surface.normals[right]) > np.cos(np.radians(_TURN_DEG))
    graph = coo_array((np.ones(int(flat.sum()), dtype=np.int8), (left[flat], right[flat])), shape=(count, count))
    owner = connected_components(graph, directed=False)[1]
    areas = np.bincount(owner, surface.areas)
    found: list[FlatFace] = []
    by_owner = np.argsort(owner, kind="stable")
    starts = np.searchsorted(owner[by_owner], np.arange(len(areas) + 1))
    for patch in np.argsort(-areas, kind="stable")[: 4 * most]:
        rows = by_owner[starts[patch] : starts[patch + 1]].astype(np.int64)
        middle = np.einsum("i,ij->j", surface.areas[rows], surface.normals[rows])
        middle /= np.linalg.norm(middle)
        if (surface.normals[rows] @ middle).min() < np.cos(np.radians(2 * _TURN_DEG)):
            continue
        centres = surface.vertices[surface.faces[rows]].mean(axis=1)
        centre = (surface.areas[rows, None] * centres).sum(axis=0) / areas[patch]
        found.append(FlatFace(middle, float(centre @ middle), float(areas[patch]), centre, rows))
        if len(found) == most:
            break
    return found


def coplanar(surface: Surface, face: FlatFace) -> Flags:
    """True for every triangle that lies in the plane of `face` and faces the same way, joined to it or not, (m,)."""
    facing = surface.normals @ face.normal > np.cos(np.radians(2 * _TURN_DEG))
    off = np.abs(surface.vertices @ face.normal - face.offset) < _LEVEL * surface.diagonal
    level: Flags = facing & off[surface.faces].all(axis=1)
    level[face.faces] = True
    return level
