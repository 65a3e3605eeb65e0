"""The two kinds of body that a comparison needs: a surface and a set of measured points."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# Called with a stage name and the finished share of that stage, 0 to 1. May raise `errors.Stopped`.
Progress = Callable[[str, float], None]


def silent(stage: str, share: float) -> None:
    """A progress callback that says nothing."""


@dataclass(frozen=True)
class Mesh:
    """A triangle mesh in millimetres.

    vertices: (n, 3) float64, mm. faces: (m, 3) int64, counter-clockwise seen from outside.
    """

    vertices: Floats
    faces: Ints

    @property
    def size(self) -> Floats:
        """Side lengths of the axis-aligned box around the mesh, (3,) mm."""
        size: Floats = self.vertices.max(axis=0) - self.vertices.min(axis=0)
        return size


@dataclass(frozen=True)
class Cloud:
    """Measured points in millimetres, in the scanner's own frame. points: (n, 3) float64.

    origin: where the zero of `points` lies in the frame of the file, mm: the file's own coordinates are points +
    origin. Other than 0 for files with large coordinates, so that digits last.
    """

    points: Floats
    origin: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def size(self) -> Floats:
        """Side lengths of the axis-aligned box around the points, (3,) mm."""
        size: Floats = self.points.max(axis=0) - self.points.min(axis=0)
        return size
