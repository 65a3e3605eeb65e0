"""The job of `benchmarks.scan` with this project. Run by it: python -m benchmarks.contender_proofmark JOB.json

Also notes when progress was reported: the first time, and the longest silence.
"""

import json
import sys
from pathlib import Path
from time import perf_counter

from metrology.alignment.size_check import check_size
from metrology.comparison.compare import RegionSpec, Settings, compare
from metrology.reading import read_mesh_file, read_scan_file, read_together


def main() -> None:
    job = json.loads(Path(sys.argv[1]).read_text())
    moments = [perf_counter()]

    def note(stage: str, share: float) -> None:
        moments.append(perf_counter())

    nominal, scan = read_together(
        lambda told: read_mesh_file(Path(job["nominal"]), unit="mm", progress=told),
        lambda told: read_scan_file(Path(job["scan"]), unit="mm", progress=told),
        note,
    )
    mesh, cloud = nominal.mesh, scan.cloud
    read = perf_counter() - moments[0]
    check_size(mesh, cloud, "mm")
    checked = perf_counter() - moments[0]
    tolerance = job["tolerance"]
    regions = [
        RegionSpec(region["name"], -tolerance, tolerance, tuple(region["box"]), tuple(region["facing"]))
        for region in job["regions"]
    ]
    found = compare(mesh, cloud, Settings(-tolerance, tolerance, 0.12, seed=job["seed"]), regions, note)
    moments.append(perf_counter())
    silences = [later - earlier for earlier, later in zip(moments, moments[1:], strict=False)]
    figures = {"whole": {"mean": found.mean, "sd": found.sd, "inside": found.inside_share}}
    figures |= {part.name: {"mean": part.mean, "inside": part.inside_share} for part in found.regions}
    print(
        json.dumps(
            {
                "seconds": moments[-1] - moments[0],
                "laps": {"read": read, "check size": checked - read} | found.stage_seconds,
                "pose": found.pose.matrix.tolist(),
                "figures": figures,
                "first_report": silences[0],
                "longest_silence": max(silences),
                "sentence": found.sentence,
            }
        )
    )


if __name__ == "__main__":
    main()
