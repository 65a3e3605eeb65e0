"""Scans of one side only: measured where they saw the part, said to be of so much of it, and never a pass on trust."""

import numpy as np
import pytest

from metrology.bodies import Cloud
from metrology.comparison.compare import Settings, compare
from metrology.errors import AlignmentError
from tests.metrology.bodies_for_tests import corner_block, misplaced, scan_of
from tests.metrology.broken_files import BOX

BLOCK = corner_block()
SETTINGS = Settings(-1.0, 1.0, 0.12)


def seen_from(*way):
    """Which points a scanner far away in this direction sees of a part without overhangs."""
    return lambda at, normal: normal @ np.array(way) > 0.2


@pytest.mark.parametrize("way", [(0.6, 0.5, 0.6), (-0.6, -0.5, 0.6), (0.6, -0.5, -0.6)])
def test_a_scan_from_one_corner_is_placed_and_what_it_did_not_see_is_not_measured(way):
    scan = scan_of(BLOCK, 20_000, seed=3, seen=seen_from(*way))
    found = compare(BLOCK, scan.cloud, SETTINGS)
    assert misplaced(found.pose.matrix, scan.pose, BLOCK)[1] < 0.1
    dark = ~(found.sample_normals @ np.array(way) > 0)
    assert np.isnan(found.sample_deviation[dark]).mean() > 0.95
    assert 0.3 < found.coverage < 0.75
    assert abs(found.worst) < 0.3
    assert found.result == "inconclusive"
    assert "Scan what is missing" in found.sentence


def test_a_scan_of_one_face_alone_says_what_nothing_holds():
    scan = scan_of(BLOCK, 20_000, seed=3, seen=seen_from(0, 0, 1))
    found = compare(BLOCK, scan.cloud, SETTINGS)
    assert found.result == "inconclusive"
    assert found.alignment.uncertainty.free == (
        "sliding along the front–back axis",
        "sliding along the left–right axis",
        "turning about the up axis",
    )
    assert "Nothing measured holds the part against" in found.sentence
    assert found.coverage < 0.4


def test_a_scan_of_four_spots_holds_nothing_and_is_refused():
    spots = np.array([(0.0, 0, 0), (400, 300, 200), (400, 0, 0), (0, 300, 0)])
    points = np.repeat(spots, 2000, axis=0) + np.random.default_rng(1).normal(scale=0.02, size=(8000, 3))
    with pytest.raises(AlignmentError) as refused:
        compare(BOX, Cloud(points), SETTINGS)
    assert refused.value.code == "nothing-held"
