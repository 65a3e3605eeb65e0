"""Two rounds of correction on a simulated process, through files and the real comparison, shape by shape."""

import numpy as np
import pytest
import trimesh

from fixtures import solids
from fixtures.scanner import bow, crown, twist
from metrology.bodies import Mesh
from metrology.moulds.casts_compared import compare_casts
from metrology.moulds.correction import Asked, correct, fill_faces
from metrology.moulds.effect import brought, mean_of, systematic, without_motion
from metrology.moulds.pattern import nominal_pattern, stl_bytes
from metrology.reading import read_mesh
from metrology.surfaces.surface import prepare, sample
from tests.metrology.bodies_for_tests import from_trimesh
from tests.metrology.simulated_process import Process, rms

UP = np.array([0.0, 0.0, 1.0])
CASTS = 3


def plinth() -> Mesh:
    """An open-face block, wide side up, no two walls of it alike: it fits itself one way only."""
    low = np.array([(-180, -120), (-170, 110), (185, -125), (150, 95)], dtype=np.float64)
    high = np.array([(-200, -150), (-195, 130), (205, -150), (190, 125)], dtype=np.float64)
    corners = [np.column_stack([low, np.full(4, 0.0)]), np.column_stack([high, np.full(4, 120.0)])]
    return from_trimesh(trimesh.convex.convex_hull(np.concatenate(corners)).subdivide_to_size(40))


SHAPES = {
    "saddle": (
        solids.saddle_block, "two-part", (0.004, 0.006, 0.002), 45.0,
        ((lambda mm: crown((0.0, 0.0, 220.0), 80, mm), 1.5), (lambda mm: bow("x", "z", mm), 1.2)),
    ),
    "panel": (
        solids.deck_panel, "two-part", (0.003, 0.005, 0.002), 70.0,
        ((lambda mm: bow("x", "z", mm), 3.0), (lambda mm: twist("x", mm), 1.5)),
    ),
    "plinth": (
        plinth, "open-face", (0.006, 0.004, 0.003), 40.0,
        ((lambda mm: twist("x", mm), 2.0), (lambda mm: bow("x", "y", mm), 1.2)),
    ),
}  # fmt: skip


@pytest.mark.parametrize("shape", SHAPES)
def test_two_rounds_leave_less_than_15_per_cent_of_the_first_casts_error(shape, tmp_path):
    """Known shrinkage, other along each axis, warp, scatter of both and noise. What is left is measured twice: on a
    cast without scatter or noise, which is the truth, and as the pages tell it, from scanned casts."""
    build, kind, shrunk, smoothing, warps = SHAPES[shape]
    nominal = build()
    surface = prepare(nominal)
    filled = fill_faces(surface, UP, kind)
    process = Process(shrunk, warps, points=20_000)
    pattern, cavity = nominal_pattern(surface), nominal
    first = truth(process, surface, cavity, filled)
    rounds = []
    for number in (1, 2):
        found = compare_casts(surface, process.casts(nominal, cavity, CASTS, 100 * number), filled=filled)
        step = correct(surface, found, pattern, Asked(smoothing, 4.0, kind=kind), scanner_mm=0.1)
        assert step.checks.closed and not step.checks.turned and not step.checks.crossing
        assert step.checks.undercut <= step.checks.undercut_before * 1.01 + 100
        path = tmp_path / f"round-{number}.stl"
        path.write_bytes(stl_bytes(step.pattern.mesh, f"round {number}"))
        pattern, cavity = step.pattern, read_mesh(path, unit="mm")
        rounds.append((found, step))
    left = truth(process, surface, cavity, filled)
    assert left < 0.15 * first, f"{shape}: {first:.3f} mm to {left:.3f} mm"
    _check_forecast(rounds, first)


def _check_forecast(rounds, first):
    """The second round's casts are what the first correction brought."""
    (found, step), (after, _) = rounds
    assert step.before.rms == pytest.approx(first, rel=0.25)
    # All scans have as many points, so both rounds were compared at the same places.
    assert np.array_equal(found.places.points, after.places.points)
    told = brought(step.before, step.foretold, step.mean, step.seen, step.used, after)
    assert told.after.rms <= step.foretold.high + 0.02
    assert told.gain == pytest.approx(1.0, abs=0.2) and told.removed_share > 0.7


def truth(process, surface, cavity, filled):
    """Rms of what a cast without scatter and noise leaves over what the mould forms, mm: points of its very surface
    against the nominal, moved onto it by least squares in small steps; without a scan."""
    points = sample(prepare(process.cast(cavity, None)), 6000).points
    for _ in range(6):
        values, faces, closest, normals = surface.closest(np.ascontiguousarray(points))
        formed = ~filled[faces]
        columns = np.hstack([normals, np.cross(points, normals)])
        motion = np.linalg.lstsq(columns[formed], values[formed], rcond=None)[0]
        points = points - motion[:3] - np.cross(motion[3:], points)
    return rms(values[formed])


def test_a_third_round_that_finds_only_scatter_does_no_harm(tmp_path):
    """A process without systematic error: the correction stays small, and its forecast admits it."""
    nominal = plinth()
    surface = prepare(nominal)
    filled = fill_faces(surface, UP, "open-face")
    process = Process((0.0, 0.0, 0.0), (), unevenness_mm=0.15, points=20_000)
    found = compare_casts(surface, process.casts(nominal, nominal, 4, 40), filled=filled)
    step = correct(surface, found, nominal_pattern(surface), Asked(40.0, 4.0), scanner_mm=0.1)
    left = rms(step.seen[step.used])
    assert left < 0.09
    assert step.foretold.low <= left <= step.foretold.high
    values = without_motion(found.places, found.values, found.formed)
    assert systematic(values, step.used, 0.95).rms < 0.12
    assert np.isfinite(mean_of(values, step.used)[step.used]).all()
