"""Filling an open-face mould through its fill face: where air stays, and what lies flat under the mould."""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from metrology.bodies import Floats
from metrology.moulds.places import Place, place
from metrology.surfaces.planes_of import FlatFace
from metrology.surfaces.surface import Flags, Surface

# A face of the mould this near to level lets air stay under it.
_FLAT_DEG = 5.0
# Heights this near, as a share of the diagonal, are one level.
_LEVEL = 2e-6
_MOST = 6


@dataclass(frozen=True)
class Filling:
    """An open-face mould lying with its fill face up and level.

    area: mm² of the fill face with all that lies in its plane. centre, normal: (3,). words: where it is. traps: high
    points with no way up to the fill face: air stays there, however the mould is shaken. flat: mm² of mould lying over
    the part within 5° of level: air can leave only sideways.
    """

    area: float
    centre: Floats
    normal: Floats
    words: str
    traps: tuple[Place, ...]
    flat: float


def filling(surface: Surface, fill: FlatFace, filled: Flags) -> Filling:
    """filled: (m,) true for the faces of the fill face."""
    up = fill.normal
    over = (surface.normals @ up > np.cos(np.radians(_FLAT_DEG))) & ~filled
    spot = place(fill.centre, up)
    return Filling(
        area=float(surface.areas[filled].sum()),
        centre=fill.centre,
        normal=up,
        words=spot.words,
        traps=_traps(surface, up, filled),
        flat=float(surface.areas[over].sum()),
    )


def _traps(surface: Surface, up: Floats, filled: Flags) -> tuple[Place, ...]:
    """Levels of the surface from which every edge leads down, with material below: the air above them is caught."""
    height = surface.vertices @ up
    used = np.unique(surface.faces)
    start, end = surface.faces.reshape(-1), np.roll(surface.faces, -1, axis=1).reshape(-1)
    slack = _LEVEL * surface.diagonal
    rise = height[end] - height[start]
    level = np.abs(rise) <= slack
    count = len(surface.vertices)
    joins = coo_array((np.ones(int(level.sum()), dtype=np.int8), (start[level], end[level])), shape=(count, count))
    plateau = connected_components(joins, directed=False)[1]
    closed = np.ones(plateau.max() + 1, dtype=np.bool_)
    closed[plateau[start[rise > slack]]] = False
    closed[plateau[end[rise < -slack]]] = False
    closed[plateau[surface.faces[filled].reshape(-1)]] = False
    unused = np.ones(count, dtype=np.bool_)
    unused[used] = False
    closed[plateau[unused]] = False
    # Material below: around a high point of the part the surface looks up; above a hollow's it looks down.
    summed = np.bincount(plateau, surface.vertex_normals @ up, len(closed))
    closed &= summed > 0
    numbers = np.flatnonzero(closed)
    members = np.isin(plateau, numbers)
    found = []
    for number in numbers[np.argsort(-np.bincount(plateau[members], minlength=len(closed))[numbers], kind="stable")]:
        rows = np.flatnonzero(plateau == number)
        middle = surface.vertices[rows].mean(axis=0)
        nearest = rows[np.argmin(((surface.vertices[rows] - middle) ** 2).sum(axis=1))]
        found.append(place(surface.vertices[nearest], up))
        if len(found) == _MOST:
            break
    return tuple(found)
