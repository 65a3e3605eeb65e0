"""Surface that faces other surface close by: the two sides of a thin wall, the two sides of a narrow slot."""

from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats, Ints
from metrology.surfaces.surface import Samples, Surface

# How squarely the other side must face this one: within 45° of opposite.
_SQUARELY = -0.7


@dataclass(frozen=True)
class Pairs:
    """What each surface sample faces, through material (a wall) or across air (a slot).

    apart: (s,) mm from the sample straight to the other side; infinite where nothing faces it. partner: (s,) the
    sample there; −1 where nothing does. depth_sign: −1 for walls, +1 for slots: depth_sign × deviation grows from this
    side towards the other.
    """

    apart: Floats
    partner: Ints
    depth_sign: float


def facing(surface: Surface, samples: Samples, depth_sign: float) -> Pairs:
    """Shoots from every sample straight inwards (depth_sign −1) or outwards (+1)."""
    ways = depth_sign * samples.normals
    # Start a hair away from the surface itself.
    start = 1e-6 * surface.diagonal
    faces, away, _ = surface.tree.intersect_ray_first(
        surface.vertices, surface.faces, np.ascontiguousarray(samples.points + start * ways), np.ascontiguousarray(ways)
    )
    count = len(samples.points)
    apart, partner = np.full(count, np.inf), np.full(count, -1)
    met = np.flatnonzero(faces >= 0)
    square = np.einsum("ij,ij->i", surface.normals[faces[met]], samples.normals[met]) < _SQUARELY
    met = met[square]
    apart[met] = away[met] + start
    there = samples.points[met] + apart[met, None] * ways[met]
    if len(met):
        partner[met] = samples.nearest(there, surface.normals[faces[met]])[1]
    return Pairs(apart, partner, depth_sign)
