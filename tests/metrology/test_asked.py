import pytest

from metrology.alignment.model import DatumAlignment, MarkedPoints
from metrology.comparison.asked import alignment, region
from metrology.errors import InputError
from metrology.surfaces.selection import AllOf, Box, Facing, Grown


def test_a_region_with_conditions_and_limits_of_its_own():
    seat = region("seat: facing up, box -170 -200 200 170 200 310, limits -0.5 0.25", -1.0, 1.0)
    assert (seat.name, seat.lower_mm, seat.upper_mm) == ("seat", -0.5, 0.25)
    assert seat.selection == AllOf((Facing((0, 0, 1)), Box((-170, -200, 200), (170, 200, 310))))


def test_a_region_takes_the_limits_of_the_whole_and_a_limit_of_its_motion():
    bore = region("bore: grown 60 30 15 20, moved 0.4", -1.0, 1.0)
    assert (bore.lower_mm, bore.upper_mm, bore.moved_mm) == (-1.0, 1.0, 0.4)
    assert bore.selection == Grown((60, 30, 15), 20)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("facing up", "has no name"),
        ("seat:", "has no condition"),
        ("seat: upwards", "is no condition"),
        ("seat: box 1 2 3", "6 numbers parted by blanks"),
        ("seat: facing sideways", "3 numbers"),
        ("seat: facing 0 0 nan", "3 numbers"),
        ("seat: facing up, limits 1", "2 numbers"),
    ],
)
def test_a_region_that_cannot_be_understood_is_refused_with_what_to_write(text, words):
    with pytest.raises(InputError, match=words):
        region(text, -1, 1)


def test_datums_are_three_regions():
    found = alignment("datum: facing down / facing back, box 0 0 0 1 2 3 / facing right", "mm", "mm")
    assert isinstance(found, DatumAlignment)
    assert found.primary.selection == Facing((0, 0, -1))
    assert found.secondary.name == "facing back, box 0 0 0 1 2 3"


def test_pairs_are_converted_each_from_its_own_unit(tmp_path):
    file = tmp_path / "pairs.csv"
    file.write_text("name,x,y,z,X,Y,Z\ncorner,1,2,3,0.5,0,0\nend,4,5,6,0,0.5,0\n\n7,8,9,0,0,0.5\n")
    found = alignment(f"points: {file}", "in", "m")
    assert isinstance(found, MarkedPoints) and not found.refined
    assert found.pairs[0].scan == pytest.approx((25.4, 50.8, 76.2))
    assert found.pairs[0].nominal == (500.0, 0.0, 0.0)
    assert [pair.name for pair in found.pairs] == ["corner", "end", "3"]
    assert alignment(f"points-then-fit: {file}", "mm", "mm").refined


@pytest.mark.parametrize(
    ("content", "words"),
    [("1,2,3\n4,5,6\n", "Line 2"), ("1,2,3,4,5,6\n", "fewer than 3"), ("1,2,3,4,5,6\na,b\n", "Line 2"), ("", "fewer")],
)
def test_pairs_that_cannot_be_read_are_refused(tmp_path, content, words):
    file = tmp_path / "pairs.csv"
    file.write_text(content)
    with pytest.raises(InputError, match=words):
        alignment(f"points:{file}", "mm", "mm")


@pytest.mark.parametrize("text", ["nearest", "datum:", "datum: facing up", "points:", "best-fit: now"])
def test_an_unknown_alignment_is_refused_with_what_to_give(text):
    with pytest.raises(InputError, match="Give best-fit"):
        alignment(text, "mm", "mm")


def test_a_file_of_pairs_that_is_not_there_is_refused(tmp_path):
    with pytest.raises(InputError, match="cannot be read: No such file"):
        alignment(f"points:{tmp_path / 'none.csv'}", "mm", "mm")
