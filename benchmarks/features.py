"""How true features are: known features of an invented pad, scanned in several ways, many times over.

python -m benchmarks.features [--repeats 40]

The scanner errs by chance only and the pose is known, so that what is compared is the statistical part of the
uncertainty alone. Truth is the closed form of how each place of the nominal is moved.
"""

import argparse
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from fixtures import solids
from metrology.bodies import Floats
from metrology.features.measure import FeatureSpec, PairSpec, measure_feature, measure_pair
from metrology.features.points import Placed
from metrology.surfaces.selection import AllOf, Box, Facing, Grown
from metrology.surfaces.surface import Surface, prepare, sample

HOLE_AT, RADIUS, WIDER, MOVED = np.array([60.0, 30.0]), 15.0, 0.3, np.array([0.2, -0.15])
THICKER, CROWN, LEAN = 0.25, 0.4, 0.3
FEATURES = (
    FeatureSpec("hole", "cylinder", (Grown((75.0, 30.0, 15.0), 30.0, "neighbour", (-1.0, 0.0, 0.0)),)),
    FeatureSpec(
        "crown", "plane", (AllOf((Facing((0.0, 0.0, 1.0), 5.0), Box((-100.0, -40.0, 20.0), (-20.0, 40.0, 40.0)))),)
    ),
    FeatureSpec(
        "top", "plane", (AllOf((Facing((0.0, 0.0, 1.0), 5.0), Box((85.0, -85.0, 20.0), (120.0, 85.0, 40.0)))),)
    ),
    FeatureSpec("bottom", "plane", (Grown((0.0, 0.0, 0.0), 10.0, "seed", (0.0, 0.0, -1.0)),)),
    FeatureSpec("front", "plane", (Grown((125.0, 0.0, 15.0), 10.0, "seed", (1.0, 0.0, 0.0)),)),
)
TRUTH = {
    "diameter of the hole, mm": 2 * (RADIUS + WIDER),
    "its position, mm": 2 * float(np.hypot(*MOVED)),
    "flatness of a crown, mm": CROWN,
    "distance of two faces, mm": 30.0 + THICKER,
    "angle of two faces, °": 90.0 + LEAN,
}


@dataclass(frozen=True)
class Way:
    name: str
    points: int = 60_000
    noise: float = 0.02
    seen: Callable[[Floats], Floats] | None = None


WAYS = (
    Way("whole"),
    Way("noise 0.2 mm", noise=0.2),
    Way("6,000 points", points=6_000),
    Way("half of the hole", seen=lambda at: at[:, 0] + 0.2 * at[:, 1] > 66.0),
    Way("crowded to one side", seen=lambda at: (at[:, 1] > 0) | (np.arange(len(at)) % 5 == 0)),
)


def moved(surface: Surface, at: Floats, faces: Floats) -> Floats:
    """Places of the invented piece for places (n, 3) of the nominal."""
    out, normals = at.copy(), surface.normals[faces]
    away = at[:, :2] - HOLE_AT
    size = np.linalg.norm(away, axis=1)
    hole = (size < RADIUS + 0.1) & (np.abs(normals[:, 2]) < 0.1)
    out[hole, :2] = HOLE_AT + MOVED + away[hole] / size[hole, None] * (RADIUS + WIDER)
    top = normals[:, 2] > 0.99
    out[top, 2] += THICKER
    crown = top & (at[:, 0] < -20.0)
    # A parabola along x with its highest place in the middle of the region, which spans CROWN over it.
    out[crown, 2] -= CROWN * ((at[crown, 0] + 60.0) / 40.0) ** 2
    front = normals[:, 0] > 0.99
    out[front, 0] += np.tan(np.radians(LEAN)) * (at[front, 2] - 15.0)
    return out


def scanned(surface: Surface, way: Way, seed: int) -> Placed:
    rng = np.random.default_rng(seed)
    samples = sample(surface, way.points)
    turn = rng.permutation(len(samples.points))
    at, faces = samples.points[turn], samples.faces[turn]
    if way.seen is not None:
        hole = np.linalg.norm(at[:, :2] - HOLE_AT, axis=1) < RADIUS + 0.1
        kept = way.seen(at) | (~hole if way.name.startswith("half") else False)
        at, faces = at[kept], faces[kept]
    points = moved(surface, at, faces) + rng.normal(0, way.noise, (len(at), 1)) * surface.normals[faces]
    values, _, closest, _ = surface.closest(np.ascontiguousarray(points))
    return Placed(points, values, faces, closest)


def found(surface: Surface, placed: Placed) -> list[tuple[float, float]]:
    """Value and U of each of TRUTH."""
    known = {spec.name: measure_feature(spec, surface, placed, instrument_mm=0.0) for spec in FEATURES}
    for result in known.values():
        if result.code:
            raise SystemExit(f"{result.name}: {result.sentence}")
    hole = {figure.gives: figure for figure in known["hole"].figures}
    pairs = [
        measure_pair(PairSpec("distance", "top", "bottom"), known).figure,
        measure_pair(PairSpec("angle", "front", "bottom"), known).figure,
    ]
    figures = [hole["diameter"], hole["position"], known["crown"].figures[0], *pairs]
    values = [(figure.value, figure.uncertainty) for figure in figures]
    # The angle is counted from the underside, whose normal points the other way.
    values[-1] = (180.0 - values[-1][0] if values[-1][0] < 90.0 else values[-1][0], values[-1][1])
    return values


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--repeats", type=int, default=40)
    repeats = parser.parse_args().repeats
    surface = prepare(solids.bearing_pad(edge_mm=4.0))
    print("| feature | scan | mean error | worst error | U, statistical | inside U |\n|---|---|---|---|---|---|")
    for way in WAYS:
        runs = np.array([found(surface, scanned(surface, way, seed)) for seed in range(repeats)])
        for column, (name, truth) in enumerate(TRUTH.items()):
            errors, sure = runs[:, column, 0] - truth, runs[:, column, 1]
            worst = errors[np.argmax(np.abs(errors))]
            inside = np.mean(np.abs(errors) <= sure)
            print(f"| {name} | {way.name} | {errors.mean():.4f} | {worst:.4f} | {sure.mean():.4f} | {inside:.0%} |")


if __name__ == "__main__":
    main()
