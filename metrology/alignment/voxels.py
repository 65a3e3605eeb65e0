"""The nominal as a field of small cubes, each knowing the sample nearest to it: coarse distances in no time."""

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from scipy.spatial import cKDTree

from metrology.bodies import Floats, Ints
from metrology.surfaces.surface import Samples, Surface, strewn

Singles = npt.NDArray[np.float32]

# Cubes in the field, and its margin around the nominal as a share of the diagonal.
_CUBES, _MARGIN = 300_000, 0.08


class Target:
    """The nominal about its middle, seen along its principal axes.

    Vectors here are in the *seen* frame: nominal = middle + axes @ seen. points, normals: (s, 3) evenly spread samples.
    low, high: (3,) mm, the box around it. scale: half its diagonal, mm. side: of the cubes, mm.
    """

    def __init__(self, surface: Surface, samples: Samples) -> None:
        self.middle = surface.centroid
        self.axes = principal_axes(samples.points)
        self.points = (samples.points - self.middle) @ self.axes
        self.normals = samples.normals @ self.axes
        self.scale = surface.diagonal / 2
        self.spacing = samples.spacing
        self.tree = cKDTree(self.points)
        corners = (surface.vertices - self.middle) @ self.axes
        self.low, self.high = corners.min(axis=0), corners.max(axis=0)
        self._fill(surface)

    @property
    def corners(self) -> Floats:
        """Of the box, (8, 3)."""
        return np.array([[(self.low, self.high)[n >> axis & 1][axis] for axis in range(3)] for n in range(8)])

    def _fill(self, surface: Surface) -> None:
        margin = _MARGIN * 2 * self.scale
        self._corner = self.low - margin
        size = self.high - self.low + 2 * margin
        self.side = float((size.prod() / _CUBES) ** (1 / 3))
        self._shape = np.ceil(size / self.side).astype(np.int64)
        count = int(np.clip(3 * surface.area / self.side**2, 10_000, 120_000))
        points, faces = strewn(surface, count)
        self.fine: Singles = ((points - self.middle) @ self.axes).astype(np.float32)
        self.fine_normals: Singles = (surface.normals[faces] @ self.axes).astype(np.float32)
        cube = self._cube(self.fine)
        filled, first = np.unique(cube, return_index=True)
        owner = np.zeros(int(self._shape.prod()), dtype=np.int64)
        owner[filled] = first
        empty = np.ones(len(owner), dtype=np.bool_)
        empty[filled] = False
        nearest = ndimage.distance_transform_edt(
            empty.reshape(self._shape), return_distances=False, return_indices=True
        ).reshape(3, -1)
        at: Ints = (nearest[0] * self._shape[1] + nearest[1]) * self._shape[2] + nearest[2]
        self._owner = owner[at]

    def _cube(self, points: Singles) -> npt.NDArray[np.int32]:
        """Number of the cube that holds each point, (k,); points outside the field count to its rim."""
        cube = np.zeros(len(points), dtype=np.int32)
        for axis in range(3):
            at = (points[:, axis] - np.float32(self._corner[axis])) * np.float32(1 / self.side)
            last = int(self._shape[axis]) - 1
            cube *= np.int32(last + 1)
            cube += np.clip(at, 0, last).astype(np.int32)
        return cube

    def nearest(self, points: Singles) -> Ints:
        """Rows of `fine` near each point (k, 3), (k,); good to about one cube's diagonal."""
        found: Ints = self._owner[self._cube(points)]
        return found


def principal_axes(points: Floats) -> Floats:
    """Columns: directions of least to most spread about the mean, right-handed, (3, 3)."""
    centred = points - points.mean(axis=0)
    axes: Floats = np.linalg.eigh(np.einsum("ni,nj->ij", centred, centred))[1]
    axes[:, 2] *= np.sign(np.linalg.det(axes))
    return axes
