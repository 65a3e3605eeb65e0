"""The pattern of a mould: the nominal's surface, moved vertex by vertex. It has the shape of the cavity.

A pattern keeps the nominal's faces, split where they are too large to bend, so that a second correction starts from
what the first one made.
"""

from dataclasses import dataclass

import igl
import numpy as np

from metrology.bodies import Floats, Ints, Mesh
from metrology.errors import InputError
from metrology.surfaces.surface import Surface

# A pattern with more faces than this is slow to handle and no closer.
MOST_FACES = 400_000
_STL_FACE = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")])


@dataclass(frozen=True)
class Pattern:
    """nominal: (v, 3) mm, points of the nominal's surface. moved: (v, 3) mm, where the pattern has them. faces: (f, 3).
    parents: (f,) rows of the faces of the prepared nominal that they are pieces of."""

    nominal: Floats
    moved: Floats
    faces: Ints
    parents: Ints

    @property
    def mesh(self) -> Mesh:
        return Mesh(self.moved, self.faces)


def nominal_pattern(surface: Surface, scale: tuple[float, float, float] = (1.0, 1.0, 1.0)) -> Pattern:
    """The pattern of a mould of nominal shape, enlarged along x, y, z about the middle of the nominal's box."""
    used = np.unique(surface.faces)
    renamed = np.empty(len(surface.vertices), dtype=np.int64)
    renamed[used] = np.arange(len(used))
    nominal = surface.vertices[used]
    moved = nominal if scale == (1.0, 1.0, 1.0) else scaled(nominal, np.array(scale), middle(nominal))
    return Pattern(nominal, moved, renamed[surface.faces], np.arange(len(surface.faces)))


def middle(points: Floats) -> Floats:
    """The middle of the box around points, (3,)."""
    centre: Floats = (points.max(axis=0) + points.min(axis=0)) / 2
    return centre


def scaled(points: Floats, factors: Floats, fixed: Floats) -> Floats:
    """Points (n, 3) enlarged by factors (3,) about a fixed point (3,)."""
    return fixed + (points - fixed) * factors


def refined(pattern: Pattern, longest_mm: float) -> Pattern:
    """The same surface with no edge longer than longest_mm. Edges are halved, in both faces that meet there, so that a
    closed surface stays closed.

    Raises InputError (too-fine) when more than MOST_FACES faces would be needed.
    """
    while True:
        finer = _halved(pattern, longest_mm)
        if finer is None:
            return pattern
        if len(finer.faces) > MOST_FACES:
            raise InputError(
                "too-fine",
                f"A surface this large cannot be corrected every {longest_mm:.3g} mm. Smooth over a longer length.",
            )
        pattern = finer


def _halved(pattern: Pattern, longest_mm: float) -> Pattern | None:
    """Every edge that is too long cut in the middle; None when none is."""
    faces = pattern.faces
    start, end = faces.reshape(-1), faces[:, [1, 2, 0]].reshape(-1)
    count = len(pattern.nominal)
    key, edge = np.unique(np.minimum(start, end) * count + np.maximum(start, end), return_inverse=True)
    a, b = key // count, key % count
    long = np.linalg.norm(pattern.nominal[a] - pattern.nominal[b], axis=1) > longest_mm
    if not long.any():
        return None
    number = np.full(len(key), -1)
    number[long] = count + np.arange(int(long.sum()))
    nominal = np.concatenate([pattern.nominal, (pattern.nominal[a[long]] + pattern.nominal[b[long]]) / 2])
    moved = np.concatenate([pattern.moved, (pattern.moved[a[long]] + pattern.moved[b[long]]) / 2])
    cut = number[edge.reshape(-1, 3)]
    pieces, parents = _cut_faces(faces, cut, nominal)
    return Pattern(nominal, moved, pieces, pattern.parents[parents])


def _cut_faces(faces: Ints, cut: Ints, points: Floats) -> tuple[Ints, Ints]:
    """Faces cut at the middles of some edges. cut: (f, 3), middle of the edge from corner k to the next, or −1."""
    many = (cut >= 0).sum(axis=1)
    rows = np.arange(len(faces))
    whole, one, two, three = (np.flatnonzero(many == k) for k in range(4))

    def turned(some: Ints, first: Ints) -> tuple[Ints, Ints]:
        """Corners and cuts of faces, turned so that their edge `first` comes first."""
        order = (first[:, None] + np.arange(3)) % 3
        return np.take_along_axis(faces[some], order, 1), np.take_along_axis(cut[some], order, 1)

    pieces, parents = [faces[whole]], [rows[whole]]
    v, m = turned(one, np.argmax(cut[one] >= 0, axis=1))
    pieces += [np.stack([v[:, 0], m[:, 0], v[:, 2]], 1), np.stack([m[:, 0], v[:, 1], v[:, 2]], 1)]
    # Turned so that the edge that stays whole comes last: corner 1 is cut off, the rest takes its shorter diagonal.
    v2, m2 = turned(two, (np.argmin(cut[two], axis=1) + 1) % 3)
    pieces.append(np.stack([m2[:, 0], v2[:, 1], m2[:, 1]], 1))
    straight = np.linalg.norm(points[v2[:, 0]] - points[m2[:, 1]], axis=1)
    other = np.linalg.norm(points[m2[:, 0]] - points[v2[:, 2]], axis=1)
    to_zero = (straight <= other)[:, None]
    pieces.append(
        np.where(to_zero, np.stack([v2[:, 0], m2[:, 0], m2[:, 1]], 1), np.stack([v2[:, 0], m2[:, 0], v2[:, 2]], 1))
    )
    pieces.append(
        np.where(to_zero, np.stack([v2[:, 0], m2[:, 1], v2[:, 2]], 1), np.stack([m2[:, 0], m2[:, 1], v2[:, 2]], 1))
    )
    v3, m3 = faces[three], cut[three]
    pieces += [np.stack([v3[:, k], m3[:, k], m3[:, (k + 2) % 3]], 1) for k in range(3)] + [m3]
    parents += [rows[one]] * 2 + [rows[two]] * 3 + [rows[three]] * 4
    return np.concatenate(pieces), np.concatenate(parents)


def offset_at(pattern: Pattern, points: Floats, normals: Floats) -> Floats:
    """How far the pattern lies outside nominal at places of the nominal, (k,) mm, along their normals (k, 3)."""
    outward: Floats = np.einsum("ij,ij->i", moved_at(pattern, pattern.moved - pattern.nominal, points), normals)
    return outward


def moved_at(pattern: Pattern, motion: Floats, points: Floats) -> Floats:
    """A motion of the pattern's vertices, (v, 3), between them: at points on the nominal's surface, (k, 3)."""
    tree = igl.AABB()
    vertices, faces = np.ascontiguousarray(pattern.nominal), np.ascontiguousarray(pattern.faces)
    tree.init(vertices, faces)
    _, rows, closest = tree.squared_distance(vertices, faces, np.ascontiguousarray(points))
    rows = np.asarray(rows).reshape(-1)
    a, b, c = (vertices[faces[rows, corner]] for corner in range(3))
    whole = np.cross(b - a, c - a)
    area = np.maximum(np.einsum("ij,ij->i", whole, whole), 1e-300)
    shares = np.stack(
        [np.einsum("ij,ij->i", np.cross(q - closest, r - closest), whole) / area for q, r in ((b, c), (c, a), (a, b))],
        axis=1,
    )
    shares = np.clip(shares, 0.0, 1.0)
    shares /= shares.sum(axis=1, keepdims=True)
    found: Floats = np.einsum("ik,ikj->ij", shares, motion[faces[rows]])
    return found


def stl_bytes(mesh: Mesh, words: str) -> bytes:
    """A binary STL, coordinates in mm as single-precision numbers. words: for the 80 bytes of its head, ASCII."""
    corners = mesh.vertices[mesh.faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    rows = np.zeros(len(mesh.faces), dtype=_STL_FACE)
    rows["normal"] = np.divide(normal, length, out=np.zeros_like(normal), where=length > 0)
    rows["corners"] = corners
    head = words.encode("ascii", "replace")[:80].ljust(80)
    return b"".join([head, len(rows).to_bytes(4, "little"), rows.tobytes()])
