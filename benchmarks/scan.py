"""Time a comparison by stage: python -m benchmarks.scan [points ...]. The part and its scan are invented."""

import argparse
import resource
import sys
from time import perf_counter

from fixtures.scanner import cast_from, plateau, scan
from fixtures.solids import saddle_block
from metrology.bodies import Cloud, Mesh
from metrology.comparison import Settings, compare


def timed(nominal: Mesh, cloud: Cloud) -> str:
    """One comparison: its time by stage, and how long it kept silent."""
    moments = [perf_counter()]
    result = compare(nominal, cloud, Settings(-1.0, 1.0, 0.12), progress=lambda *_: moments.append(perf_counter()))
    seconds = perf_counter() - moments[0]
    silences = [later - earlier for earlier, later in zip(moments, moments[1:], strict=False)]
    stages = ", ".join(f"{stage} {spent:.2f} s" for stage, spent in result.stage_seconds.items())
    return (
        f"{len(cloud.points):,} points, {len(nominal.faces):,} faces: {seconds:.2f} s ({stages}); "
        f"first report after {silences[0]:.3f} s, longest silence {max(silences):.2f} s\n  {result.sentence}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("points", nargs="*", type=int, default=[200_000, 1_000_000])
    parser.add_argument("--edge-mm", type=float, default=25.0, help="widest gap between mesh lines of the nominal")
    options = parser.parse_args()
    nominal = saddle_block(edge_mm=options.edge_mm)
    cast = cast_from(nominal, warp=plateau((-220.0, 0.0, 300.0), 40.0, 0.8), max_edge_mm=10.0)
    for points in options.points:
        print(timed(nominal, scan(cast, points=points, seed=1)[0]))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1e9 if sys.platform == "darwin" else 1e6)
    print(f"Peak memory of the process: {peak:.2f} GB")


if __name__ == "__main__":
    main()
