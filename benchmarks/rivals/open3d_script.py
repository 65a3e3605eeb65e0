"""The job of `benchmarks.scan` as one would script it with Open3D. Run by it: python open3d_script.py JOB.json

Reads a nominal mesh and a scan, finds the pose by features (FPFH and RANSAC), refines it by point-to-plane ICP on all
cores, measures signed distance with a ray-casting scene and sums up, whole and by region. No imports of the project.
"""

import json
import sys
from pathlib import Path
from time import perf_counter

import numpy as np
import open3d as o3d

# Voxel edges as shares of the diagonal: of the middle cloud, of the features, of the cloud for ICP. Chosen by trying:
# finer features took longer and missed the pose more often, normals without a common side missed it too.
MIDDLE, FEATURES, FINE = 1 / 250, 1 / 40, 1 / 150

registration = o3d.pipelines.registration


def main() -> None:
    job = json.loads(Path(sys.argv[1]).read_text())
    started = perf_counter()
    o3d.utility.set_verbosity_level(o3d.utility.VerbosityLevel.Error)
    o3d.utility.random.seed(job["seed"])
    mesh = o3d.io.read_triangle_mesh(job["nominal"]).remove_duplicated_vertices()
    cloud = o3d.io.read_point_cloud(job["scan"])
    laps = {"read": perf_counter() - started}
    pose = align(mesh, cloud)
    laps["align"] = perf_counter() - started - laps["read"]
    values, closest, normals = measure(mesh, np.asarray(cloud.points), pose)
    figures = sum_up(values, closest, normals, job)
    seconds = perf_counter() - started
    laps["measure"] = seconds - laps["read"] - laps["align"]
    print(json.dumps({"seconds": seconds, "laps": laps, "pose": pose.tolist(), "figures": figures}))


def align(mesh: o3d.geometry.TriangleMesh, cloud: o3d.geometry.PointCloud) -> np.ndarray:
    """Scan frame to nominal frame, (4, 4)."""
    diagonal = float(np.linalg.norm(mesh.get_max_bound() - mesh.get_min_bound()))
    voxel = FEATURES * diagonal
    mesh.compute_triangle_normals()
    target = mesh.sample_points_uniformly(100_000, use_triangle_normal=True)
    middle, _ = cloud.voxel_down_sample(MIDDLE * diagonal).remove_statistical_outlier(12, 2.0)
    thin = [with_normals(body.voxel_down_sample(voxel), voxel) for body in (middle, target)]
    around = o3d.geometry.KDTreeSearchParamHybrid(5 * voxel, 100)
    features = [registration.compute_fpfh_feature(body, around) for body in thin]
    pose = registration.registration_ransac_based_on_feature_matching(
        *thin,
        *features,
        False,
        1.5 * voxel,
        registration.TransformationEstimationPointToPoint(False),
        3,
        [
            registration.CorrespondenceCheckerBasedOnEdgeLength(0.9),
            registration.CorrespondenceCheckerBasedOnDistance(1.5 * voxel),
        ],
        registration.RANSACConvergenceCriteria(400_000, 0.999),
    ).transformation
    fine = middle.voxel_down_sample(FINE * diagonal)
    for reach in (voxel, voxel / 4, diagonal / 1000):
        pose = registration.registration_icp(
            fine,
            target,
            reach,
            pose,
            registration.TransformationEstimationPointToPlane(),
            registration.ICPConvergenceCriteria(1e-7, 1e-7, 60),
        ).transformation
    return np.asarray(pose)


def with_normals(body: o3d.geometry.PointCloud, voxel: float) -> o3d.geometry.PointCloud:
    """Normals that all look away from the body: features of two clouds agree only when their sides do."""
    body.estimate_normals(o3d.geometry.KDTreeSearchParamHybrid(2 * voxel, 30))
    body.orient_normals_consistent_tangent_plane(12)
    points, normals = np.asarray(body.points), np.asarray(body.normals)
    if ((points - points.mean(axis=0)) * normals).sum() < 0:
        body.normals = o3d.utility.Vector3dVector(-normals)
    return body


def measure(mesh: o3d.geometry.TriangleMesh, points: np.ndarray, pose: np.ndarray) -> tuple[np.ndarray, ...]:
    """Signed distance, closest point and its face's normal, in one pass: what compute_signed_distance does inside."""
    placed = (points @ pose[:3, :3].T + pose[:3, 3]).astype(np.float32)
    scene = o3d.t.geometry.RaycastingScene()
    scene.add_triangles(o3d.t.geometry.TriangleMesh.from_legacy(mesh))
    query = o3d.core.Tensor(placed)
    found = scene.compute_closest_points(query)
    inside = scene.compute_occupancy(query).numpy() > 0
    closest, normals = found["points"].numpy(), found["primitive_normals"].numpy()
    away = np.linalg.norm(placed - closest, axis=1)
    return np.where(inside, -away, away), closest, normals


def sum_up(values: np.ndarray, closest: np.ndarray, normals: np.ndarray, job: dict) -> dict:
    figures = {"whole": statistics(values[np.abs(values) < job["stray_mm"]], job["tolerance"])}
    for region in job["regions"]:
        low, high = np.array(region["box"][:3]) - 1e-3, np.array(region["box"][3:]) + 1e-3
        facing = normals @ (np.array(region["facing"]) / np.linalg.norm(region["facing"])) >= np.cos(np.pi / 4)
        rows = ((closest >= low) & (closest <= high)).all(axis=1) & facing & (np.abs(values) < job["stray_mm"])
        figures[region["name"]] = statistics(values[rows], job["tolerance"])
    return figures


def statistics(values: np.ndarray, tolerance: float) -> dict:
    low, middle, high = np.percentile(values, [1, 50, 99])
    return {
        "points": len(values),
        "mean": float(values.mean()),
        "sd": float(values.std()),
        "p01": float(low),
        "p50": float(middle),
        "p99": float(high),
        "inside": float((np.abs(values) <= tolerance).mean()),
    }


if __name__ == "__main__":
    main()
