"""Tolerance loops: against published stacks, closed forms and simulation."""

from dataclasses import replace

import numpy as np
import pytest

from metrology.closure.loops import Contributor, LinearLoop, VectorLoop, draw_gaps, numeric_sensitivities, stack_up
from metrology.errors import InputError


def dimension(name="A", nominal=100.0, half=0.1, **given):
    return Contributor(name, nominal, nominal - half, nominal + half, **given)


FOUR = [dimension("A", 60, 0.1), dimension("B", 20, 0.05), dimension("C", 25, 0.08), dimension("D", 10, 0.02)]
ROW = LinearLoop((1.0, -1.0, -1.0, -1.0))


class Clutch:
    """Contact angle of a one-way clutch, degrees: acos((a + c) / (e - c)) for hub a, roller c, cage e."""

    def gap(self, dimensions):
        a, c, e = dimensions
        return np.degrees(np.arccos((a + c) / (e - c)))

    def sensitivities(self, dimensions):
        return numeric_sensitivities(self, dimensions, np.full(3, 1e-5))


CLUTCH = [dimension("hub", 27.645, 0.0125), dimension("roller", 11.43, 0.01), dimension("cage", 50.8, 0.0125)]


def test_a_row_of_four_has_the_worst_case_and_the_root_sum_of_squares_of_its_tolerances():
    # Tolerances 0.1, 0.05, 0.08, 0.02: 0.25 and 0.13892444. COMPUTED: arithmetic.
    found = stack_up(ROW, FOUR)
    assert found.nominal == pytest.approx(5.0)
    assert found.most - found.nominal == pytest.approx(0.25)
    assert found.rss == pytest.approx(0.13892444, abs=5e-9)


def test_the_one_way_clutch_has_the_published_angle_and_sensitivities():
    # Chase's one-way clutch: 7.0184 degrees, from memory; the sensitivities, rad per mm, COMPUTED.
    found = stack_up(Clutch(), CLUTCH)
    assert found.nominal == pytest.approx(7.0183898, abs=1e-6)
    np.testing.assert_allclose(np.radians(found.sensitivities), [-0.20787696, -0.4141963, 0.20631934], rtol=1e-6)
    assert found.rss == pytest.approx(0.3167325, abs=1e-6)


def test_the_worst_case_of_the_clutch_is_found_at_the_corners_and_not_by_its_slopes():
    # True extremes 6.4621834 and 7.5332639 degrees against 0.5339632 by slopes. COMPUTED.
    found = stack_up(Clutch(), CLUTCH)
    assert found.corners
    assert (found.least, found.most) == pytest.approx((6.4621834, 7.5332639), abs=1e-6)
    slopes = np.abs(found.sensitivities) @ [0.0125, 0.01, 0.0125]
    assert slopes == pytest.approx(0.5339632, abs=1e-6)


def test_a_simulated_clutch_spreads_as_the_root_sum_of_squares_says():
    # Three standard deviations: 0.3167 degrees. COMPUTED.
    assert 3 * draw_gaps(Clutch(), CLUTCH, 400_000, seed=3).std() == pytest.approx(0.3167, rel=0.01)


TRIANGLE = VectorLoop(3)
SIDES = [dimension(f"L{n}", 100, 0.2) for n in range(3)] + [dimension(f"a{n}", 120 * n, 0.05) for n in range(3)]


def test_a_closed_triangle_has_no_gap():
    assert stack_up(TRIANGLE, SIDES).nominal == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize("turning", [False, True])
@pytest.mark.parametrize("towards", [0.0, 37.0, 90.0])
def test_sensitivities_of_vectors_agree_with_central_differences(turning, towards):
    # Second route: numeric sensitivities.
    loop = VectorLoop(4, towards=towards, turning=turning)
    at = np.array([300.0, 120.0, 80.0, 210.0, 10.0, 75.0, 130.0, -20.0])
    numeric = numeric_sensitivities(loop, at, np.full(8, 1e-4))
    np.testing.assert_allclose(loop.sensitivities(at), numeric, rtol=1e-6, atol=1e-7)


def test_a_turn_carries_what_follows_and_a_bearing_does_not():
    at = np.array([100.0, 50.0, 0.0, 0.0])
    turned = VectorLoop(2, towards=90.0, turning=True).sensitivities(at)
    straight = VectorLoop(2, towards=90.0).sensitivities(at)
    assert turned[2] == pytest.approx(np.radians(150)) and straight[2] == pytest.approx(np.radians(100))


@pytest.mark.parametrize(("spread", "over"), [("normal", 3.0), ("uniform", 3**0.5), ("triangular", 6**0.5)])
def test_a_drawn_dimension_has_the_standard_deviation_of_its_spread(spread, over):
    # Closed forms: half width over 3, root 3 and root 6.
    one = dimension(half=0.3, spread=spread)
    assert one.sd == pytest.approx(0.3 / over)
    drawn = draw_gaps(LinearLoop((1.0,)), [one], 200_000, seed=1)
    assert drawn.std() == pytest.approx(0.3 / over, rel=0.01) and drawn.mean() == pytest.approx(100, abs=0.003)


def test_measured_parts_are_drawn_as_they_are():
    one = dimension(spread="measured", measured=(99.0, 101.0, 101.0))
    drawn = draw_gaps(LinearLoop((1.0,)), [one], 30_000, seed=1)
    assert set(drawn) == {99.0, 101.0} and (drawn == 101.0).mean() == pytest.approx(2 / 3, abs=0.01)


def test_shares_of_the_variance_sum_to_one_and_rank_the_widest_first():
    shares = stack_up(ROW, FOUR).shares
    assert shares.sum() == pytest.approx(1) and int(np.argmax(shares)) == 0
    assert shares[0] == pytest.approx(0.1**2 / 0.0193)


def test_where_nothing_varies_no_contributor_has_a_share():
    found = stack_up(LinearLoop((1.0,)), [dimension(half=0.0)])
    assert found.sd == 0 and found.shares.tolist() == [0.0]


def test_tightening_one_dimension_leaves_the_luck_of_the_others():
    tightened = [FOUR[0].tightened(0.5), *FOUR[1:]]
    before = draw_gaps(ROW, FOUR, 1000, seed=4)
    after = draw_gaps(ROW, tightened, 1000, seed=4)
    own = draw_gaps(LinearLoop((1.0,)), FOUR[:1], 1000, seed=4)  # the same first child of the seed
    np.testing.assert_allclose(before - after, (own - 60) / 2, atol=1e-12)


def test_the_same_seed_gives_the_same_gaps():
    assert draw_gaps(ROW, FOUR, 100_000, seed=9).tolist() == draw_gaps(ROW, FOUR, 100_000, seed=9).tolist()


@pytest.mark.parametrize(
    ("contributors", "code"),
    [
        ([], "no-contributors"),
        ([Contributor("A", 1, 2, 1)], "limits-swapped"),
        ([Contributor("A", 1, 0, 2, spread="measured", measured=(1.0,))], "too-few-measured"),
        ([Contributor("A", float("nan"), 0, 2)], "not-a-number"),
        ([replace(dimension(), spread="wide")], "spread"),
        ([replace(dimension(), sds_to_limit=0)], "sds-to-limit"),
    ],
)
def test_contributors_that_cannot_be_used_are_refused(contributors, code):
    with pytest.raises(InputError) as caught:
        stack_up(LinearLoop((1.0,)), contributors)
    assert caught.value.code == code
