"""Try the alignment on many shapes and scenes: python -m benchmarks.alignment [--only WORD] [--scene WORD] [--seeds N].

Each try ends in one of: right (within what the noise allows), flagged (off, but the report says that the pose is not
sure), refused (with a sentence) or WRONG (off, and sure of itself). Shapes and scans are invented.
"""

import argparse
from collections import Counter
from dataclasses import replace
from time import perf_counter

import numpy as np
from scipy.spatial import cKDTree

from fixtures.scenes import SCENES, Scene, Taken, take
from fixtures.shapes import SHAPES
from fixtures.solids import PARTS
from metrology.alignment.aligning import align
from metrology.alignment.model import AlignmentReport, BestFit
from metrology.alignment.scan_points import middle_of
from metrology.bodies import Floats, Mesh
from metrology.errors import AlignmentError
from metrology.surfaces.surface import Surface, prepare, sample


def expected_mm(surface: Surface, taken: Taken, scene: Scene) -> float:
    """How far noise alone may put the nominal's farthest place along its normal, one standard deviation, mm."""
    arm = surface.diagonal / 2
    rows = _motions(taken.at - surface.centroid, taken.normals, arm)
    # Each point weighs by the area it stands for, as in the fit.
    owners = cKDTree(sample(surface, 2500).points).query(taken.at)[1]
    weights = 1.0 / np.bincount(owners)[owners]
    weights = np.minimum(weights, 4 * middle_of(weights, weights))
    stiff, ways = np.linalg.eigh((rows * weights[:, None]).T @ rows)
    firm = stiff > 1e-9 * stiff[-1]
    solved = (ways[:, firm] / stiff[firm]) @ ways[:, firm].T
    spread = solved @ (rows * weights[:, None] ** 2).T @ rows @ solved * scene.noise_mm**2
    places = sample(surface, 2000)
    along = _motions(places.points - surface.centroid, places.normals, arm)
    return float(np.sqrt(np.einsum("ni,ij,nj->n", along, spread, along).max()))


def _motions(at: Floats, normals: Floats, arm: float) -> Floats:
    return np.hstack([normals, np.cross(at / arm, normals)])


def misfit_mm(surface: Surface, matrix: Floats, truth: Floats) -> float:
    """Greatest distance of the nominal, carried along with the part, from where it should be; a pose in which the
    part looks the same is as good as the true one."""
    left = matrix @ truth
    places = sample(surface, 4000).points
    moved = np.ascontiguousarray(places @ left[:3, :3].T + left[:3, 3])
    return float(np.abs(surface.closest(moved)[0]).max())


def judge(report: AlignmentReport, off: float, allowed: float) -> str:
    if off <= allowed:
        return "right"
    sure = report.uncertainty
    doubtful = (report.other is not None and report.other.almost) or sure.free or report.notes
    if doubtful or sure.displacement_mm > off / 1.5:
        return "flagged"
    return "WRONG"


def attempt(name: str, mesh: Mesh, surface: Surface, scene: Scene) -> tuple[str, str]:
    taken = take(mesh, scene)
    began = perf_counter()
    try:
        report = align(surface, taken.cloud.points, BestFit())
    except AlignmentError as error:
        return "refused", f"{error.code}: {error.sentence[:110]}"
    spent = perf_counter() - began
    off = misfit_mm(surface, report.pose.matrix, taken.pose)
    allowed = max(3 * expected_mm(surface, taken, scene), 2e-5 * surface.diagonal)
    verdict = judge(report, off, allowed)
    other = report.other
    return verdict, (
        f"off {off:.3f} allowed {allowed:.3f} said {report.uncertainty.deviation_mm:.3f} rms {report.pose.rms:.3f} "
        f"trimmed {report.pose.trimmed_share:.2f} {spent:.2f} s"
        + (f" other {other.rms:.3f}/{other.best_rms:.3f} {other.words}" if other else "")
        + (f" free {report.uncertainty.free}" if report.uncertainty.free else "")
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", default="", help="shapes whose name holds this")
    parser.add_argument("--scene", default="", help="scenes whose name holds this")
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--quiet", action="store_true", help="print only what is not right")
    options = parser.parse_args()
    counts: Counter[str] = Counter()
    for name, make in (PARTS | SHAPES).items():
        if options.only not in name:
            continue
        mesh = make()
        surface = prepare(mesh)
        for scene in SCENES:
            if options.scene not in scene.name:
                continue
            for seed in range(options.seeds):
                verdict, said = attempt(name, mesh, surface, replace(scene, seed=scene.seed + 100 * seed))
                counts[verdict] += 1
                if verdict != "right" or not options.quiet:
                    print(f"{verdict:8} {name:18} {scene.name:24} {said}", flush=True)
    print(", ".join(f"{count} {verdict}" for verdict, count in sorted(counts.items())))


if __name__ == "__main__":
    main()
