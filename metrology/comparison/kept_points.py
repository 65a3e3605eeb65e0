"""A thinned set of measured points, kept with the result: for features, for sections, and to look again later."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from metrology.bodies import Floats
from metrology.comparison.measuring import PointDeviations
from metrology.features.points import Placed
from metrology.surfaces.surface import Flags, Samples, Surface

# So many points say as much about a feature as millions would: what is left is the instrument's own error.
MOST_KEPT = 250_000


@dataclass(frozen=True)
class KeptPoints:
    """Points in the nominal frame, strays left out, spread as the scan's are. points: (k, 3) mm. deviation: (k,) signed
    mm. owners: (k,) the surface sample each was credited to. normals: (k, 3) of these samples."""

    points: Floats
    deviation: Floats
    owners: npt.NDArray[np.int32]
    normals: Floats


def keep_points(found: PointDeviations, samples: Samples, used: Flags, most: int = MOST_KEPT) -> KeptPoints:
    """Every so-manieth point along the curve that keeps neighbours together; no chance in it. used: (n,) no strays."""
    total = len(found.values)
    rows = np.linspace(0, total - 1, min(total, most)).astype(np.int64)
    rows = rows[used[rows]]
    owners = found.owners[rows]
    return KeptPoints(found.placed(rows), found.values[rows], owners, samples.normals[owners])


def on_faces(kept: KeptPoints, surface: Surface) -> Placed:
    """The same with the face of the nominal that each belongs to. A point that lies nearest to the other side of a thin
    wall than the one it was credited to is left out."""
    _, faces, closest, _ = surface.closest(np.ascontiguousarray(kept.points))
    alike = np.einsum("ij,ij->i", surface.normals[faces], kept.normals) > 0
    rows = np.flatnonzero(alike)
    return Placed(kept.points[rows], kept.deviation[rows], faces[rows], closest[rows])
