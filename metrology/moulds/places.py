"""Where on a part something was found: a point, the side it is on, and islands of undercut."""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from metrology.bodies import Floats
from metrology.comparison.words import place_words
from metrology.moulds.release import UPRIGHT_DEG, MouldKind, Spread
from metrology.surfaces.surface import Flags, Surface

_SIDES = (("front", "back"), ("left side", "right side"), ("top", "underside"))
_MOST = 8


@dataclass(frozen=True)
class Place:
    """at: (3,) mm. normal: (3,) unit, outward. words: "on the left side at x 10, y 20, z 30 mm"."""

    at: Floats
    normal: Floats
    words: str


@dataclass(frozen=True)
class Island:
    """One connected piece of undercut. area: mm². why: in words."""

    place: Place
    area: float
    why: str


def place(at: Floats, normal: Floats) -> Place:
    axis = int(np.argmax(np.abs(normal)))
    side = _SIDES[axis][0 if normal[axis] > 0 else 1]
    return Place(at, normal, f"on the {side} {place_words(None, at)}")


def islands(surface: Surface, spread: Spread, held: Flags, pull: Floats, kind: MouldKind) -> tuple[Island, ...]:
    """Pieces of undercut, largest first, eight at the most; joined through faces that share a corner."""
    area = np.bincount(spread.faces, held * spread.areas, len(surface.faces))
    rows = np.flatnonzero(area > 0)
    if not len(rows):
        return ()
    corners = surface.faces[rows].reshape(-1)
    owner = np.repeat(np.arange(len(rows)), 3)
    joins = coo_array(
        (np.ones(len(corners), dtype=np.int8), (owner, len(rows) + corners)),
        shape=(len(rows) + len(surface.vertices),) * 2,
    )
    label = connected_components(joins, directed=False)[1][: len(rows)]
    _, label = np.unique(label, return_inverse=True)
    areas = np.bincount(label, area[rows])
    of_face = np.full(len(surface.faces), -1, dtype=np.int64)
    of_face[rows] = label
    points = np.flatnonzero(held)
    found = []
    for island in np.argsort(-areas, kind="stable")[:_MOST]:
        own = points[of_face[spread.faces[points]] == island]
        weight = spread.areas[own, None]
        middle = (weight * spread.points[own]).sum(axis=0) / weight.sum()
        nearest = own[np.argmin(((spread.points[own] - middle) ** 2).sum(axis=1))]
        lean = surface.normals[spread.faces[own]] @ pull
        away = float((spread.areas[own] * (lean > np.sin(np.radians(UPRIGHT_DEG)))).sum() / weight.sum())
        why = _why(away if kind == "open-face" else 0.0)
        spot = place(spread.points[nearest], surface.normals[spread.faces[nearest]])
        found.append(Island(spot, float(areas[island]), why))
    return tuple(found)


def _why(leaning: float) -> str:
    """leaning: share of the island that leans over towards the pull."""
    if leaning > 0.99:
        return "leans over, so the mould lies on it"
    if leaning < 0.01:
        return "has other material in the way of the mould"
    return "leans over in part, and in part has other material in the way of the mould"
