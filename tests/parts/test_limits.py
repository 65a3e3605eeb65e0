"""Limits that cannot be meant."""

from decimal import Decimal

import pytest

from parts.errors import Unusable
from parts.limits import check_against_nominal, check_limits


def test_swapped_limits_are_shown_and_the_right_way_round_is_offered():
    with pytest.raises(Unusable) as refusal:
        check_limits(Decimal("601.0"), Decimal("599"), "mm")
    assert refusal.value.field == "lower"
    assert "601\u00a0mm" in refusal.value.sentence
    assert "Did you mean 599 to 601\u00a0mm?" in refusal.value.sentence


def test_one_limit_is_enough_unless_both_are_asked_for():
    check_limits(None, Decimal(3))
    with pytest.raises(Unusable, match="lower limit too"):
        check_limits(None, Decimal(3), both=True)


def test_no_limit_at_all_is_refused():
    with pytest.raises(Unusable, match="a lower limit, an upper limit or both"):
        check_limits(None, None)


def test_equal_limits_are_allowed():
    check_limits(Decimal(3), Decimal(3))


def test_limits_written_as_deviations_are_refused_with_the_values_they_stand_for():
    with pytest.raises(Unusable, match=r"write 599\.5 and 600\.5"):
        check_against_nominal(Decimal(600), Decimal("-0.5"), Decimal("0.5"))


@pytest.mark.parametrize(
    ("nominal", "lower", "upper"), [(0, -1, 1), (20, "19.7", "19.9"), (None, -1, 1), (600, 0, None), (-5, -6, 6)]
)
def test_other_limits_away_from_the_nominal_are_allowed(nominal, lower, upper):
    check_against_nominal(*(None if v is None else Decimal(str(v)) for v in (nominal, lower, upper)))
