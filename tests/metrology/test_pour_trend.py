"""The trend over pours: what is told, and what is only scatter."""

import numpy as np
import pytest

from metrology.errors import InputError
from metrology.moulds.casts_compared import CastDeviations, compare_casts
from metrology.moulds.compared_words import trend_sentence
from metrology.moulds.pour_trend import pour_trend, slope_of
from metrology.surfaces.surface import prepare
from tests.metrology.bodies_for_tests import corner_block
from tests.metrology.casts_for_tests import casts_of, compared_of

# NIST StRD, linear regression, dataset Norris (READ): slope, its standard deviation, residual standard deviation.
NORRIS_X = np.array([
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777, 558.2, 0.4, 0.6, 775.5, 666.9, 338, 447.5,
    11.6, 556, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999, 779, 11.1, 118.3, 229.2, 669.1,
    448.9, 0.5,
])  # fmt: skip
NORRIS_Y = np.array([
    0.1, 338.8, 118.1, 888, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3, 448.9,
    10.8, 557.7, 228.3, 998, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4,
    449.2, 0.2,
])  # fmt: skip
SLOPE, OF_SLOPE = 1.00211681802045, 0.429796848199937e-03
T_34 = 2.032244509  # Student's t, 34 degrees of freedom, 95 % two-sided (COMPUTED with scipy.stats.t)


@pytest.fixture(scope="module")
def block():
    return prepare(corner_block())


def test_the_slope_and_its_interval_are_those_of_norris():
    found = slope_of(NORRIS_X, NORRIS_Y, 0.95)
    assert found.value == pytest.approx(SLOPE, rel=1e-12)
    assert (found.high - found.low) / 2 == pytest.approx(T_34 * OF_SLOPE, rel=1e-8)
    assert found.told and found.points == 36


def test_two_points_have_a_slope_and_no_interval():
    found = slope_of(np.array([1.0, 2.0]), np.array([0.1, 0.4]), 0.95)
    assert found.value == pytest.approx(0.3) and np.isnan(found.low) and not found.told


def test_one_pour_has_no_slope():
    with pytest.raises(InputError) as refused:
        slope_of(np.array([2.0, 2.0]), np.array([0.1, 0.4]), 0.95)
    assert refused.value.code == "no-slope"


def test_growth_from_pour_to_pour_is_told_with_its_interval(block):
    fields = [0.03 * pour + off for pour, off in enumerate((0.001, -0.001, 0.001, -0.002, 0.001, 0.0))]
    found = pour_trend(block, compared_of(block, fields))
    assert found.whole.value == pytest.approx(0.03, abs=5e-4)
    assert found.whole.low < 0.03 < found.whole.high and found.whole.told
    assert np.nanmedian(found.slope) == pytest.approx(found.whole.value, abs=1e-9)
    assert np.nanmedian(found.half_width) == pytest.approx((found.whole.high - found.whole.low) / 2, rel=1e-6)
    assert "grows by 0.030" in trend_sentence(found, 6)


def test_scatter_alone_is_not_told_from_none(block):
    fields = [float(value) for value in np.random.default_rng(5).normal(0, 0.1, 6)]
    found = pour_trend(block, compared_of(block, fields))
    assert not found.whole.told and not found.patch_told
    assert "no change of the whole can be told from none" in trend_sentence(found, 6)


def test_the_pours_count_and_not_the_casts_that_were_scanned(block):
    casts = casts_of(block, [0.0, 0.1, 0.4, 0.6])
    numbered = [
        CastDeviations(cast.name, pour, cast.points, cast.normals, cast.deviation)
        for cast, pour in zip(casts, (1, 2, 5, 7), strict=True)
    ]
    assert pour_trend(block, compare_casts(block, numbered)).whole.value == pytest.approx(0.1)


def test_a_place_that_wears_is_found_among_many(block):
    """Each place has noise of its own; only the high top face follows the pours, all 120 orders of which are tried."""

    def cast(pour: int):
        noise = np.random.default_rng(pour)
        return lambda points, normals: (
            np.where(points[:, 2] > 149.9, 0.2 * pour, 0.0) + noise.normal(0, 0.02, len(points))
        )

    found = pour_trend(block, compared_of(block, [cast(pour) for pour in range(1, 6)]))
    assert found.patch_told
    assert found.patch_at[2] == pytest.approx(150.0)
    assert found.patch.value == pytest.approx(0.2, abs=0.01)


def test_the_chance_of_a_perfect_order_of_five_is_two_in_a_hundred_and_twenty(block):
    """Closed form: only the order itself and its reverse follow a straight line as closely."""
    found = pour_trend(block, compared_of(block, [0.1, 0.2, 0.3, 0.4, 0.5]))
    assert found.chance == pytest.approx(2 / 120)


def test_four_casts_cannot_single_out_a_place(block):
    """The least chance with four casts is 2 in 24: more than 5 %."""
    found = pour_trend(block, compared_of(block, [0.1, 0.2, 0.3, 0.4]))
    assert found.chance == pytest.approx(2 / 24) and not found.patch_told
    assert "needs five casts" in trend_sentence(found, 4)


def test_many_orders_are_drawn_from_a_seed(block):
    fields = [0.02 * k for k in range(9)]
    one, other = (pour_trend(block, compared_of(block, fields)) for _ in range(2))
    assert one.chance == other.chance <= 2 / 2000 + 1e-9


@pytest.mark.parametrize("count", [1, 2, 3])
def test_too_few_casts_have_no_trend(block, count):
    compared = compared_of(block, [0.1 * k for k in range(count)])
    assert pour_trend(block, compared) is None
    assert "needs 4\u00a0casts" in trend_sentence(None, count)


def test_a_change_smaller_than_scans_can_show_is_not_called_wear(block):
    found = pour_trend(block, compared_of(block, [0.001, 0.002, 0.003, 0.004]))
    assert found.whole.told
    assert "changes by less than scans can show" in trend_sentence(found, 4)
