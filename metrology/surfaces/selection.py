"""Regions of the nominal surface: what was asked for, and which faces and points belong.

A selection is a small tree of conditions. It names places and directions, never face numbers, so that it can be found
again on another mesh of the same part. Lengths in mm and directions in the nominal frame.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from metrology.bodies import Floats, Ints
from metrology.errors import InputError
from metrology.surfaces.surface import Flags, Surface

Vector = tuple[float, float, float]

# A seed farther from every suitable face than this share of the diagonal, or than 1 mm, finds none.
_SEED_REACH, _SEED_LEAST = 0.01, 1.0
# A face is the one that was picked only while it looks within 60° of the way it looked then.
_SAME_WAY = 0.5
# Points tried on each face that a condition cuts: the share of its area is then good to about a hundredth.
_TRIED = 96
_EVEN = np.array([0.7548776662466927, 0.5698402909980532])


@dataclass(frozen=True)
class Grown:
    """Faces joined edge to edge, from the face nearest to a seed point, while they turn by no more than `angle_deg`:
    from the seed's face ("seed", for flat and for gently curved faces), or each from its neighbour ("neighbour", which
    follows a round hole or a fillet until the next sharp edge).

    normal: how the seed's face looked when it was picked; tells the two sides of a thin wall apart. None: any way.
    """

    seed: Vector
    angle_deg: float
    against: Literal["seed", "neighbour"] = "seed"
    normal: Vector | None = None


@dataclass(frozen=True)
class Box:
    """Surface within a box along the axes."""

    low: Vector
    high: Vector


@dataclass(frozen=True)
class Facing:
    """Surface whose normal lies within an angle of a direction."""

    way: Vector
    within_deg: float = 45.0


@dataclass(frozen=True)
class NearPlane:
    """Surface within a distance of the plane of points p with normal · p = offset."""

    normal: Vector
    offset: float
    within: float


@dataclass(frozen=True)
class Beyond:
    """Surface on the side of a plane to which its normal points, the plane included."""

    normal: Vector
    offset: float


@dataclass(frozen=True)
class AllOf:
    """What every part holds; without parts the whole surface."""

    parts: tuple["Selection", ...]


@dataclass(frozen=True)
class AnyOf:
    """What at least one part holds."""

    parts: tuple["Selection", ...]


@dataclass(frozen=True)
class Without:
    """What `kept` holds and `left_out` does not."""

    kept: "Selection"
    left_out: "Selection"


Selection = Grown | Box | Facing | NearPlane | Beyond | AllOf | AnyOf | Without


@dataclass(frozen=True)
class Chosen:
    """A selection found on one surface.

    share: (m,) share of each face of the surface that belongs, 0 to 1. area: mm². mesh_faces: rows of the mesh that was
    prepared with any surface that belongs, ascending. lost: seeds that found no face.
    """

    selection: Selection
    surface: Surface
    share: Floats
    area: float
    mesh_faces: Ints
    lost: tuple[Grown, ...]
    _grown: dict[Grown, Flags]

    @property
    def faces(self) -> Flags:
        """(m,) true for faces of the surface with anything that belongs."""
        return self.share > 0

    @property
    def count(self) -> int:
        return len(self.mesh_faces)

    @property
    def seeds(self) -> tuple[Grown, ...]:
        return tuple(self._grown)

    def holds(self, points: Floats, faces: Ints) -> Flags:
        """Which points (k, 3) mm of the surface belong, (k,). faces: (k,) rows of the surface that they lie on."""
        return _holds(self.selection, points, faces, self.surface, self._grown)


def choose(selection: Selection, surface: Surface) -> Chosen:
    """Find a selection on a surface. A seed without a face holds nothing; see `Chosen.lost`.

    Raises InputError: "selection" for conditions that cannot be: an angle outside 0 to 180°, a direction of no length,
    a box or a distance that is the wrong way round.
    """
    check(selection)
    grown = {one: _grow(one, surface) for one in _seeds(selection)}
    share = _shares(selection, surface, grown)
    return Chosen(
        selection=selection,
        surface=surface,
        share=share,
        area=float(surface.areas @ share),
        mesh_faces=np.sort(surface.mesh_faces[share > 0]),
        lost=tuple(one for one, faces in grown.items() if not faces.any()),
        _grown=grown,
    )


def check(selection: Selection) -> None:
    """Raises InputError: "selection"."""
    match selection:
        case Grown(seed, angle, against, normal):
            _numbers("The seed point", seed)
            if not 0 < angle <= 180:
                raise InputError("selection", "The angle to grow by must be more than 0° and at most 180°.")
            if against not in ("seed", "neighbour"):
                raise InputError("selection", "Say whether faces are compared with the seed or with their neighbour.")
            if normal is not None:
                _direction(normal)
        case Box(low, high):
            _numbers("The box", (*low, *high))
            if any(start > end for start, end in zip(low, high, strict=True)):
                raise InputError("selection", "A side of the box ends before it begins. Swap the two.")
        case Facing(way, within):
            _direction(way)
            if not 0 < within <= 180:
                raise InputError("selection", "The angle of what faces a way must be more than 0° and at most 180°.")
        case NearPlane(normal, offset, within):
            _direction(normal)
            _numbers("The plane", (offset, within))
            if within < 0:
                raise InputError("selection", "The distance from the plane must be 0 mm or more.")
        case Beyond(normal, offset):
            _direction(normal)
            _numbers("The plane", (offset,))
        case AllOf(parts) | AnyOf(parts):
            for part in parts:
                check(part)
        case Without(kept, left_out):
            check(kept)
            check(left_out)


def _numbers(what: str, values: tuple[float, ...]) -> None:
    if not np.isfinite(values).all():
        raise InputError("selection", f"{what} needs numbers. Enter it again.")


def _direction(way: Vector) -> None:
    _numbers("A direction", way)
    if not np.linalg.norm(way) > 0:
        raise InputError("selection", "A direction needs a length: give three numbers that are not all 0.")


def _seeds(selection: Selection) -> list[Grown]:
    match selection:
        case Grown():
            return [selection]
        case AllOf(parts) | AnyOf(parts):
            return [seed for part in parts for seed in _seeds(part)]
        case Without(kept, left_out):
            return _seeds(kept) + _seeds(left_out)
    return []


def _holds(selection: Selection, points: Floats, faces: Ints, surface: Surface, grown: dict[Grown, Flags]) -> Flags:
    """Points (k, 3) on faces (k,) of the surface that belong, (k,)."""
    slack = 1e-9 * max(surface.diagonal, float(np.abs(surface.centroid).max()), 1.0)
    held: Flags
    match selection:
        case Grown():
            held = grown[selection][faces]
        case Box(low, high):
            inside: Flags = (points >= np.array(low) - slack) & (points <= np.array(high) + slack)
            held = np.asarray(inside.all(axis=1))
        case Facing(way, within):
            held = np.asarray(surface.normals[faces] @ _unit(way) >= np.cos(np.radians(within)) - 1e-9)
        case NearPlane(normal, offset, within):
            size = float(np.linalg.norm(normal))
            held = np.asarray(np.abs(points @ _unit(normal) - offset / size) <= within + slack)
        case Beyond(normal, offset):
            held = np.asarray(points @ _unit(normal) >= offset / float(np.linalg.norm(normal)) - slack)
        case AllOf(parts):
            held = np.ones(len(points), dtype=np.bool_)
            for part in parts:
                held &= _holds(part, points, faces, surface, grown)
        case AnyOf(parts):
            held = np.zeros(len(points), dtype=np.bool_)
            for part in parts:
                held |= _holds(part, points, faces, surface, grown)
        case Without(kept, left_out):
            held = _holds(kept, points, faces, surface, grown) & ~_holds(left_out, points, faces, surface, grown)
    return held


def _unit(way: Vector) -> Floats:
    given = np.asarray(way, dtype=np.float64)
    unit: Floats = given / np.linalg.norm(given)
    return unit


def _shares(selection: Selection, surface: Surface, grown: dict[Grown, Flags]) -> Floats:
    """Share of each face that belongs, (m,): tried at many points of faces that may be cut."""
    if not _cuts(selection):
        every = np.arange(len(surface.faces))
        return _holds(selection, np.zeros((len(every), 3)), every, surface, grown).astype(np.float64)
    along, across = np.modf(0.5 + np.arange(1, _TRIED + 1)[:, None] * _EVEN)[0].T
    over = along + across > 1.0
    along[over], across[over] = 1.0 - along[over], 1.0 - across[over]
    whole, none = _settled(selection, surface, grown)
    shares = whole.astype(np.float64)
    cut = np.flatnonzero(~whole & ~none)
    for start in range(0, len(cut), 10_000):
        rows = cut[start : start + 10_000]
        a, b, c = (surface.vertices[surface.faces[rows, corner]][:, None] for corner in range(3))
        tried = a + along[:, None] * (b - a) + across[:, None] * (c - a)
        held = _holds(selection, tried.reshape(-1, 3), np.repeat(rows, _TRIED), surface, grown)
        shares[rows] = held.reshape(-1, _TRIED).mean(axis=1)
    return shares


def _settled(selection: Selection, surface: Surface, grown: dict[Grown, Flags]) -> tuple[Flags, Flags]:
    """Faces that belong as a whole and faces that cannot belong at all, two (m,), judged by their corners."""
    slack = 1e-9 * max(surface.diagonal, float(np.abs(surface.centroid).max()), 1.0)
    whole: Flags
    none: Flags
    match selection:
        case Grown() | Facing():
            every = np.arange(len(surface.faces))
            whole = _holds(selection, np.zeros((len(every), 3)), every, surface, grown)
            none = ~whole
        case Box(low, high):
            start, end = np.array(low) - slack, np.array(high) + slack
            whole, none = np.ones(len(surface.faces), dtype=np.bool_), np.zeros(len(surface.faces), dtype=np.bool_)
            for axis in range(3):
                at = surface.vertices[:, axis]
                below, above = at < start[axis], at > end[axis]
                whole &= ~_any_corner(below | above, surface)
                none |= _all_corners(below, surface) | _all_corners(above, surface)
        case NearPlane(normal, offset, _) | Beyond(normal, offset):
            from_plane = surface.vertices @ _unit(normal) - offset / float(np.linalg.norm(normal))
            at = from_plane[surface.faces]
            within = selection.within + slack if isinstance(selection, NearPlane) else np.inf
            start_at = -within if isinstance(selection, NearPlane) else -slack
            whole = np.asarray(((at >= start_at) & (at <= within)).all(axis=1))
            none = np.asarray((at < start_at).all(axis=1) | (at > within).all(axis=1))
        case AllOf(parts):
            whole, none = np.ones(len(surface.faces), dtype=np.bool_), np.zeros(len(surface.faces), dtype=np.bool_)
            for part in parts:
                part_whole, part_none = _settled(part, surface, grown)
                whole, none = whole & part_whole, none | part_none
        case AnyOf(parts):
            whole, none = np.zeros(len(surface.faces), dtype=np.bool_), np.ones(len(surface.faces), dtype=np.bool_)
            for part in parts:
                part_whole, part_none = _settled(part, surface, grown)
                whole, none = whole | part_whole, none & part_none
        case Without(kept, left_out):
            kept_whole, kept_none = _settled(kept, surface, grown)
            out_whole, out_none = _settled(left_out, surface, grown)
            whole, none = kept_whole & out_none, kept_none | out_whole
    return whole, none


def _any_corner(flags: Flags, surface: Surface) -> Flags:
    """Faces with a vertex that is flagged, (m,)."""
    a, b, c = surface.faces.T
    found: Flags = flags[a] | flags[b] | flags[c]
    return found


def _all_corners(flags: Flags, surface: Surface) -> Flags:
    a, b, c = surface.faces.T
    found: Flags = flags[a] & flags[b] & flags[c]
    return found


def _cuts(selection: Selection) -> bool:
    """Whether a face may belong in part: whether any condition is on points rather than on faces."""
    match selection:
        case Grown() | Facing():
            return False
        case AllOf(parts) | AnyOf(parts):
            return any(_cuts(part) for part in parts)
        case Without(kept, left_out):
            return _cuts(kept) or _cuts(left_out)
    return True


def _grow(grown: Grown, surface: Surface) -> Flags:
    """Faces grown from a seed, (m,); none when the seed finds no face."""
    held = np.zeros(len(surface.faces), dtype=np.bool_)
    first = _seed_face(grown, surface)
    if first is None:
        return held
    pairs = face_pairs(surface.faces)
    limit = np.cos(np.radians(grown.angle_deg)) - 1e-9
    if grown.against == "seed":
        near = surface.normals @ surface.normals[first] >= limit
        pairs = pairs[near[pairs].all(axis=1)]
    else:
        turn = np.einsum("ij,ij->i", surface.normals[pairs[:, 0]], surface.normals[pairs[:, 1]])
        pairs = pairs[turn >= limit]
    count = len(surface.faces)
    graph = coo_array((np.ones(len(pairs), dtype=np.int8), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    number = connected_components(graph, directed=False)[1]
    held[number == number[first]] = True
    return held


def face_pairs(faces: Ints) -> Ints:
    """Rows of faces that share an edge, (p, 2); where more than two meet, each with the next."""
    start, end = faces.reshape(-1), faces[:, [1, 2, 0]].reshape(-1)
    key = np.minimum(start, end) * (int(faces.max()) + 1) + np.maximum(start, end)
    order = np.argsort(key, kind="stable")
    same = np.flatnonzero(key[order[1:]] == key[order[:-1]])
    owner: Ints = order // 3
    return np.stack([owner[same], owner[same + 1]], axis=1)


def _seed_face(grown: Grown, surface: Surface) -> int | None:
    """The face nearest to the seed among those that look the way it did; of equally near ones the most alike, then the
    first."""
    seed = np.asarray(grown.seed, dtype=np.float64)
    away = _distances(seed, *(surface.vertices[surface.faces[:, corner]] for corner in range(3)))
    alike = np.ones(len(away)) if grown.normal is None else surface.normals @ _unit(grown.normal)
    away = np.where(alike > _SAME_WAY, away, np.inf)
    nearest = float(away.min())
    if not nearest <= max(_SEED_LEAST, _SEED_REACH * surface.diagonal):
        return None
    level = np.flatnonzero(away <= nearest + 1e-9 * surface.diagonal)
    return int(level[np.argmax(np.round(alike[level], 9))])


def _distances(point: Floats, a: Floats, b: Floats, c: Floats) -> Floats:
    """Distance of one point from each triangle a b c, (m,)."""
    normal = np.cross(b - a, c - a)
    squared = np.einsum("ij,ij->i", normal, normal)
    inside = np.ones(len(a), dtype=np.bool_)
    best = np.full(len(a), np.inf)
    for start, end in ((a, b), (b, c), (c, a)):
        along, away = end - start, point - start
        inside &= np.einsum("ij,ij->i", np.cross(along, away), normal) >= 0
        part = np.einsum("ij,ij->i", away, along) / np.maximum(np.einsum("ij,ij->i", along, along), 1e-300)
        off = away - np.clip(part, 0.0, 1.0)[:, None] * along
        best = np.minimum(best, np.sqrt(np.einsum("ij,ij->i", off, off)))
    height = np.abs(np.einsum("ij,ij->i", point - a, normal)) / np.sqrt(np.maximum(squared, 1e-300))
    found: Floats = np.where(inside, height, best)
    return found
