"""How true a comparison is: known pose, known deviation, many parts, scans as they really come.

    python -m benchmarks.accuracy            the table of docs/scans.md
    python -m benchmarks.accuracy --part tube --scene noisy

On every part a flat-topped bump of 0.8 mm is planted; each scan is compared twice, with limits that the bump breaks and
with limits that it keeps. Columns:

pose       distance in mm of the farthest place of the nominal, carried along with the part, from the nominal's surface;
           for a part that fits itself in more ways any of these is right
bump       error in mm of the deviation found on the flat top
elsewhere  the same for the 1 % quantiles of the rest of the surface: nothing is there, so both should be about 0
coverage   share found less share scanned, in per cent of the surface
verdict    right; or "unsure": inconclusive, refused, or flagged as fitting in more ways, with the reason; or WRONG
Parts and scans are invented.
"""

import argparse
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from fixtures.lattice import refined
from fixtures.odd_solids import ODD
from fixtures.scanner import plateau
from fixtures.scenes import Scene, Taken, take
from fixtures.shapes import SHAPES
from fixtures.solids import PARTS
from metrology.bodies import Floats, Mesh
from metrology.comparison.compare import Comparison, Settings, compare
from metrology.errors import MetrologyError
from metrology.surfaces.surface import Samples, prepare, sample

BUMP_MM, U_MM = 0.8, 0.12
TIGHT, LOOSE = 0.5, 1.2
COVERAGE = 0.95

BODIES: dict[str, tuple[str, Callable[[], Mesh]]] = {
    "saddle block": ("box-like", PARTS["saddle block"]),
    "angle piece": ("L", SHAPES["angle piece"]),
    "ring segment": ("arc", PARTS["ring segment"]),
    "slotted tube": ("tube", SHAPES["slotted tube"]),
    "plate with a hole": ("thin plate", SHAPES["plate with a hole"]),
    "wedge": ("wedge", ODD["wedge"]),
    "bracket": ("holes", ODD["bracket"]),
    "grating": ("lattice", ODD["grating"]),
    "blob": ("free form", SHAPES["blob"]),
    "notched bar": ("long", SHAPES["notched bar"]),
    "box": ("symmetric", SHAPES["box"]),
    "plain tube": ("symmetric, turns", SHAPES["plain tube"]),
}
SCENES = (
    Scene("whole", points=50_000),
    Scene("a third of it", points=20_000, view="corner"),
    Scene("one side", points=20_000, view="side"),
    Scene("noise 0.2 mm", points=50_000, noise_mm=0.2),
    Scene("2,000 points", points=2_000),
    Scene("20 % strays", points=20_000, strays=0.2),
    Scene("clamped", points=50_000, beside="clamps"),
)


@dataclass(frozen=True)
class Bump:
    """at: (3,) mm. towards: (3,) unit. radius: of the flat top, mm; it falls off over another `edge` mm."""

    at: Floats
    towards: Floats
    radius: float
    edge: float

    def from_middle(self, points: Floats) -> Floats:
        away: Floats = np.linalg.norm(points - self.at, axis=1)
        return away


@dataclass(frozen=True)
class Row:
    part: str
    scene: str
    pose: float
    bump: float
    elsewhere: tuple[float, float]
    coverage: float
    verdict: str

    def cells(self) -> list[str]:
        def number(value: float, decimals: int) -> str:
            return "" if np.isnan(value) else f"{value:.{decimals}f}".replace("-", "\u2212")

        low, high = self.elsewhere
        around = "" if np.isnan(low) else f"{number(low, 2)} to {number(high, 2)}"
        return [
            self.part,
            self.scene,
            number(self.pose, 3),
            number(self.bump, 3),
            around,
            number(100 * self.coverage, 1),
            self.verdict,
        ]


def flattest_place(mesh: Mesh) -> Bump:
    """The middle of the widest piece of surface that turns by less than 12°, as far as samples tell."""
    surface = prepare(mesh)
    places = sample(surface, 4000)
    tree = cKDTree(places.points)
    reach = 0.12 * surface.diagonal
    free = np.full(len(places.points), reach)
    for row, near in enumerate(tree.query_ball_point(places.points, reach)):
        near = np.array(near)
        along = places.normals[near] @ places.normals[row]
        # The far side of a plate is no neighbour.
        other = near[(along < np.cos(np.radians(12))) & (along > -0.5)]
        if len(other):
            free[row] = np.linalg.norm(places.points[other] - places.points[row], axis=1).min()
    best = int(np.argmax(np.round(free, 6)))
    return Bump(places.points[best], places.normals[best], 0.55 * free[best], 0.3 * free[best])


def with_bump(mesh: Mesh, bump: Bump) -> Mesh:
    """The cast: raised on the side that the bump is on, the far side of a thin wall left alone."""
    fine = refined(mesh, max(bump.edge / 3, 1.0))
    at, way = ((float(x), float(y), float(z)) for x, y, z in (bump.at, bump.towards))
    raised = plateau(at, bump.radius, BUMP_MM, way, bump.edge)(fine.vertices)
    a, b, c = (fine.vertices[fine.faces[:, corner]] for corner in range(3))
    normals = np.cross(b - a, c - a)
    facing = np.unique(fine.faces[normals @ bump.towards > 0.5 * np.linalg.norm(normals, axis=1)])
    points = fine.vertices.copy()
    points[facing] = raised[facing]
    return Mesh(points, fine.faces)


def scanned(samples: Samples, taken: Taken, mesh: Mesh) -> Floats:
    """Which samples of a nominal have a true place of the scan on their side within a spacing, (s,)."""
    side = 10.0 * samples.spacing
    tree = cKDTree(np.hstack([taken.at, side * taken.normals]))
    away = tree.query(np.hstack([samples.points, side * samples.normals]))[0]
    found: Floats = away < 1.2 * samples.spacing
    return found


def tried(part: str, nominal: Mesh, cast: Mesh, bump: Bump, scene: Scene) -> Row:
    taken = take(cast, scene)
    try:
        tight, loose = (
            compare(nominal, taken.cloud, Settings(-limit, limit, U_MM, COVERAGE)) for limit in (TIGHT, LOOSE)
        )
    except MetrologyError as error:
        nan = float("nan")
        return Row(part, scene.name, nan, nan, (nan, nan), nan, f"refused ({error.code})")
    surface = prepare(nominal)
    samples = Samples(tight.sample_points, tight.sample_normals, np.empty(0), tight.spacing_mm, None)
    seen = scanned(samples, taken, nominal)
    left = tight.pose.matrix @ taken.pose
    places = sample(surface, 4000).points
    moved = np.ascontiguousarray(places @ left[:3, :3].T + left[:3, 3])
    pose = float(np.abs(surface.closest(moved)[0]).max())
    facing = samples.normals @ bump.towards > 0.9
    on_top = facing & (bump.from_middle(samples.points) < bump.radius - 0.8 * tight.spacing_mm)
    away = ~facing | (bump.from_middle(samples.points) > bump.radius + bump.edge + tight.spacing_mm)
    found = tight.sample_deviation
    on_top &= seen & ~np.isnan(found)
    height = BUMP_MM * (samples.normals[on_top] @ bump.towards)
    rest = found[away & ~np.isnan(found)]
    return Row(
        part,
        scene.name,
        pose,
        float(np.mean(found[on_top] - height)) if on_top.any() else float("nan"),
        (float(np.quantile(rest, 0.01)), float(np.quantile(rest, 0.99))),
        tight.coverage - float(seen.mean()),
        judged(tight, loose, _share_seen(taken, bump, tight.spacing_mm), float(seen.mean())),
    )


def _share_seen(taken: Taken, bump: Bump, spacing: float) -> float:
    """Whether the bump was scanned: 1 for all of its top, 0 for none, NaN for too small or too few to be sure."""
    on_top = (bump.from_middle(taken.at) < bump.radius) & (taken.normals @ bump.towards > 0.9)
    if not on_top.any():
        return 0.0
    if bump.radius < 1.5 * spacing:
        return float("nan")
    # Along two directions across it: does the scan reach from one end to the other?
    across = np.linalg.svd(bump.towards[None])[2][1:]
    reach = np.ptp((taken.at[on_top] - bump.at) @ across.T, axis=0) / (2 * bump.radius)
    return 1.0 if reach.min() > 0.8 else float("nan")


def judged(tight: Comparison, loose: Comparison, bump_seen: float, coverage: float) -> str:
    """Right when limits of 0.5 mm find the bump, where it was scanned, and those of 1.2 mm find nothing."""
    whole = coverage >= COVERAGE
    allowed = {
        1.0: ("does not conform",),
        0.0: ("conforms",) if whole else ("inconclusive",),
    }.get(bump_seen, ("does not conform", "inconclusive"))
    wrong = loose.result == "does not conform" or (tight.result == "conforms" and bump_seen > 0)
    wrong |= not whole and loose.result == "conforms"
    if wrong:
        return "unsure (fits in more ways)" if tight.pose.ambiguous else "WRONG"
    if tight.result in allowed and loose.result == ("conforms" if whole else "inconclusive"):
        return "right"
    return f"unsure ({', '.join(sorted({tight.code, loose.code} - {'outside', 'inside'}))})"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--part", default="", help="only parts with this in their name")
    parser.add_argument("--scene", default="", help="only scenes with this in their name")
    parser.add_argument("--seed", type=int, default=0, help="other views, other poses")
    options = parser.parse_args()
    print("| part | scan | pose, mm | bump, mm | elsewhere, mm | coverage, % | verdict |")
    print("|---|---|---|---|---|---|---|")
    rows = []
    for name, (kind, make) in BODIES.items():
        if options.part not in name:
            continue
        nominal = make()
        bump = flattest_place(nominal)
        cast = with_bump(nominal, bump)
        for scene in SCENES:
            if options.scene in scene.name:
                seeded = replace(scene, seed=scene.seed + options.seed)
                rows.append(tried(f"{name} ({kind})", nominal, cast, bump, seeded))
                print("| " + " | ".join(rows[-1].cells()) + " |", flush=True)
    verdicts = [row.verdict for row in rows]
    right, wrong = verdicts.count("right"), verdicts.count("WRONG")
    print(f"\n{len(rows)} comparisons: {right} right, {len(rows) - right - wrong} unsure and said so, {wrong} wrong.")


if __name__ == "__main__":
    main()
