"""What a nominal mesh is, before anything is compared with it: closed or not, how big, of how many pieces."""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from metrology.bodies import Floats, Ints, Mesh

# A triangle lower than this share of its longest edge has no usable normal.
NO_HEIGHT = 1e-12


@dataclass(frozen=True)
class MeshFacts:
    """Counts and sizes of one mesh.

    triangles, vertices: counts.
    watertight: every edge is shared by exactly two faces that run along it in opposite directions.
    consistently_wound: no edge is run along twice in the same direction (open edges are allowed).
    size: side lengths of the axis-aligned box, mm.
    area: mm². volume: mm³, None unless watertight; negative when the mesh is wound inside out.
    shells: pieces of surface not joined by an edge.
    faces_without_area: faces with repeated or collinear corners (none are left after reading a file).
    """

    triangles: int
    vertices: int
    watertight: bool
    consistently_wound: bool
    size: tuple[float, float, float]
    area: float
    volume: float | None
    shells: int
    faces_without_area: int


def mesh_facts(mesh: Mesh) -> MeshFacts:
    """Facts about `mesh`, which needs at least one face. Closed forms; area and volume in float64."""
    consistent, watertight = winding(mesh.faces)
    x, y, z = (float(side) for side in mesh.size)
    return MeshFacts(
        triangles=len(mesh.faces),
        vertices=len(mesh.vertices),
        watertight=watertight,
        consistently_wound=consistent,
        size=(x, y, z),
        area=float(twice_area_vectors_length(mesh).sum() / 2),
        volume=signed_volume(mesh) if watertight else None,
        shells=count_shells(mesh.faces),
        faces_without_area=int(without_area(mesh).sum()),
    )


def winding(faces: Ints) -> tuple[bool, bool]:
    """(consistently wound, watertight) of (m, 3) faces, from their directed edges alone."""
    if not len(faces):
        return True, False
    start, end = _directed_edges(faces)
    span = int(faces.max()) + 1
    forward = np.sort(start * span + end)
    consistent = bool((forward[1:] != forward[:-1]).all() and (start != end).all())
    return consistent, consistent and bool(np.array_equal(forward, np.sort(end * span + start)))


def signed_volume(mesh: Mesh) -> float:
    """Enclosed volume in mm³ by the divergence theorem; positive when faces run counter-clockwise seen from outside.

    Means something only for a watertight mesh. Taken about the centre of the box, so that a part far from the
    origin loses no digits.
    """
    a, b, c = _corners(mesh, mesh.vertices.min(axis=0) + mesh.size / 2)
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6)


def twice_area_vectors_length(mesh: Mesh) -> Floats:
    """Twice the area of each face, (m,) mm²."""
    a, b, c = _corners(mesh, mesh.vertices[0])
    lengths: Floats = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    return lengths


def without_area(mesh: Mesh) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """True for each face whose corners coincide or lie on one line, (m,)."""
    a, b, c = _corners(mesh, mesh.vertices[0])
    longest = np.max([((p - q) ** 2).sum(axis=1) for p, q in ((a, b), (b, c), (c, a))], axis=0)
    flat: np.ndarray[tuple[int], np.dtype[np.bool_]] = twice_area_vectors_length(mesh) <= NO_HEIGHT * longest
    return flat


def count_shells(faces: Ints) -> int:
    """Pieces of surface that no edge joins; faces that only touch at a corner are separate pieces."""
    return int(pieces_by_edge(faces).max(initial=-1)) + 1


def pieces_by_edge(faces: Ints) -> Ints:
    """The number, from 0, of the piece of surface that each of (m, 3) faces belongs to; edges join, corners do not."""
    if not len(faces):
        return np.empty(0, dtype=np.int64)
    start, end = _directed_edges(faces)
    edge = np.minimum(start, end) * (int(faces.max()) + 1) + np.maximum(start, end)
    order = np.argsort(edge, kind="stable")
    same = edge[order[1:]] == edge[order[:-1]]
    owner = order // 3
    left, right = owner[:-1][same], owner[1:][same]
    joined = coo_array((np.ones(len(left), dtype=np.int8), (left, right)), shape=(len(faces), len(faces)))
    pieces: Ints = connected_components(joined, directed=False)[1].astype(np.int64)
    return pieces


def volume_of_pieces(mesh: Mesh) -> Floats:
    """Signed volume of each piece of `pieces_by_edge`, mm³; negative for one that is wound inside out."""
    a, b, c = _corners(mesh, mesh.vertices.min(axis=0) + mesh.size / 2)
    volumes = np.bincount(pieces_by_edge(mesh.faces), np.einsum("ij,ij->i", a, np.cross(b, c)) / 6)
    return volumes.astype(np.float64)


def _directed_edges(faces: Ints) -> tuple[Ints, Ints]:
    """Start and end vertex of every side, (3m,) each; side i belongs to face i // 3."""
    return faces.reshape(-1), np.roll(faces, -1, axis=1).reshape(-1)


def _corners(mesh: Mesh, origin: Floats) -> tuple[Floats, Floats, Floats]:
    centred = mesh.vertices - origin
    return centred[mesh.faces[:, 0]], centred[mesh.faces[:, 1]], centred[mesh.faces[:, 2]]
