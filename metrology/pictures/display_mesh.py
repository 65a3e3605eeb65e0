"""A mesh fit to be turned on a screen: corners split where the surface turns sharply, and triangles as fine as a map
on it needs, but never too many."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from metrology.bodies import Floats, Ints
from metrology.pictures.edges import find_edges
from metrology.surfaces.surface import Surface

MOST_TRIANGLES = 250_000
# Edges longer than this many sample spacings are halved: a map between corners is then as fine as the samples.
_LONGEST = 1.3
_FINE = 1 << 10


@dataclass(frozen=True)
class DisplayMesh:
    """vertices, normals: (n, 3), mm and unit, outward; a corner on a sharp edge appears once for each side. faces:
    (m, 3), neighbours in space near each other in the list. lines: (e, 2) vertices, sharp and open edges. closed:
    whether every edge of the surface has two faces."""

    vertices: Floats
    normals: Floats
    faces: Ints
    lines: Ints
    closed: bool


def display_mesh(surface: Surface, spacing: float | None = None, most: int = MOST_TRIANGLES) -> DisplayMesh:
    """spacing: mm between the samples of a map to be laid on it; None leaves triangles as large as they are.

    A surface of more than `most` triangles is thinned: corners that share a small cube become one.
    """
    edges = find_edges(surface.faces, surface.normals)
    patches = int(edges.patch.max()) + 1
    key, faces = np.unique(surface.faces * patches + edges.patch[:, None], return_inverse=True)
    faces = faces.reshape(-1, 3)
    vertices = surface.vertices[key // patches]
    weighted = surface.normals * surface.areas[:, None]
    normals = _units(_summed(faces.reshape(-1), np.repeat(weighted, 3, axis=0), len(key)))
    # Any one of the copies of a corner will do for a line.
    copy = np.zeros(len(surface.vertices), dtype=np.int64)
    copy[key // patches] = np.arange(len(key))
    lines = copy[edges.ends[edges.sharp]]
    if len(faces) > most:
        vertices, normals, faces, lines = _thinned(vertices, normals, faces, lines, key % patches, surface.area, most)
    if spacing is not None:
        vertices, normals, faces = _refined(vertices, normals, faces, _LONGEST * spacing, most)
    faces = faces[_along_a_curve(vertices[faces].mean(axis=1))]
    order, renamed = _by_first_use(faces, lines, len(vertices))
    closed = bool((edges.faces[:, 1] >= 0).all())
    return DisplayMesh(vertices[order], normals[order], renamed[faces], renamed[lines], closed)


def _summed(rows: Ints, values: Floats, count: int) -> Floats:
    return np.stack([np.bincount(rows, values[:, axis], count) for axis in range(values.shape[1])], axis=1)


def _units(vectors: Floats) -> Floats:
    length = np.linalg.norm(vectors, axis=1, keepdims=True)
    units: Floats = vectors / np.where(length > 0, length, 1.0)
    return units


def _thinned(
    vertices: Floats, normals: Floats, faces: Ints, lines: Ints, patch: Ints, area: float, most: int
) -> tuple[Floats, Floats, Ints, Ints]:
    """One corner for each small cube and smooth patch, in the middle of those it stands for."""
    side = float(np.sqrt(2 * area / most))
    low = vertices.min(axis=0)
    while True:
        cube = np.floor((vertices - low) / side).astype(np.int64)
        wide = cube.max(axis=0) + 1
        # Not one number for cube and patch: with many patches it would outgrow 64 bits.
        one = np.unique(cube @ np.array([wide[1] * wide[2], wide[2], 1]), return_inverse=True)[1].reshape(-1)
        _, renamed = np.unique(one * (int(patch.max()) + 1) + patch, return_inverse=True)
        renamed = renamed.reshape(-1)
        fewer = renamed[faces]
        kept = (fewer != np.roll(fewer, 1, axis=1)).all(axis=1)
        if kept.sum() <= most:
            break
        side *= 1.2
    count = int(renamed.max()) + 1
    middle = _summed(renamed, vertices, count) / np.bincount(renamed, minlength=count)[:, None]
    ends = np.sort(renamed[lines], axis=1)
    ends = np.unique(ends[ends[:, 0] != ends[:, 1]], axis=0).reshape(-1, 2)
    return middle, _units(_summed(renamed, normals, count)), fewer[kept], ends


def _refined(vertices: Floats, normals: Floats, faces: Ints, longest: float, most: int) -> tuple[Floats, Floats, Ints]:
    """Edges halved until none is longer than `longest`, or longer than the budget of triangles allows.

    Both triangles at an edge halve it, so no gap opens.
    """
    while True:
        start, end = faces.reshape(-1), np.roll(faces, -1, axis=1).reshape(-1)
        key = np.minimum(start, end) * len(vertices) + np.maximum(start, end)
        unique, edge = np.unique(key, return_inverse=True)
        a, b = unique // len(vertices), unique % len(vertices)
        long = np.linalg.norm(vertices[b] - vertices[a], axis=1) > longest
        if not long.any():
            return vertices, normals, faces
        halved = long[edge].reshape(-1, 3)
        if len(faces) + int(halved.sum()) > most:
            longest *= 1.25
            continue
        middle = np.full(len(unique), -1, dtype=np.int64)
        middle[long] = len(vertices) + np.arange(int(long.sum()))
        a, b = a[long], b[long]
        faces = _halved(vertices, faces, middle[edge].reshape(-1, 3))
        vertices = np.concatenate([vertices, (vertices[a] + vertices[b]) / 2])
        normals = np.concatenate([normals, _units(normals[a] + normals[b])])


def _halved(vertices: Floats, faces: Ints, middle: Ints) -> Ints:
    """Faces with some edges halved. middle: (m, 3), the new vertex on the edge after each corner, or −1."""
    count = (middle >= 0).sum(axis=1)
    # Turned so that a single halved edge comes first, and a single whole edge last.
    turn = np.where(count == 1, np.argmax(middle >= 0, axis=1), np.where(count == 2, np.argmin(middle, axis=1) + 1, 0))
    columns = (turn[:, None] + np.arange(3)) % 3
    (a, b, c), (p, q, r) = np.take_along_axis(faces, columns, 1).T, np.take_along_axis(middle, columns, 1).T
    corner = vertices[np.stack([a, b, c])]
    # Of the two ways across the four-sided rest, the shorter.
    short = np.linalg.norm(corner[0] - (corner[1] + corner[2]) / 2, axis=1) <= np.linalg.norm(
        corner[2] - (corner[0] + corner[1]) / 2, axis=1
    )
    one, two, three = count == 1, count == 2, count == 3
    parts = [
        (count == 0, a, b, c),
        (one, a, p, c),
        (one, p, b, c),
        (two, p, b, q),
        (two & short, a, p, q),
        (two & short, a, q, c),
        (two & ~short, a, p, c),
        (two & ~short, p, q, c),
        (three, a, p, r),
        (three, p, b, q),
        (three, r, q, c),
        (three, p, q, r),
    ]
    return np.concatenate([np.stack([x[rows], y[rows], z[rows]], axis=1) for rows, x, y, z in parts])


def _along_a_curve(points: Floats) -> Ints:
    """An order in which neighbours in space follow each other: cubes along a Z-shaped curve."""
    low = points.min(axis=0)
    cell = ((points - low) * ((_FINE - 1) / max(float(np.ptp(points, axis=0).max()), 1e-300))).astype(np.int64)
    bits = np.arange(_FINE.bit_length() - 1)
    spread = ((np.arange(_FINE)[:, None] >> bits & 1) << 3 * bits).sum(axis=1)
    code = spread[cell[:, 0]] | spread[cell[:, 1]] << 1 | spread[cell[:, 2]] << 2
    order: Ints = np.argsort(code, kind="stable")
    return order


def _by_first_use(faces: Ints, lines: Ints, count: int) -> tuple[Ints, Ints]:
    """The vertices that are used, in the order in which they are, and the new row of each old one (−1: unused)."""
    used, first = np.unique(np.concatenate([faces.reshape(-1), lines.reshape(-1)]), return_index=True)
    order: npt.NDArray[np.int64] = used[np.argsort(first, kind="stable")]
    renamed = np.full(count, -1, dtype=np.int64)
    renamed[order] = np.arange(len(order))
    return order, renamed
