"""The deviation of every point of a placed scan, and the surface sample that each belongs to."""

from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from metrology.alignment.pose import Pose
from metrology.bodies import Floats, Ints, Progress
from metrology.errors import InputError
from metrology.surfaces.deviation import PIECE, STAGE, neighbour_order
from metrology.surfaces.surface import Samples, Surface

Order = npt.NDArray[np.unsignedinteger[Any]]


@dataclass(frozen=True)
class PointDeviations:
    """Point-to-surface deviation of a whole scan, in an order that keeps neighbours together.

    values: (n,) signed mm, positive outside. owners: (n,) int32, row of the surface sample each point belongs to.
    order: (n,) rows of the scan: values[k] is that of scan point order[k].
    """

    values: Floats
    owners: npt.NDArray[np.int32]
    order: Order
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


def measure(
    surface: Surface, samples: Samples, pose: Pose, points: Floats, progress: Progress, order: Order | None = None
) -> PointDeviations:
    """Signed deviation of each point and the sample it belongs to.

    points: (n, 3) mm, scan frame. Memory beside them: about 40 bytes a point. order: what `visiting_order` says of
    them, where that is known already. Points are visited along a space-filling curve, for which the search on a large
    mesh takes half the time. While one piece is searched on the mesh, a second thread finds the samples of the last.

    Raises InputError (not-a-number).
    """
    total = len(points)
    progress(STAGE, 0.0)
    order = visiting_order(points) if order is None else order
    values, owners = np.empty(total), np.empty(total, dtype=np.int32)

    with ThreadPoolExecutor(1) as beside:
        last: tuple[slice, Future[Ints]] | None = None
        for start in range(0, total, PIECE):
            piece = slice(start, min(start + PIECE, total))
            values[piece], _, closest, normals = surface.closest(placed(pose, points[order[piece]]))
            if last is not None:
                owners[last[0]] = last[1].result()
            last = piece, samples.nearest_beside(closest, normals, beside)
            progress(STAGE, piece.stop / total)
        if last is not None:
            owners[last[0]] = last[1].result()
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


def visiting_order(points: Floats) -> Order:
    """Rows of (n, 3) points so that neighbours follow each other, (n,). Raises InputError (not-a-number)."""
    low, high = points.min(axis=0), points.max(axis=0)
    if not (np.isfinite(low).all() and np.isfinite(high).all()):
        raise InputError("not-a-number", "The scan has coordinates that are not numbers. Export it again.")
    return neighbour_order(points).astype(np.uint32 if len(points) < 2**32 else np.uint64)
