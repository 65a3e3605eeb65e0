"""Small solids and simulated scans whose truth is known point by point. Invented."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import trimesh
from scipy.spatial.transform import Rotation

from metrology.bodies import Cloud, Floats, Mesh


def from_trimesh(body: trimesh.Trimesh) -> Mesh:
    return Mesh(np.array(body.vertices, dtype=np.float64), np.array(body.faces, dtype=np.int64))


def box(x: float = 100.0, y: float = 60.0, z: float = 40.0) -> Mesh:
    """A box about the origin, 12 triangles."""
    return from_trimesh(trimesh.creation.box((x, y, z)))


def corner_block() -> Mesh:
    """An L-shaped block, 300 × 200 × 150 mm, with a notch in one side: it fits itself one way only, and is not its
    mirror image. Top of the low step (x > 175): z = 75; top of the high part: z = 150. Origin at a lower corner."""
    filled = np.ones((12, 8, 6), dtype=bool)
    filled[7:, :, 3:] = False
    filled[2:4, 5:, 2:] = False
    return lattice_surface(filled, 25.0)


def lattice_surface(filled: np.ndarray, side: float) -> Mesh:
    """The outer faces of filled cubes of one side length, two triangles each, welded."""
    padded = np.pad(filled, 1)
    quads = []
    for axis in range(3):
        u, v = np.eye(3, dtype=int)[(axis + 1) % 3], np.eye(3, dtype=int)[(axis + 2) % 3]
        step = np.diff(padded.astype(np.int8), axis=axis)
        for sign in (-1, 1):
            corner = np.argwhere(step == sign) - 1
            corner[:, axis] += 1
            ring = [corner, corner + u, corner + u + v, corner + v]
            quads.append(np.stack(ring if sign == -1 else ring[::-1], axis=1))
    corners = np.concatenate(quads)
    vertices, index = np.unique(corners.reshape(-1, 3), axis=0, return_inverse=True)
    index = index.reshape(-1, 4)
    return Mesh(vertices * side, np.concatenate([index[:, [0, 1, 2]], index[:, [0, 2, 3]]]).astype(np.int64))


@dataclass(frozen=True)
class Scan:
    """cloud: as scanned. pose: (4, 4) part frame to scan frame. nominal: (k, 3) where the first k points belong."""

    cloud: Cloud
    pose: Floats
    nominal: Floats


def scan_of(
    mesh: Mesh,
    points: int = 20_000,
    *,
    seed: int = 0,
    noise: float = 0.05,
    strays: int = 0,
    grown: Callable[[Floats, Floats], Floats] | None = None,
    seen: Callable[[Floats, Floats], np.ndarray] | None = None,
) -> Scan:
    """A scan from a chance pose metres away.

    grown: (positions, normals) -> deviation along the normal, mm. seen: (positions, normals) -> which points exist.
    strays: extra points anywhere in the box around the part, a fifth larger.
    """
    rng = np.random.default_rng(seed)
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    normals = np.cross(b - a, c - a)
    areas = np.linalg.norm(normals, axis=1)
    face = rng.choice(len(areas), size=points, p=areas / areas.sum())
    u, v = np.sort(rng.random((2, points)), axis=0)[:, :, None]
    at = _inside(a, b, c, face, u, v)
    way = normals[face] / areas[face, None]
    if seen is not None:
        kept = seen(at, way)
        at, way = at[kept], way[kept]
    measured = at + rng.normal(scale=noise, size=at.shape) if noise else at.copy()
    if grown is not None:
        measured += grown(at, way)[:, None] * way
    low, high = mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)
    measured = np.vstack([measured, rng.uniform(low - 0.1 * (high - low), high + 0.1 * (high - low), (strays, 3))])
    pose = np.eye(4)
    pose[:3, :3] = Rotation.from_quat(rng.normal(size=4)).as_matrix()
    pose[:3, 3] = rng.uniform(-3000, 3000, 3)
    return Scan(Cloud(measured @ pose[:3, :3].T + pose[:3, 3]), pose, at)


def _inside(a: Floats, b: Floats, c: Floats, face: np.ndarray, u: Floats, v: Floats) -> Floats:
    """Points of triangles from two sorted shares each."""
    return a[face] * u + b[face] * (v - u) + c[face] * (1 - v)


def misplaced(pose: Floats, truth: Floats, mesh: Mesh) -> tuple[float, float]:
    """How far a found pose (scan to nominal) is from the truth (part to scan): degrees, and mm at the worst vertex."""
    left = pose @ truth
    degrees = np.degrees(np.linalg.norm(Rotation.from_matrix(left[:3, :3]).as_rotvec()))
    moved = mesh.vertices @ left[:3, :3].T + left[:3, 3]
    return float(degrees), float(np.linalg.norm(moved - mesh.vertices, axis=1).max())


def patch(centre: tuple[float, float, float], radius: float, mm: float) -> Callable[[Floats, Floats], Floats]:
    """A flat-topped bump: mm within the radius on the face that holds the centre and looks up."""

    def grown(at: Floats, way: Floats) -> Floats:
        near = np.linalg.norm(at - np.asarray(centre), axis=1) < radius
        return np.where(near & (way[:, 2] > 0.9), mm, 0.0)

    return grown
