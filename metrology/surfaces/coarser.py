"""A coarser mesh for finding one's way: corners of one small cube become one. Not for measuring."""

import numpy as np

from metrology.bodies import Floats, Mesh


def coarser(mesh: Mesh, faces: int) -> Mesh:
    """About `faces` triangles instead of many more; the mesh itself when it has no more than that.

    Each cube's corners become the one of them nearest to their middle, so flat faces stay flat; edges are blunted by
    up to a cube's side, which is the square root of twice the area a triangle may have.
    """
    if len(mesh.faces) <= faces:
        return mesh
    a, b, c = (mesh.vertices[mesh.faces[:, corner]] for corner in range(3))
    area = float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)
    side = float(np.sqrt(2.0 * area / faces))
    cell = np.floor((mesh.vertices - mesh.vertices.min(axis=0)) / side).astype(np.int64)
    across = cell.max(axis=0) + 1
    _, owner, held = np.unique(
        (cell[:, 0] * across[1] + cell[:, 1]) * across[2] + cell[:, 2], return_inverse=True, return_counts=True
    )
    middle: Floats = np.stack([np.bincount(owner, mesh.vertices[:, axis]) for axis in range(3)], axis=1) / held[:, None]
    away = ((mesh.vertices - middle[owner]) ** 2).sum(axis=1)
    order = np.lexsort((np.arange(len(owner)), away, owner))
    first = order[np.r_[True, owner[order[1:]] != owner[order[:-1]]]]
    renamed = owner[mesh.faces]
    kept = (renamed[:, 0] != renamed[:, 1]) & (renamed[:, 1] != renamed[:, 2]) & (renamed[:, 2] != renamed[:, 0])
    return Mesh(mesh.vertices[first], np.unique(_from_least(renamed[kept]), axis=0))


def _from_least(faces: np.ndarray) -> np.ndarray:
    """Each face from its least corner on, so that equal faces are equal rows."""
    start = faces.argmin(axis=1)
    return np.stack([faces[np.arange(len(faces)), (start + step) % 3] for step in range(3)], axis=1)
