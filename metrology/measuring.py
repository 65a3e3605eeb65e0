"""The deviation of every point of a placed scan, and the surface sample that each belongs to."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from metrology.bodies import Floats, Ints, Progress
from metrology.deviation import PIECE, STAGE, neighbour_order
from metrology.errors import InputError
from metrology.pose import Pose
from metrology.surface import Samples, Surface


@dataclass(frozen=True)
class PointDeviations:
    """Point-to-surface deviation of a whole scan, in an order that keeps neighbours together.

    values: (n,) signed mm, positive outside. owners: (n,) int32, row of the surface sample each point belongs to.
    order: (n,) rows of the scan: values[k] is that of scan point order[k].
    """

    values: Floats
    owners: npt.NDArray[np.int32]
    order: npt.NDArray[np.unsignedinteger[Any]]
    points: Floats
    pose: Pose

    def placed(self, rows: npt.NDArray[np.integer[Any]]) -> Floats:
        """Points in the nominal frame, (k, 3) mm. rows: into values."""
        return placed(self.pose, self.points[self.order[rows]])

    def credited(self, rows: Ints, values: Floats, owners: npt.NDArray[np.int32]) -> "PointDeviations":
        """With another deviation and another sample for some points."""
        if not len(rows):
            return self
        new_values, new_owners = self.values.copy(), self.owners.copy()
        new_values[rows], new_owners[rows] = values, owners
        return replace(self, values=new_values, owners=new_owners)


def measure(surface: Surface, samples: Samples, pose: Pose, points: Floats, progress: Progress) -> PointDeviations:
    """Signed deviation of each point and the sample it belongs to.

    points: (n, 3) mm, scan frame. Memory beside them: about 40 bytes a point. Points are visited along a space-filling
    curve, for which the search on a large mesh takes half the time.

    Raises InputError (not-a-number).
    """
    total = len(points)
    progress(STAGE, 0.0)
    order = _order(points)
    values, owners = np.empty(total), np.empty(total, dtype=np.int32)
    for start in range(0, total, PIECE):
        piece = slice(start, min(start + PIECE, total))
        found, _, closest, normals = surface.closest(placed(pose, points[order[piece]]))
        values[piece] = found
        owners[piece] = samples.nearest(closest, normals)[1]
        progress(STAGE, piece.stop / total)
    return PointDeviations(values, owners, order, points, pose)


def placed(pose: Pose, points: Floats) -> Floats:
    """As `Pose.place`, to the same last digit whatever the number of threads, C-contiguous."""
    turn, shift = pose.matrix[:3, :3], pose.matrix[:3, 3]
    out = np.empty(points.shape)
    x, y, z = points.T
    for axis in range(3):
        np.multiply(x, turn[axis, 0], out=out[:, axis])
        out[:, axis] += y * turn[axis, 1]
        out[:, axis] += z * turn[axis, 2]
        out[:, axis] += shift[axis]
    return out


def _order(points: Floats) -> npt.NDArray[np.unsignedinteger[Any]]:
    low, high = points.min(axis=0), points.max(axis=0)
    if not (np.isfinite(low).all() and np.isfinite(high).all()):
        raise InputError("not-a-number", "The scan has coordinates that are not numbers. Export it again.")
    return neighbour_order(points).astype(np.uint32 if len(points) < 2**32 else np.uint64)
