"""Plots from plain figures."""

import re

import pytest

from metrology.calculations.plots import Axis, Mark, Plot, curve
from proofmark.drawing.plot import draw_plot


def plot(*series, **more):
    return Plot("A plot", Axis("across", "mm"), Axis("up", "MPa"), series, says="It rises.", **more)


def numbers(svg, name):
    return [float(found) for found in re.findall(rf'{name}="([-\d.]+)"', svg)]


def test_the_finding_is_its_name():
    assert 'aria-label="It rises."' in draw_plot(plot(curve([1, 2], [3, 4])))


def test_greater_values_stand_higher_and_farther_right():
    svg = draw_plot(plot(curve([1, 2, 3], [5, 6, 7], "points")))
    across, down = numbers(svg, "cx"), numbers(svg, "cy")
    assert across == sorted(across) and down == sorted(down, reverse=True)


def test_axes_carry_their_units():
    svg = draw_plot(plot(curve([0, 1], [0, 1])), x_unit="in", y_unit="psi", x=lambda v: v / 25.4)
    assert "across (in)" in svg and "up: up (psi)" in svg


@pytest.mark.parametrize("shape", ["line", "steps", "points", "bars", "area", "outline"])
def test_every_shape_is_drawn(shape):
    svg = draw_plot(
        plot(curve([1, 2, 3], [2, 1, 4], shape, label="one"), curve([1, 2], [1, 1], shape, "second", "two"))
    )
    assert svg.count("<svg") == 1 and "one" in svg and "two" in svg and "nan" not in svg


def test_the_forbidden_side_is_hatched():
    svg = draw_plot(
        plot(curve([0, 10], [0, 10]), marks=(Mark(8, "limit", forbidden="above"), Mark(2, axis="x", forbidden="below")))
    )
    assert svg.count("url(#h-far)") == 2 and ">limit<" in svg


@pytest.mark.parametrize("values", [([3], [3]), ([1, 1], [0, 0]), ([0, 1e-9], [1e12, 1e12 + 1])])
def test_figures_without_spread_are_drawn(values):
    assert "nan" not in draw_plot(plot(curve(*values)))


def test_a_plan_keeps_its_shape():
    square = curve([0, 1000, 1000, 0], [0, 0, 1000, 1000], "outline")
    svg = draw_plot(plot(square, equal=True))
    corners = re.search(r'class="line" d="M([^"]+)Z"', svg)[1].split("L")
    (x1, y1), (x2, _), (_, y3) = (tuple(map(float, corners[i].split())) for i in (0, 1, 2))
    assert x2 - x1 == pytest.approx(y1 - y3, abs=0.3)


def test_a_logarithmic_axis_marks_powers_of_ten():
    svg = draw_plot(
        Plot("p", Axis("n", log=True), Axis("h"), (curve([1, 10, 100], [1, 2, 3], "points"),), says="It rises.")
    )
    first, second, third = numbers(svg, "cx")
    assert third - second == pytest.approx(second - first, abs=0.2)


def test_words_stand_on_an_axis_of_names():
    svg = draw_plot(
        Plot("p", Axis("who", names=("Mara", "Jo")), Axis("h"), (curve([1, 2], [1, 2], "bars"),), says="Two.")
    )
    assert ">Mara<" in svg and ">Jo<" in svg and svg.count('class="bar"') == 2
