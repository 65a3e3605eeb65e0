"""Does a part leave its mould along a direction? Undercut by rays, draft angles, and walls by rays straight in.

The pull is the way the part moves out of the mould, a unit vector in the nominal's frame. Two kinds of mould:

open-face: one rigid mould; the part leaves it through the fill face, which the mould does not touch. Every other face
must let the mould go the other way: a face that faces along the pull is held back by what lies over it, and a face with
other material behind it, looking against the pull, has mould caught between the two.

two-part: a half goes off along the pull and a half against it. What faces along the pull belongs to the first, what
faces against it to the second; it is undercut where its own half would meet material on the way.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from metrology.bodies import Floats, Ints
from metrology.surfaces.surface import Flags, Surface

MouldKind = Literal["open-face", "two-part"]

# A face that leans over by less than this stands upright: draft angle 0, no undercut.
UPRIGHT_DEG = 0.05
# Opposite sides make a wall where they face each other within this angle.
WALL_DEG = 30.0
# Undercuts shallower than this do not hold a part: share of the diagonal, and mm at the least.
_SLACK, _SLACK_MM = 1e-5, 0.02
# A mesh file holds coordinates to about this share of their size (32-bit floats).
_FILE_DIGITS = 2.0**-24
# Inverse powers of the plastic number: points that stay evenly spread however many are taken.
_EVEN = np.array([0.7548776662466927, 0.5698402909980532])


@dataclass(frozen=True)
class Spread:
    """Points on every face of a surface. points: (k, 3) mm. faces: (k,) rows of the surface, ascending. areas: (k,)
    mm², what each stands for. spacing: mm, side of the square of the usual area."""

    points: Floats
    faces: Ints
    areas: Floats
    spacing: float


def spread_over(surface: Surface, count: int) -> Spread:
    """At least one point on every face, and about `count` more shared out by area; no chance in it."""
    each = np.ceil(surface.areas / surface.area * count - 1e-9).astype(np.int64)
    each = np.maximum(each, 1)
    faces = np.repeat(np.arange(len(each)), each)
    nth = np.arange(len(faces)) - np.repeat(np.cumsum(each) - each, each)
    along, across = np.modf(0.5 + (nth + 1)[:, None] * _EVEN)[0].T
    over = along + across > 1.0
    along[over], across[over] = 1.0 - along[over], 1.0 - across[over]
    single = (each == 1)[faces]
    along[single] = across[single] = 1 / 3
    a, b, c = (surface.vertices[surface.faces[faces, corner]] for corner in range(3))
    points = a + along[:, None] * (b - a) + across[:, None] * (c - a)
    return Spread(points, faces, surface.areas[faces] / each[faces], float(np.sqrt(surface.area / count)))


def undercut_at(surface: Surface, points: Floats, faces: Ints, pull: Floats, kind: MouldKind) -> Flags:
    """Which points of the surface hold the part in its mould, (k,). points: (k, 3) mm on `faces`, (k,) rows.

    Undercuts shallower than 0.02 mm, or a hundred-thousandth of the diagonal, are passed over. Fill faces are not
    known here: leave their points out.
    """
    slack = max(_SLACK * surface.diagonal, _SLACK_MM)
    normals = surface.normals[faces]
    lean = normals @ pull
    upright = float(np.sin(np.radians(UPRIGHT_DEG)))
    start = points + slack * normals
    if kind == "open-face":
        held: Flags = lean > upright
        free = np.flatnonzero(~held)
        held[free] = _meets(surface, start[free], -pull)
        return held
    held = np.ones(len(points), dtype=np.bool_)
    for side in (1.0, -1.0):
        own = np.flatnonzero((side * lean > -upright) & held)
        meets = _meets(surface, start[own], side * pull)
        # What stands upright may go with either half.
        held[own[~meets]] = False
    return held


def undercut_by_face(
    surface: Surface,
    pull: Floats,
    kind: MouldKind = "open-face",
    filled: Flags | None = None,
    points: int = 40_000,
) -> Floats:
    """Undercut area of each face of the surface, (m,) mm². pull: (3,) unit. filled: (m,) true for the fill face.

    By `points` rays shared out by area, at least one a face: half of one stray triangle's worth is as fine as it
    gets. The same surface gives the same answer.
    """
    spread = spread_over(surface, points)
    asked = np.arange(len(spread.faces)) if filled is None else np.flatnonzero(~filled[spread.faces])
    held = undercut_at(surface, spread.points[asked], spread.faces[asked], pull, kind)
    areas: Floats = np.bincount(
        spread.faces[asked], weights=held * spread.areas[asked], minlength=len(surface.faces)
    ).astype(np.float64)
    return areas


def draft_deg(normals: Floats, pull: Floats, kind: MouldKind) -> Floats:
    """Draft angle of faces, (k,) degrees: how far a face leans so that the mould comes off it; 0 when upright.

    open-face: negative where a face leans over. two-part: never negative, either half may take a face.
    """
    lean = np.clip(normals @ pull, -1.0, 1.0)
    angle: Floats = np.degrees(np.arcsin(-lean if kind == "open-face" else np.abs(lean)))
    # Upright to within what a file can say is upright.
    return np.where(np.abs(angle) < 1e-3, 0.0, angle)


def angle_known(surface: Surface, within_deg: float = 0.1) -> Flags:
    """Which faces are high enough for their direction to be known, (m,): slivers of a coarse file are not."""
    a, b, c = (surface.vertices[surface.faces[:, corner]] for corner in range(3))
    longest = np.sqrt(np.max([np.einsum("ij,ij->i", side, side) for side in (b - a, c - b, a - c)], axis=0))
    height = 2 * surface.areas / longest
    rounding = _FILE_DIGITS * np.abs(surface.vertices).max()
    known: Flags = height * np.radians(within_deg) > rounding
    return known if known.any() else ~known


def walls_at(surface: Surface, points: Floats, faces: Ints) -> Floats:
    """Wall at points of a closed surface, (k,) mm: straight in, against the normal, to the next face.

    NaN where that face does not face back within 30°: there is no wall there but an edge or a corner.
    """
    normals = surface.normals[faces]
    start = np.ascontiguousarray(points - 1e-9 * surface.diagonal * normals)
    hit, _, along = _first(surface, start, np.ascontiguousarray(-normals))
    met = hit >= 0
    facing = np.zeros(len(points), dtype=np.bool_)
    facing[met] = np.einsum("ij,ij->i", surface.normals[hit[met]], normals[met]) < -np.cos(np.radians(WALL_DEG))
    walls: Floats = np.where(facing, along, np.nan)
    return walls


def _meets(surface: Surface, start: Floats, way: Floats) -> Flags:
    if not len(start):
        return np.zeros(0, dtype=np.bool_)
    ways = np.ascontiguousarray(np.broadcast_to(way, start.shape))
    found: Flags = _first(surface, np.ascontiguousarray(start), ways)[0] >= 0
    return found


def _first(surface: Surface, start: Floats, ways: Floats) -> tuple[Ints, Floats, Floats]:
    """First face each ray meets (−1: none), the two weights inside it, and how far, mm (NaN: none)."""
    hit, along, inside = surface.tree.intersect_ray_first(surface.vertices, surface.faces, start, ways)
    return hit, inside, along
