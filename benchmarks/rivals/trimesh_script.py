"""The job of `benchmarks.scan` as one would script it with trimesh. Run by it: python trimesh_script.py JOB.json

Registration is trimesh's own (principal axes, then ICP), on points freed of strays with SciPy, and trimmed at the end.
Signed distance is trimesh.proximity.signed_distance; a job that names a number of points measures only so many, takes
the time for these and scales it to all. No imports of the project.
"""

import json
import sys
from pathlib import Path
from time import perf_counter

import numpy as np
import trimesh
from scipy.spatial import cKDTree


def main() -> None:
    job = json.loads(Path(sys.argv[1]).read_text())
    started = perf_counter()
    mesh = trimesh.load_mesh(job["nominal"])
    points = np.asarray(trimesh.load(job["scan"]).vertices)
    laps = {"read": perf_counter() - started}
    rng = np.random.default_rng(job["seed"])
    pose = align(mesh, points, rng)
    laps["align"] = perf_counter() - started - laps["read"]
    measured = job["trimesh_points"] or len(points)
    some = points if measured >= len(points) else points[rng.choice(len(points), measured, replace=False)]
    before = perf_counter()
    placed = trimesh.transform_points(some, pose)
    values = -trimesh.proximity.signed_distance(mesh, placed)
    per_point = (perf_counter() - before) / len(some)
    figures = sum_up(values, job)
    laps["measure"] = per_point * len(points)
    seconds = laps["read"] + laps["align"] + laps["measure"]
    print(
        json.dumps({"seconds": seconds, "laps": laps, "pose": pose.tolist(), "figures": figures, "measured": len(some)})
    )


def align(mesh: trimesh.Trimesh, points: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Scan frame to nominal frame, (4, 4)."""
    few = points[rng.choice(len(points), min(20_000, len(points)), replace=False)]
    lonely = cKDTree(few).query(few, k=9, workers=-1)[0][:, 8]
    few = few[lonely < 3 * np.median(lonely)]
    to_scan, _ = trimesh.registration.mesh_other(mesh, few[:1500], icp_first=10, icp_final=50, reflection=False)
    pose = np.linalg.inv(to_scan)
    kept = few[:5000]
    for _ in range(5):
        pose, placed, _ = trimesh.registration.icp(
            kept, mesh, initial=pose, threshold=1e-9, max_iterations=30, reflection=False, scale=False
        )
        away = trimesh.proximity.closest_point(mesh, trimesh.transform_points(few[:5000], pose))[1]
        kept = few[:5000][away < 4 * np.median(away)]
    return pose


def sum_up(values: np.ndarray, job: dict) -> dict:
    """Whole only: with regions this script would take a little longer still."""
    values = values[np.abs(values) < job["stray_mm"]]
    low, middle, high = np.percentile(values, [1, 50, 99])
    inside = float((np.abs(values) <= job["tolerance"]).mean())
    whole = {"points": len(values), "mean": float(values.mean()), "sd": float(values.std()), "p01": float(low)}
    return {"whole": whole | {"p50": float(middle), "p99": float(high), "inside": inside}}


if __name__ == "__main__":
    main()
