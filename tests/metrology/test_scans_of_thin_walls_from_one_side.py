"""A thin-walled open box seen from one side. Expected values follow from how the scan was made (closed form)."""

import numpy as np
import pytest

from fixtures.lattice import lines, solid
from fixtures.scenes import Scene, take
from metrology.alignment.registration import register
from metrology.bodies import Floats, Mesh
from metrology.comparison.compare import Settings, compare
from metrology.surfaces.surface import prepare, sample

WALL_MM = 12.0


def open_box() -> Mesh:
    def filled(x: Floats, y: Floats, z: Floats) -> np.ndarray:
        hollow = (abs(x) < 300 - WALL_MM) & (abs(y) < 150 - WALL_MM) & (z > WALL_MM)
        hole = (abs(x) < 10) & (abs(y) < 10)
        return ~hollow & ~hole

    x, y = ([-half, WALL_MM - half, -10, 10, half - WALL_MM, half] for half in (300, 150))
    return solid(lines(x, 40.0), lines(y, 40.0), lines([0, WALL_MM, 20, 280], 40.0), filled)


@pytest.mark.parametrize("seed", [8, 1, 13])
def test_the_outside_of_a_thin_wall_is_not_laid_on_its_inside(seed: int) -> None:
    nominal = open_box()
    taken = take(nominal, Scene("one side", points=20_000, view="side", seed=seed))
    pose = register(taken.cloud, nominal)
    surface = prepare(nominal)
    places = sample(surface, 1000).points
    left = pose.matrix @ taken.pose
    away = surface.closest(np.ascontiguousarray(places @ left[:3, :3].T + left[:3, 3]))[0]
    assert np.abs(away).max() < 0.1
    assert pose.ambiguous


def test_what_little_of_a_part_shows_is_no_failure_when_it_may_lie_otherwise() -> None:
    # From this side the box is laid 12 mm off: nothing that was seen tells better.
    taken = take(open_box(), Scene("one side", points=20_000, view="side", seed=12))
    found = compare(open_box(), taken.cloud, Settings(-2.0, 2.0, 0.12))
    assert (found.result, found.code) == ("inconclusive", "pose")
    assert "align it by datums" in found.sentence and "half a turn" in found.sentence
    assert not [region for region in found.regions if region.result == "does not conform"]


def test_a_whole_part_that_fits_two_ways_fails_in_either() -> None:
    taken = take(open_box(), Scene("whole", points=20_000, seed=1))
    found = compare(open_box(), taken.cloud, Settings(-0.02, 0.02, 0.001))
    assert found.pose.ambiguous and found.result == "does not conform"
