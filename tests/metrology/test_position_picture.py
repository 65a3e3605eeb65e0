"""Pictures of a position report: arrows where parts are off, dots where one was not found."""

from dataclasses import replace

import numpy as np
import pytest

from fixtures.assemblies import about, arc_of_blocks, take
from metrology.errors import InputError
from metrology.positions.picture import ELEVATION, PLAN, position_pictures
from metrology.positions.report import PositionSettings, position_report


@pytest.fixture(scope="module")
def report():
    parts = arc_of_blocks(5)
    taken = take(parts, {"P2": about(parts[1], (0, 0, 0), (8.0, 0, 0))}, missing=("P4",), points=20_000, posed=False)
    return parts, position_report(parts, taken.cloud, PositionSettings(0.1, placing="as scanned"))


def test_both_pictures_are_drawn_the_same_twice(report):
    parts, found = report
    first, second = (position_pictures(parts, found.parts, width=700, height=450) for _ in range(2))
    assert set(first) == {PLAN, ELEVATION}
    assert all(np.array_equal(first[name], second[name]) for name in first)


def test_an_arrow_goes_where_the_part_went(report):
    parts, found = report
    still = [replace(p, slide=np.zeros(3)) if p.label != "P2" else p for p in found.parts]
    none = [replace(p, slide=np.array([0.0, 0.0, 1e-9])) for p in still]
    with_arrow, without = (np.asarray(position_pictures(parts, p)[PLAN].convert("L"), dtype=int) for p in (still, none))
    drawn = np.argwhere((without - with_arrow > 60)[150:700])
    assert 100 < np.ptp(drawn[:, 1]) < 0.2 * 1400  # along x, to the right in a plan
    assert np.ptp(drawn[:, 0]) < 120  # the arrow and its label


def test_without_parts_there_is_no_picture():
    with pytest.raises(InputError):
        position_pictures([], [])
