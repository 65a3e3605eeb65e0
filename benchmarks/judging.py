"""A scan whose truth is known, and how far a pose that was found for it lies from that truth. Invented."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fixtures.files import write_ply_points, write_stl
from fixtures.scanner import cast_from, plateau, scan
from fixtures.solids import saddle_block
from metrology.bodies import Floats, Mesh
from metrology.surfaces.deviation import signed_deviation

# Gives about 82,000 triangles.
EDGE_MM = 5.75
NOISE_MM = 0.05
RAISED = (-220.0, 0.0, 300.0)


@dataclass(frozen=True)
class PoseError:
    """mm: of the farthest moved corner. degrees: of turn. rms: mm, distance of unchanged surface from the nominal."""

    mm: float
    degrees: float
    rms: float


@dataclass(frozen=True)
class Truth:
    """Files of one job and what is known about them. pose: (4, 4), part to scan frame. kept: (k, 3) points of the scan
    that belong to the unchanged surface."""

    nominal_file: Path
    scan_file: Path
    nominal: Mesh
    pose: Floats
    kept: Floats
    points: int

    @property
    def triangles(self) -> int:
        return len(self.nominal.faces)

    def judge(self, found: Floats) -> PoseError:
        """found: (4, 4), scan to nominal frame."""
        degrees, mm = misplaced(found, self.pose, self.nominal)
        placed = self.kept @ found[:3, :3].T + found[:3, 3]
        values = signed_deviation(placed, self.nominal).values
        return PoseError(mm, degrees, float(np.sqrt((values**2).mean())))


def misplaced(found: Floats, truth: Floats, mesh: Mesh) -> tuple[float, float]:
    """How far a found pose (scan to nominal) is from the truth (part to scan): degrees, and mm at the worst corner."""
    left = found @ truth
    # From the sine too: near no turn the cosine alone says little.
    sine = np.linalg.norm([left[2, 1] - left[1, 2], left[0, 2] - left[2, 0], left[1, 0] - left[0, 1]]) / 2
    degrees = float(np.degrees(np.arctan2(sine, (np.trace(left[:3, :3]) - 1) / 2)))
    moved = mesh.vertices @ left[:3, :3].T + left[:3, 3]
    return degrees, float(np.linalg.norm(moved - mesh.vertices, axis=1).max())


def make_truth(folder: Path, points: int) -> Truth:
    """A saddle block with 0.8 mm too much on one land, scanned with 0.05 mm noise and 1 % strays in an unknown pose."""
    nominal = saddle_block(edge_mm=EDGE_MM)
    cast = cast_from(nominal, warp=plateau(RAISED, 40.0, 0.8))
    cloud, pose = scan(cast, points=points, noise_mm=NOISE_MM, stray_share=0.01, seed=1)
    nominal_file, scan_file = folder / "nominal.stl", folder / f"scan-{points}.ply"
    write_stl(nominal, nominal_file)
    write_ply_points(cloud.points, scan_file)
    some = cloud.points[:: max(len(cloud.points) // 50_000, 1)]
    part = (some - pose[:3, 3]) @ pose[:3, :3]
    unchanged = np.linalg.norm(part - RAISED, axis=1) > 55.0
    near = np.abs(signed_deviation(part, nominal).values) < 5 * NOISE_MM
    return Truth(nominal_file, scan_file, nominal, pose, some[unchanged & near], points)
