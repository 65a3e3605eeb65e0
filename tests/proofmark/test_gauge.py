"""The dimension line: what it says and where things stand. Layout is our own; decisions are metrology's."""

import re
from decimal import Decimal

import pytest

from proofmark.drawing.gauge import WIDTH, Gauge, draw_gauge

TWO = {"lower": Decimal("-1.5000"), "upper": Decimal("1.5000"), "unit": "mm"}


def label(svg):
    return re.search('aria-label="([^"]*)"', svg)[1]


def diamonds(svg):
    return [float(x) for x in re.findall(r'class="at[^"]*" d="M([\d.]+) ', svg)]


def ticks(svg):
    return [float(x) for x in re.findall(r'class="lim" d="M([\d.]+) ', svg)]


@pytest.mark.parametrize(
    ("value", "finding", "open_diamond"),
    [
        (0.4, "inside", False),
        (1.2, "inside", False),
        (1.21, "inconclusive", True),
        (-1.5, "inconclusive", True),
        (1.8, "inconclusive", True),
        (1.81, "outside", True),
    ],
)
def test_the_diamond_is_solid_only_where_the_value_conforms(value, finding, open_diamond):
    svg = draw_gauge(**TWO, value=value, guard=Decimal("0.3"))
    assert finding in label(svg)
    assert ('class="at out"' in svg) is open_diamond


def test_the_label_states_value_limits_and_uncertainty():
    assert label(draw_gauge(**TWO, value=1.2, guard=0.3)) == (
        "1.2\u00a0mm; limits \u22121.5 to 1.5\u00a0mm, sure to 0.3\u00a0mm: inside"
    )


def test_a_label_given_replaces_the_finding():
    assert label(draw_gauge(**TWO, value=9, label="Size, see text")) == "Size, see text"


def test_without_a_value_it_says_so():
    svg = draw_gauge(**TWO)
    assert label(svg).startswith("No value yet")
    assert not diamonds(svg)


def test_only_a_lower_limit_hatches_one_side_and_says_at_least():
    svg = draw_gauge(lower=45, value=Decimal("52.1"), unit="MPa")
    assert "at least 45\u00a0MPa: inside" in label(svg)
    assert svg.count("url(#h-out)") == 1
    assert diamonds(svg)[0] > ticks(svg)[0]


def test_only_an_upper_limit_puts_a_value_beyond_it_on_the_hatch():
    svg = draw_gauge(upper=5, value=5.4, unit="%")
    assert "at most 5\u00a0%: outside" in label(svg)
    assert diamonds(svg)[0] > ticks(svg)[0]


def test_several_values_have_a_diamond_each_and_the_worst_decides():
    svg = draw_gauge(lower=0.2, upper=0.8, value=[0.3, 0.9, 0.6], unit="mm")
    assert len(diamonds(svg)) == 3
    assert label(svg) == "3 values, 0.3 to 0.9\u00a0mm; limits 0.2 to 0.8\u00a0mm: outside"


def test_neither_limit_nor_value_draws_nothing():
    assert draw_gauge() == ""
    assert draw_gauge(value=float("nan")) == ""


def test_a_value_without_limits_is_only_shown():
    assert label(draw_gauge(value=3.2, unit="kg")) == "3.2\u00a0kg"


def test_a_value_far_outside_stands_at_the_edge_and_limits_stay_apart():
    svg = draw_gauge(**TWO, value=500)
    low, high = ticks(svg)
    assert high - low > WIDTH / 4
    assert diamonds(svg)[0] <= WIDTH
    assert svg.count("l4 -12") == 2


def test_everything_lies_inside_the_drawing():
    for value in (-1e6, -2, 0, 2, 1e6):
        svg = draw_gauge(**TWO, value=value, guard=0.3)
        assert all(0 <= x <= WIDTH for x in diamonds(svg) + ticks(svg))


def test_guard_bands_that_overlap_leave_no_accepted_width():
    svg = draw_gauge(lower=199.5, upper=200.5, value=200, guard=0.6)
    assert 'class="arr"' not in svg
    assert 'class="at out"' in svg


def test_equal_limits_can_be_drawn():
    assert len(ticks(draw_gauge(lower=5, upper=5, value=5))) == 2


def test_limits_keep_their_decimals_and_the_real_minus_sign():
    svg = draw_gauge(lower=Decimal("-0.25"), upper=Decimal("0.50"), value=0)
    assert ">\u22120.25<" in svg and ">0.50<" in svg


@pytest.mark.parametrize("value", [0.0, 0.9, 1.0, 4.0])
def test_the_drawn_stretch_holds_both_limits(value):
    start, end = Gauge(-1.0, 1.0, 0.0, (value,)).span()
    assert start < -1 and end > 1


def test_words_are_escaped():
    assert "<b>" not in draw_gauge(**TWO, value=1, label="<b>bold")
