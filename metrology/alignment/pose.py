"""Where a scan lies in the nominal frame."""

from dataclasses import dataclass

from metrology.bodies import Floats


@dataclass(frozen=True)
class Pose:
    """Where a scan lies: nominal = matrix[:3, :3] @ scan + matrix[:3, 3].

    matrix: (4, 4) float64, a rotation of determinant +1 and a translation in mm. rms: mm, distance to the surface over
    the points kept. trimmed_share: share of points left out or given no weight, 0 to 1. iterations: of the final fit.
    converged: the last step moved nothing by more than a hundred-thousandth of the diagonal. runner_up_rms: mm, of the
    best clearly different pose over the points that either pose explains; None if the search left none.
    ambiguous: that pose fits almost as well, or the surface lets the scan slide or turn (a symmetric part).
    """

    matrix: Floats
    rms: float
    trimmed_share: float
    iterations: int
    converged: bool
    runner_up_rms: float | None
    ambiguous: bool

    def place(self, points: Floats) -> Floats:
        """Points (n, 3) mm from the scan frame to the nominal frame."""
        placed: Floats = points @ self.matrix[:3, :3].T + self.matrix[:3, 3]
        return placed
