"""The chart of a characteristic over its pours."""

import re

import pytest

from metrology.over_pours import PourChart
from proofmark.drawing.pours import draw_pours


def chart(values, **given):
    usual = {
        "conforming": [True] * len(values), "names": [f"TP-{n}" for n in range(len(values))], "unit": "mm",
        "says": "Stable.", "lower": 599.0, "upper": 601.0,
    }  # fmt: skip
    return PourChart(values=values, **usual | given)


def heights(svg):
    return [float(y) + 6 for y in re.findall(r'class="at(?: out)?" d="M[\d.]+ ([\d.]+)l6', svg)]


def test_a_higher_value_stands_higher():
    low, high = heights(draw_pours(chart([599.5, 600.5])))
    assert high < low


def test_what_does_not_conform_is_open():
    svg = draw_pours(chart([600.0, 601.4], conforming=[True, False]))
    assert (svg.count('class="at"'), svg.count('class="at out"')) == (1, 1)


def test_signals_have_a_ring_and_limits_their_names():
    svg = draw_pours(chart([600.0, 600.1, 600.9], signals=[2], centre=600.3, control=(599.6, 601.0)))
    assert svg.count("a10 10") == 2
    for name in ("lower limit", "upper limit", "mean", "control"):
        assert name in svg


def test_the_guard_band_is_dotted_and_the_finding_is_the_name():
    svg = draw_pours(chart([600.0], guard=0.2))
    assert svg.count("url(#h-guard)") == 2 and 'aria-label="Stable."' in svg


def test_a_change_of_revision_is_marked():
    assert ">B<" in draw_pours(chart([600.0, 600.1], changes=[(0, "A"), (1, "B")]))


@pytest.mark.parametrize(
    "given",
    [
        {"lower": None}, {"upper": None}, {"lower": None, "upper": None}, {"lower": 600.0, "upper": 600.0},
        {"guard": 5.0}, {"unit": "1"},
    ],
)  # fmt: skip
@pytest.mark.parametrize("values", [[600.0], [600.0] * 3, [0.0, 0.0], [600.0, 1e6]])
def test_it_draws_whatever_comes(values, given):
    svg = draw_pours(chart(values, **given))
    assert svg.startswith("<svg") and "nan" not in svg and "inf" not in svg


def test_nothing_is_drawn_without_values():
    assert draw_pours(chart([])) == ""


def test_five_thousand_casts_stay_small():
    assert len(draw_pours(chart([600.0 + 0.001 * (n % 90) for n in range(5000)]))) < 250_000
