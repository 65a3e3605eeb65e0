"""Where a surface runs through itself: pairs of faces that share no corner and yet cross."""

import numpy as np

from metrology.bodies import Floats, Ints, Mesh

# Cells of the grid are this many times as wide as the usual face.
_CELL = 1.5
# Pairs looked at in one go: bounds the memory.
_PIECE = 400_000
# An edge that only touches a face, to this share of its length, does not cross it.
_TOUCH = 1e-7


def crossing_faces(mesh: Mesh) -> Ints:
    """Pairs of faces (k, 2) of which an edge of one runs through the other, each pair once, in ascending order.

    Faces that share a corner are not compared: where they fold onto each other, look at the turn of their normals.
    Faces in one plane do not count as crossing.
    """
    corners = mesh.vertices[mesh.faces]
    pairs = _near_pairs(corners)
    pairs = pairs[~(mesh.faces[pairs[:, 0]][:, :, None] == mesh.faces[pairs[:, 1]][:, None, :]).any(axis=(1, 2))]
    found = [pairs[start : start + _PIECE] for start in range(0, len(pairs), _PIECE)]
    kept = [piece[_cross(corners[piece[:, 0]], corners[piece[:, 1]])] for piece in found]
    return np.concatenate(kept) if kept else np.empty((0, 2), dtype=np.int64)


def _near_pairs(corners: Floats) -> Ints:
    """Pairs of faces whose boxes overlap, (k, 2), the smaller number first."""
    low, high = corners.min(axis=1), corners.max(axis=1)
    cell = max(_CELL * float(np.median((high - low).max(axis=1))), 1e-9)
    first, last = (np.floor((edge - low.min(axis=0)) / cell).astype(np.int64) for edge in (low, high))
    reach = last - first + 1
    count = reach.prod(axis=1)
    face = np.repeat(np.arange(len(corners)), count)
    nth = np.arange(len(face)) - np.repeat(np.cumsum(count) - count, count)
    width = reach[face]
    at = first[face] + np.stack(
        [nth // (width[:, 1] * width[:, 2]), nth // width[:, 2] % width[:, 1], nth % width[:, 2]], axis=1
    )
    size = last.max(axis=0) + 1
    key = (at[:, 0] * size[1] + at[:, 1]) * size[2] + at[:, 2]
    order = np.argsort(key, kind="stable")
    key, face = key[order], face[order]
    # Each entry of a cell with every later entry of the same cell: ends[i] is where i's cell ends.
    ends = np.searchsorted(key, key, side="right")
    many = ends - np.arange(len(key)) - 1
    pairs = []
    start = 0
    while start < len(key):
        # As many entries as make a piece of pairs.
        stop = start + max(int(np.searchsorted(np.cumsum(many[start:]), _PIECE, side="right")), 1)
        one = np.repeat(np.arange(start, min(stop, len(key))), many[start:stop])
        other = np.arange(len(one)) - np.repeat(np.cumsum(many[start:stop]) - many[start:stop], many[start:stop])
        a, b = face[one], face[one + 1 + other]
        overlap = ((low[a] <= high[b]) & (low[b] <= high[a])).all(axis=1)
        pairs.append(np.stack([np.minimum(a, b)[overlap], np.maximum(a, b)[overlap]], axis=1))
        start = stop
    every = np.concatenate(pairs) if pairs else np.empty((0, 2), dtype=np.int64)
    return np.unique(every, axis=0)


def _cross(one: Floats, other: Floats) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Whether an edge of one face, (k, 3, 3), runs through the other, for each pair."""
    crossing = np.zeros(len(one), dtype=np.bool_)
    for edges, face in ((one, other), (other, one)):
        for k in range(3):
            crossing |= _through(edges[:, k], edges[:, (k + 1) % 3], face)
    return crossing


def _through(start: Floats, end: Floats, face: Floats) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Whether the line from start to end, (k, 3), runs through a face, (k, 3, 3), and not only up to it.

    By signs of volumes of tetrahedra: the ends lie on two sides of the face, and the line passes all its edges on the
    same side.
    """
    a, b, c = face[:, 0], face[:, 1], face[:, 2]
    normal = np.cross(b - a, c - a)
    size = np.linalg.norm(normal, axis=1)
    along = end - start
    slack = _TOUCH * size * np.linalg.norm(along, axis=1)
    above = np.einsum("ij,ij->i", start - a, normal)
    below = np.einsum("ij,ij->i", end - a, normal)
    apart = ((above > slack) & (below < -slack)) | ((above < -slack) & (below > slack))
    sides = [np.einsum("ij,ij->i", along, np.cross(p - start, q - start)) for p, q in ((a, b), (b, c), (c, a))]
    inside = np.logical_or(
        np.logical_and.reduce([side > 0 for side in sides]), np.logical_and.reduce([side < 0 for side in sides])
    )
    through: np.ndarray[tuple[int], np.dtype[np.bool_]] = apart & inside
    return through
