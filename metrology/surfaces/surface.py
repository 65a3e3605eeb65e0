"""The nominal surface made ready for measuring: normals, closest points, and samples that stand for equal areas."""

from concurrent.futures import Executor, Future
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import igl
import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from metrology.bodies import Floats, Ints, Mesh
from metrology.errors import InputError
from metrology.surfaces.mesh_facts import signed_volume, winding

Flags = npt.NDArray[np.bool_]
Closest = tuple[Floats, Ints, Floats, Floats]

# Below this share of the distance along the face normal, the closest point lies on an edge or a corner.
_ALONG_NORMAL = 0.999
# Inverse powers of the plastic number: two-dimensional points that stay evenly spread however many are taken.
_START = 0.3819660112501051
_EVEN = np.array([0.7548776662466927, 0.5698402909980532])


@dataclass(frozen=True)
class Surface:
    """A triangle mesh with what closest-point queries need. Made by `prepare`.

    vertices: (n, 3) mm. faces: (m, 3) into vertices, without faces of zero area. mesh_faces: (m,) their rows in the
    mesh given. normals: (m, 3) unit, outward. areas: (m,) mm². vertex_normals: (n, 3), angle-weighted. edge_normals:
    (m, 3, 3), for the edge opposite each corner. centroid: (3,) of the area, mm. diagonal: of the box around it, mm.
    """

    vertices: Floats
    faces: Ints
    mesh_faces: Ints
    normals: Floats
    areas: Floats
    vertex_normals: Floats
    edge_normals: Floats
    centroid: Floats
    diagonal: float
    tree: Any = field(repr=False)

    @property
    def area(self) -> float:
        return float(self.areas.sum())

    @cached_property
    def axes(self) -> Floats:
        """The three directions the surface mostly faces, as columns: for a block, its edges."""
        axes: Floats = np.linalg.eigh(np.einsum("m,mi,mj->ij", self.areas, self.normals, self.normals))[1]
        return axes

    @cached_property
    def coarse(self) -> "Samples":
        """2,500 samples, for what needs no more."""
        return sample(self, 2500)

    def closest(self, points: Floats) -> Closest:
        """Signed distance (k,) mm, positive outside; row of the closest face (k,); closest point and normal (k, 3).

        points: (k, 3) float64 in the nominal frame, finite, C-contiguous. The normal is the way the distance grows:
        the face's, or beyond an edge or a corner the direction of the point itself. Which of the faces meeting there
        is named is left to rounding; distance, sign and normal are not.
        """
        squared, faces, closest = self.tree.squared_distance(self.vertices, self.faces, points)
        faces = faces.reshape(-1)
        away = points - closest
        normals: Floats = self.normals[faces]
        height = np.einsum("ij,ij->i", away, normals)
        distance = np.sqrt(squared.reshape(-1))
        values = np.copysign(distance, height)
        doubtful = np.flatnonzero((np.abs(height) < _ALONG_NORMAL * distance) & (distance > 1e-10 * self.diagonal))
        if len(doubtful):
            pseudonormals = self._pseudonormals(faces[doubtful], closest[doubtful])
            outside = np.einsum("ij,ij->i", away[doubtful], pseudonormals)
            values[doubtful] = np.copysign(distance[doubtful], outside)
            normals[doubtful] = away[doubtful] / values[doubtful, None]
        clear = distance > 1e-6 * self.diagonal
        np.divide(away, values[:, None], out=normals, where=clear[:, None])
        return values, faces, closest, normals

    def _pseudonormals(self, faces: Ints, closest: Floats) -> Floats:
        """Normals that decide inside from outside where the closest point lies on an edge or a corner, (k, 3).

        Angle-weighted pseudonormals give the right sign there (Baerentzen and Aanaes 2005, from memory), on open
        meshes too.
        """
        a, b, c = (self.vertices[self.faces[faces, corner]] for corner in range(3))
        whole = np.cross(b - a, c - a)
        parts = np.stack([np.cross(c - b, closest - b), np.cross(a - c, closest - c), np.cross(b - a, closest - a)])
        shares = np.einsum("kij,ij->ik", parts, whole) / np.einsum("ij,ij->i", whole, whole)[:, None]
        order = np.argsort(shares, axis=1, kind="stable")
        rows = np.arange(len(faces))
        normals: Floats = self.edge_normals[faces, order[:, 0]]
        at_corner = shares[rows, order[:, 1]] < 1e-7
        normals[at_corner] = self.vertex_normals[self.faces[faces[at_corner], order[at_corner, 2]]]
        return normals


@dataclass(frozen=True)
class Samples:
    """Points spread over a surface so that each stands for the same area.

    points, normals: (s, 3), nominal frame, mm and unit. faces: (s,) rows of the surface. spacing: side of the square
    with one sample's area, mm.
    """

    points: Floats
    normals: Floats
    faces: Ints
    spacing: float
    _tree: Any = field(repr=False)

    # Opposite faces of a thin plate are close in space: turning by 180° counts as this many spacings.
    SIDE = 3.0

    # Hardly any place on the surface is so many spacings from its nearest sample.
    _NEAR = 1.5

    def nearest(self, points: Floats, normals: Floats, count: int = 1) -> tuple[Floats, Ints]:
        """The nearest samples on the same side of the part: distances (k,) or (k, count) and their rows."""
        asked = self._with_side(points, normals)
        if count > 1:
            return self._tree.query(asked, k=count, workers=-1)  # type: ignore[no-any-return]
        return self._one(asked, -1)

    def nearest_beside(self, points: Floats, normals: Floats, other: Executor) -> "Future[Ints]":
        """Rows of the nearest samples, found by another thread."""
        asked = self._with_side(points, normals)
        return other.submit(lambda: self._one(asked, 1)[1])

    def _one(self, asked: Floats, workers: int) -> tuple[Floats, Ints]:
        # A limit to the search saves a fifth of the time; what lies farther off is asked for again without one.
        away, rows = self._tree.query(asked, distance_upper_bound=self._NEAR * self.spacing, workers=workers)
        if rows.max(initial=0) == len(self.points):
            far = np.flatnonzero(rows == len(self.points))
            away[far], rows[far] = self._tree.query(asked[far], workers=workers)
        return away, rows

    def _with_side(self, points: Floats, normals: Floats) -> Floats:
        return np.hstack([points, 0.5 * self.SIDE * self.spacing * normals])


def prepare(mesh: Mesh) -> Surface:
    """Ready a mesh for measuring.

    Raises InputError when it has no area, has coordinates that are not numbers, or is closed and wound inside out.
    """
    if not len(mesh.faces) or not np.isfinite(mesh.vertices).all():
        raise InputError("empty-nominal", "The nominal has no usable faces. Export the mesh again and upload it.")
    vertices, faces = _welded(mesh)
    a, b, c = (vertices[faces[:, corner]] for corner in range(3))
    crossed = np.cross(b - a, c - a)
    twice = np.sqrt(np.einsum("ij,ij->i", crossed, crossed))
    longest = np.max([np.einsum("ij,ij->i", side, side) for side in (b - a, c - b, a - c)], axis=0)
    kept = np.flatnonzero(twice > 1e-12 * longest)
    if not len(kept):
        raise InputError("empty-nominal", "The nominal has no area. Export the mesh again and upload it.")
    faces = np.ascontiguousarray(faces[kept])
    if signed_volume(Mesh(vertices, faces)) < 0 and winding(faces)[1]:
        raise InputError(
            "inside-out",
            "The nominal is wound inside out, so outside and inside would be exchanged. Turn its faces round.",
        )
    normals = crossed[kept] / twice[kept, None]
    areas = twice[kept] / 2
    centres = ((a + b + c) / 3)[kept]
    used = np.zeros(len(vertices), dtype=np.bool_)
    used[faces] = True
    tree = igl.AABB()
    tree.init(vertices, faces)
    return Surface(
        vertices=vertices,
        faces=faces,
        mesh_faces=kept,
        normals=normals,
        areas=areas,
        vertex_normals=_vertex_normals(vertices, faces, normals, twice[kept]),
        edge_normals=_edge_normals(faces, normals, len(vertices)),
        centroid=(areas[:, None] * centres).sum(axis=0) / areas.sum(),
        diagonal=float(np.linalg.norm(np.ptp(vertices[used], axis=0))),
        tree=tree,
    )


def sample(surface: Surface, count: int) -> Samples:
    """`count` samples, area-weighted and evenly spread: no chance in it, and moving the mesh moves them with it.

    Steps of equal area along the list of faces; inside a face the points follow an even two-dimensional sequence.
    One pass of moving each sample to the middle of the surface nearest to it evens out meshes whose faces are listed
    in no order.
    """
    points, faces = strewn(surface, count)
    spacing = float(np.sqrt(surface.area / count))
    samples = _samples(surface, points, faces, spacing)
    dense, dense_faces = strewn(surface, 6 * count)
    _, owner = samples.nearest(dense, surface.normals[dense_faces])
    owned = np.maximum(np.bincount(owner, minlength=count), 1)
    middle = np.stack([np.bincount(owner, dense[:, axis], count) for axis in range(3)], axis=1) / owned[:, None]
    _, moved_faces, moved, _ = surface.closest(np.ascontiguousarray(middle))
    # Not across an edge onto another side, and not from where it stood without any surface of its own.
    same_side = np.einsum("ij,ij->i", surface.normals[moved_faces], surface.normals[faces]) > 0.9
    stays = ~same_side | (np.bincount(owner, minlength=count) == 0)
    moved[stays], moved_faces[stays] = points[stays], faces[stays]
    return _samples(surface, moved, moved_faces, spacing)


def _samples(surface: Surface, points: Floats, faces: Ints, spacing: float) -> Samples:
    normals = surface.normals[faces]
    tree = cKDTree(np.hstack([points, 0.5 * Samples.SIDE * spacing * normals]))
    return Samples(points, normals, faces, spacing, tree)


def strewn(surface: Surface, count: int) -> tuple[Floats, Ints]:
    """Points spread over a surface by area, (count, 3) mm, and the faces they lie on: quick, and less even than
    `sample`."""
    reached = np.cumsum(surface.areas)
    # An uneven start: steps that end where faces end would leave the choice of face to rounding.
    steps = (np.arange(count) + _START) / count * reached[-1]
    faces = np.minimum(np.searchsorted(reached, steps), len(reached) - 1)
    along, across = np.modf(0.5 + np.arange(1, count + 1)[:, None] * _EVEN)[0].T
    over = along + across > 1.0
    along[over], across[over] = 1.0 - along[over], 1.0 - across[over]
    a, b, c = (surface.vertices[surface.faces[faces, corner]] for corner in range(3))
    return a + along[:, None] * (b - a) + across[:, None] * (c - a), faces


def _welded(mesh: Mesh) -> tuple[Floats, Ints]:
    """Vertices and faces with equal vertices joined, when each face came with corners of its own."""
    vertices = np.ascontiguousarray(mesh.vertices, dtype=np.float64)
    faces = np.ascontiguousarray(mesh.faces, dtype=np.int64)
    if len(vertices) <= len(faces):
        return vertices, faces
    order = np.lexsort(vertices.T)
    ordered = vertices[order]
    new = np.r_[True, (ordered[1:] != ordered[:-1]).any(axis=1)]
    renamed = np.empty(len(vertices), dtype=np.int64)
    renamed[order] = np.cumsum(new) - 1
    return np.ascontiguousarray(ordered[new]), renamed[faces]


def _edge_normals(faces: Ints, normals: Floats, vertices: int) -> Floats:
    """Sum of the unit normals of the faces at each edge; edge k of a face lies opposite its corner k. (m, 3, 3)."""
    start, end = faces[:, [1, 2, 0]].reshape(-1), faces[:, [2, 0, 1]].reshape(-1)
    _, edge = np.unique(np.minimum(start, end) * vertices + np.maximum(start, end), return_inverse=True)
    repeated = np.repeat(normals, 3, axis=0)
    summed = np.stack([np.bincount(edge, repeated[:, axis]) for axis in range(3)], axis=1)
    return np.asarray(summed[edge].reshape(-1, 3, 3), dtype=np.float64)


def _vertex_normals(vertices: Floats, faces: Ints, normals: Floats, twice: Floats) -> Floats:
    """Face normals summed at each vertex, each weighted by the face's angle there, (n, 3). twice: (m,) double areas."""
    summed = np.zeros((len(vertices), 3))
    for corner in range(3):
        here, right, left = (vertices[faces[:, (corner + step) % 3]] for step in range(3))
        u, v = right - here, left - here
        angle = np.arctan2(twice, np.einsum("ij,ij->i", u, v))
        for axis in range(3):
            summed[:, axis] += np.bincount(faces[:, corner], angle * normals[:, axis], len(vertices))
    return summed
