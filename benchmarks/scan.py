"""Time a comparison by stage: python -m benchmarks.scan [points ...]. The part and its scan are invented."""

import argparse
import resource
import sys
import time

from fixtures.scanner import cast_from, plateau, scan
from fixtures.solids import saddle_block
from metrology.comparison import Settings, compare


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("points", nargs="*", type=int, default=[200_000, 1_000_000])
    parser.add_argument("--edge-mm", type=float, default=25.0, help="width of the nominal's mesh; 7.5 is 80,000 faces")
    options = parser.parse_args()
    nominal = saddle_block(edge_mm=options.edge_mm)
    cast = cast_from(nominal, warp=plateau((-220.0, 0.0, 300.0), 40.0, 0.8), max_edge_mm=10.0)
    for points in options.points:
        cloud, _ = scan(cast, points=points, seed=1)
        gaps: list[float] = []
        last = started = time.perf_counter()

        def note(stage: str, share: float) -> None:
            nonlocal last
            now = time.perf_counter()
            gaps.append(now - last)
            last = now

        result = compare(nominal, cloud, Settings(-1.0, 1.0, 0.12), progress=note)
        seconds = time.perf_counter() - started
        stages = ", ".join(f"{stage} {spent:.2f} s" for stage, spent in result.stage_seconds.items())
        print(f"{points:,} points, {len(nominal.faces):,} faces: {seconds:.2f} s ({stages})")
        print(f"  first report {gaps[0]:.3f} s, longest silence {max(gaps):.2f} s, {result.sentence}")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1e9 if sys.platform == "darwin" else 1e6)
    print(f"  peak memory of the process {peak:.2f} GB")


if __name__ == "__main__":
    main()
