"""Small charts: bands, bars, trend, tally. Colours and steps are our own."""

import re

import pytest

from proofmark.drawing import charts
from proofmark.drawing.charts import band, draw_freshness, draw_histogram, draw_made, draw_tally, draw_trend, round_step

EDGES = [-2, -1, 0, 1, 2]


@pytest.mark.parametrize(
    ("value", "kind"),
    [
        (0, "mid"),
        (0.39, "mid"),
        (-0.39, "mid"),
        (0.41, "hi1"),
        (0.81, "hi2"),
        (1.21, "hi3"),
        (1.5, "hi3"),
        (1.51, "hi4"),
        (-0.5, "lo1"),
        (-1.1, "lo2"),
        (-1.3, "lo3"),
        (-9, "lo4"),
    ],
)
def test_a_deviation_falls_into_its_band(value, kind):
    assert band(value, -1.5, 1.5, 0.3) == kind


def test_without_a_guard_band_nothing_is_dotted():
    assert band(1.45, -1.5, 1.5) == "hi2"


def test_a_side_without_limit_has_no_colour():
    assert band(-9, None, 1.5) == "mid"
    assert band(9, None, None) == "mid"


def test_bars_outside_the_limits_are_hatched_by_direction():
    svg = draw_histogram([-3, -2, 2, 3], [1, 8, 1], lower=-1.5, upper=1.5)
    assert "url(#h-lo)" in svg and "url(#h-hi)" in svg


def test_the_histogram_says_how_much_lies_inside():
    svg = draw_histogram([-3, -1, 1, 3], [1, 8, 1], lower=-1.5, upper=1.5)
    assert "80.0 percent of points inside" in svg


def test_the_highest_bar_reaches_the_top_and_heights_are_in_proportion():
    svg = draw_histogram(EDGES, [0, 2, 4, 0], lower=-3, upper=3)
    heights = [float(h) for h in re.findall(r'class="(?:lo|hi|mid)\d?"[^>]* height="([\d.]+)"', svg)]
    assert heights == [55, 110]


def test_edges_and_counts_must_fit():
    with pytest.raises(ValueError, match="need 5 edges"):
        draw_histogram([0, 1], [1, 2, 3, 4])


def test_an_empty_histogram_draws_nothing():
    assert draw_histogram(EDGES, [0, 0, 0, 0]) == ""


def test_limits_that_differ_are_written_both():
    svg = draw_histogram(EDGES, [1, 2, 2, 1], lower=-1, upper=0.5, guard=0.2)
    assert "tolerance \u22121.0 to +0.5" in svg and "accepted \u22120.8 to +0.3" in svg


def test_dots_on_the_forbidden_side_of_a_trend_are_open():
    svg = draw_trend([("A", 4.6), ("B", 1.2)], limit=1.5)
    assert svg.count('class="at out"') == 1 and svg.count('class="at"') == 1
    svg = draw_trend([("A", 81), ("B", 99.5)], limit=99, forbidden="below", unit="%")
    assert svg.count('class="at out"') == 1
    assert "wanted at least 99\u00a0%" in svg


def test_a_trend_groups_by_letter_in_the_order_given():
    svg = draw_trend([("A", 1), ("A", 2), ("B", 3)])
    assert re.findall(r'class="let"[^>]*>(\w+)<', svg) == ["A", "B"]


def test_a_trend_of_one_point_needs_no_line():
    svg = draw_trend([("A", 1)])
    assert 'class="line"' not in svg and "<circle" in svg


def test_a_trend_without_numbers_draws_nothing():
    assert draw_trend([("A", None), ("B", float("nan"))], limit=1) == ""


def test_a_trend_knows_only_above_and_below():
    with pytest.raises(ValueError):
        draw_trend([("A", 1)], forbidden="left")


@pytest.mark.parametrize(("count", "strokes", "crossings"), [(1, 1, 0), (4, 4, 0), (5, 4, 1), (6, 5, 1), (12, 10, 2)])
def test_tally_strokes_cross_at_five(count, strokes, crossings):
    svg = draw_tally(count)
    assert svg.count("v14") == strokes
    assert svg.count("L") == crossings


def test_no_tally_for_nothing_or_for_crowds():
    assert draw_tally(0) == "" and draw_tally(26) == ""


def test_freshness_stays_on_its_line_and_opens_when_over():
    assert 'class="at out"' in draw_freshness(3.0)
    assert 'class="at out"' not in draw_freshness(-1)
    assert "50 percent" in draw_freshness(0.5)


def test_made_says_the_three_figures():
    assert "8 of 12 cast, 3 installed" in draw_made(12, 8, 3)
    assert "0 of 0 cast" in draw_made(0, 0, 0)


@pytest.mark.parametrize(("rough", "step"), [(0.6, 1), (1, 1), (1.2, 2), (0.03, 0.05), (7, 10), (300, 500)])
def test_steps_are_round(rough, step):
    assert round_step(rough) == pytest.approx(step)


def test_scale_ticks_are_round_and_signed():
    svg = charts.draw_histogram(EDGES, [1, 1, 1, 1])
    assert {">\u22122<", ">\u22121<", ">0<", ">+1<", ">+2<"} <= set(re.findall(r">[^<>]+<", svg))
