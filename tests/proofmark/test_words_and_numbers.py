from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest

from proofmark.drawing.numbers import decimals_of, with_unit, written
from proofmark.drawing.words import mark_of, written_ago, written_moment

MOMENT = datetime(2026, 5, 11, 15, 20, tzinfo=UTC)


@pytest.mark.parametrize(
    ("value", "decimals", "sign", "text"),
    [
        (1.8, None, False, "1.8"),
        (-0.35, None, False, "\u22120.35"),
        (Decimal("1.5000"), None, False, "1.5"),
        (Decimal("1.5000"), 2, False, "1.50"),
        (1.8, 1, True, "+1.8"),
        (-0.04, 1, True, "0.0"),
        (0, None, True, "0"),
        (1e-9, None, True, "0"),
        (float("nan"), None, False, "not a number"),
    ],
)
def test_numbers_are_written_with_the_real_minus_and_no_sign_on_zero(value, decimals, sign, text):
    assert written(value, decimals, sign=sign) == text


def test_number_and_unit_never_part():
    assert with_unit(1.8, "mm") == "1.8\u00a0mm"
    assert with_unit(30, "°") == "30°"
    assert with_unit(0.7, "1") == "0.7"


def test_decimals_are_those_that_the_longest_number_needs():
    assert decimals_of(Decimal("-1.5000"), 0.25, None) == 2
    assert decimals_of(3) == 0


@pytest.mark.parametrize(
    ("style", "text"),
    [("", "11 May 2026 15:20"), ("day", "11 May 2026"), ("short", "11 May 15:20"), ("weekday", "Mon 11 May 15:20")],
)
def test_moments_are_absolute_and_hold_together(style, text):
    assert written_moment(MOMENT, style) == text.replace(" ", "\u00a0")


def test_a_clock_alone_and_a_day_alone():
    assert written_moment(MOMENT, "time") == "15:20"
    assert written_moment(date(2026, 5, 1)) == "1\u00a0May\u00a02026"


@pytest.mark.parametrize(
    ("before", "text"),
    [
        (timedelta(seconds=20), "now"),
        (timedelta(minutes=4, seconds=50), "4 min ago"),
        (timedelta(hours=3), "3 h ago"),
        (timedelta(days=2), "2 days ago"),
        (timedelta(hours=-3), "in 3 h"),
    ],
)
def test_ago_is_one_figure_rounded_down(before, text):
    assert written_ago(MOMENT - before, MOMENT) == text.replace(" min", "\u00a0min").replace(" h", "\u00a0h").replace(
        " days", "\u00a0days"
    )


def test_inconclusive_and_missing_have_marks_of_their_own():
    assert mark_of("inconclusive") == "inconclusive"
    assert mark_of("missing") == "missing"
    assert mark_of("Can\u2019t tell") == "hold"
    assert mark_of("something else") == ""
