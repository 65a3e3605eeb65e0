"""How well position reports find parts that were moved: invented assemblies, known displacements, one table.

Run: python -m benchmarks.positions [--seeds 6]. Parts are moved by up to 25 mm and 3° (each evenly between nothing and
that), about one in eight is missing, a fifth of the points are strays; the scan is given in the assembly's frame, so
that errors are those of the parts alone.
"""

import argparse
import time
from collections.abc import Callable, Sequence

import numpy as np
from scipy.spatial.transform import Rotation

from fixtures.assemblies import about, arc_of_blocks, bracketed_beam, frame, rigid, stepped_block, take
from metrology.bodies import Floats
from metrology.errors import AlignmentError
from metrology.positions.assembly import PlacedPart
from metrology.positions.report import PositionSettings, position_report

AS_SCANNED = PositionSettings(uncertainty_mm=0.0, placing="as scanned")


def slats() -> list[PlacedPart]:
    """Ten equal slats 30 mm thick, 70 mm apart."""
    slat = bracketed_beam(900.0, 30.0, 120.0)
    return [PlacedPart(f"S{k + 1}", "slat", slat, rigid((0, 0, 0), (0, 70.0 * k, 0)), 6.0, 0.5) for k in range(10)]


def stack() -> list[PlacedPart]:
    """Eighteen equal blocks, three by three by two, joints of 5 to 10 mm."""
    block = stepped_block(200.0, 150.0, 100.0)
    places = [(i, j, k) for i in range(3) for j in range(3) for k in range(2)]
    return [
        PlacedPart(f"G{i}{j}{k}", "block", block, rigid((0, 0, 0), (210.0 * i, 160.0 * j, 105.0 * k)), 6.0, 0.5)
        for i, j, k in places
    ]


CASES: tuple[tuple[str, Callable[[], list[PlacedPart]], dict[str, float]], ...] = (
    ("arc of 10 blocks, six stands", arc_of_blocks, {}),
    ("the same, two stands", arc_of_blocks, {"stands": 2}),
    ("the same, one stand", arc_of_blocks, {"stands": 1}),
    ("the same, noise 1 mm", arc_of_blocks, {"noise_mm": 1.0}),
    ("frame of 8 members, six stands", frame, {}),
    ("the same, one stand", frame, {"stands": 1}),
    ("10 slats, 70 mm apart", slats, {}),
    ("18 blocks in a stack", stack, {}),
)


def moved(parts: Sequence[PlacedPart], seed: int) -> dict[str, Floats]:
    rng = np.random.default_rng(seed)

    def some(most: float) -> tuple[float, float, float]:
        way = rng.normal(size=3)
        x, y, z = way / np.linalg.norm(way) * most * rng.random()
        return x, y, z

    return {part.label: about(part, some(3.0), some(25.0)) for part in parts[:: 1 if seed % 2 else 3]}


def run(make: Callable[[], list[PlacedPart]], seeds: int, **scan: float) -> tuple[int, int, int, Floats, Floats, float]:
    """Parts there, not found, found where there was none; errors in mm and degrees where all is determined; seconds."""
    there = lost = ghosts = 0
    mm, deg, seconds = [], [], 0.0
    for seed in range(seeds):
        parts = make()
        rng = np.random.default_rng(1000 + seed)
        missing = tuple(part.label for part in parts if rng.random() < 0.12)
        taken = take(parts, moved(parts, seed), missing=missing, strays=0.2, seed=seed, posed=False, **scan)
        started = time.perf_counter()
        try:
            report = position_report(parts, taken.cloud, AS_SCANNED)
        except AlignmentError:
            lost += len(parts) - len(missing)
            continue
        seconds += time.perf_counter() - started
        middles = {part.label: part.middle for part in parts}
        for part in report.parts:
            ghosts += part.found and part.label in missing
            there += part.label not in missing
            lost += not part.found and part.label not in missing
            if part.found and part.label not in missing and all(part.known):
                truth, at = taken.motions[part.label], middles[part.label]
                mm.append(float(np.linalg.norm(part.slide - (truth[:3, :3] @ at + truth[:3, 3] - at))))
                turn = Rotation.from_matrix(truth[:3, :3]).as_rotvec(degrees=True)
                deg.append(float(np.linalg.norm(part.turn_deg - turn)))
    return there, lost, ghosts, np.array(mm), np.array(deg), seconds / seeds


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=6)
    seeds = parser.parse_args().seeds
    head = ("there", "lost", "ghosts", "whole", "mm p50", "mm max", "° p50", "° max", "s")
    print(f"{'assembly':34}" + "".join(f"{word:>9}" for word in head))
    for name, make, scan in CASES:
        there, lost, ghosts, mm, deg, seconds = run(make, seeds, **scan)
        figures = (np.median(mm), mm.max(), np.median(deg), deg.max(), seconds)
        print(f"{name:34}{there:9d}{lost:9d}{ghosts:9d}{len(mm):9d}" + "".join(f"{f:9.3f}" for f in figures))


if __name__ == "__main__":
    main()
