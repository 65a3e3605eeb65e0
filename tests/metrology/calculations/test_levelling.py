"""Levelling: against published adjustments, and the loop and the net against each other."""

import numpy as np
import pytest

from metrology.calculations.levelling import (
    Benchmark,
    LevelLine,
    LevelLoopInputs,
    LevelNetInputs,
    LevelSection,
    level_loop,
    level_net,
)
from metrology.calculations.problems import Refused
from tests.published import published

GHILANI = "Ghilani, Adjustment Computations, chapter on level nets, heights in ft"
FT = 304.8
LINES = [
    ("BM X", "A", 5.10, 4), ("A", "BM Y", 2.34, 3), ("BM Y", "C", -1.25, 2), ("C", "BM X", -6.13, 3),
    ("A", "B", -0.68, 2), ("BM Y", "B", -3.00, 2), ("B", "C", 1.70, 2),
]  # fmt: skip


def net(weights):
    return {
        "benchmarks": [
            {"point": "BM X", "height": {"value": 100.0, "unit": "ft"}},
            {"point": "BM Y", "height": {"value": 107.5, "unit": "ft"}},
        ],
        "lines": [
            {"start": a, "end": b, "rise": {"value": rise, "unit": "ft"}, "distance": {"value": d, "unit": "km"}}
            for a, b, rise, d in LINES
        ],
        "weights": weights,
    }


CHECKS = [
    *(
        published(
            "level-net", f"height of {name}, {words}", source=GHILANI, status="from memory", given=net(weights),
            figure=f"points.{place}.height", expected=value * FT, within=0.0006 * FT,
        )
        for weights, words, values in [
            ("distance", "weighted", (105.150, 106.197, 104.489)),
            ("equal", "unweighted", (105.141, 106.188, 104.483)),
        ]
        for place, (name, value) in enumerate(zip("ACB", values, strict=True))
    ),
    published(
        "level-loop", "three equal sections of a loop", source="misclosure shared out equally", status="definition",
        given={
            "start_height": 50000,
            "sections": [
                {"to": "A", "rise": 1000, "distance": 1e5},
                {"to": "B", "rise": -500, "distance": 1e5},
                {"to": "start", "rise": -470, "distance": 1e5},
            ],
        },
        figure="points.1.height", expected=50480.0, within=1e-9,
    ),
]  # fmt: skip


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_published_values_come_out(check):
    check.holds()


def loop(*rows, **more):
    sections = tuple(LevelSection(to=to, rise=float(rise), distance=float(length)) for to, rise, length in rows)
    return LevelLoopInputs(start_height=100.0, sections=sections, **more)


def test_a_loop_is_the_net_of_its_sections():
    # Second route: the general least squares gives what the proportional rule gives.
    rows = [("A", 250, 3e5), ("B", -120, 5e5), ("start", -133, 2e5)]
    found = level_loop(loop(*rows))
    names = ["start", "A", "B", "start"]
    lines = tuple(LevelLine(names[k], names[k + 1], float(r), float(d)) for k, (_, r, d) in enumerate(rows))
    heights = level_net(LevelNetInputs(benchmarks=(Benchmark("start", 100.0),), lines=lines)).points
    assert [p.height for p in heights] == pytest.approx([p.height for p in found.points[:2]])
    assert found.misclosure == pytest.approx(-3)


def test_a_net_is_the_plain_least_squares_of_its_lines():
    lines = tuple(LevelLine(a, b, rise * FT, d * 1e6) for a, b, rise, d in LINES)
    asked = LevelNetInputs(benchmarks=(Benchmark("BM X", 100 * FT), Benchmark("BM Y", 107.5 * FT)), lines=lines)
    found = level_net(asked)
    order, height = {"A": 0, "C": 1, "B": 2}, {"BM X": 100.0, "BM Y": 107.5}
    design, seen = np.zeros((7, 3)), np.array([rise for _, _, rise, _ in LINES])
    for row, (a, b, _, _) in enumerate(LINES):
        for name, sign in ((a, -1), (b, 1)):
            if name in order:
                design[row, order[name]] = sign
            else:
                seen[row] -= sign * height[name]
    weight = np.diag([1 / d for *_, d in LINES])
    solved = np.linalg.solve(design.T @ weight @ design, design.T @ weight @ seen)
    left = design @ solved - seen
    unit = np.sqrt(left @ weight @ left / 4)
    assert [p.height / FT for p in found.points] == pytest.approx(solved, abs=1e-9)
    assert found.sd_per_km / FT == pytest.approx(unit)
    assert found.points[0].sd / FT == pytest.approx(unit * np.sqrt(np.linalg.inv(design.T @ weight @ design)[0, 0]))


def test_readings_on_the_staff_give_the_rise():
    sections = (
        LevelSection(to="A", backsight=1500.0, foresight=1200.0, distance=5e4),
        LevelSection(to="start", backsight=1100.0, foresight=1402.0, distance=5e4),
    )
    found = level_loop(LevelLoopInputs(start_height=100.0, sections=sections))
    assert found.misclosure == pytest.approx(-2) and found.points[0].height == pytest.approx(401)
    assert "too low" in found.sentence and found.result == "pass"


def test_zero_misclosure_moves_nothing():
    found = level_loop(loop(("A", 250, 3e5), ("start", -250, 2e5)))
    assert found.misclosure == 0 and [p.correction for p in found.points] == [0, 0] and found.result == "pass"


def test_one_section_out_to_a_known_height_is_a_line():
    found = level_loop(loop(("BM 2", 250, 1e6), end_height=345.0))
    assert found.misclosure == pytest.approx(5) and found.points[0].height == pytest.approx(345)
    assert found.allowed == pytest.approx(12)


def test_the_allowed_misclosure_grows_with_the_root_of_the_length():
    found = level_loop(loop(("A", 0, 2e6), ("start", 24.01, 2e6)))
    assert found.allowed == pytest.approx(24) and found.result == "fail" and "misread" in found.sentence


def test_set_ups_share_out_where_lengths_are_unknown():
    sections = (LevelSection(to="A", rise=10.0, setups=3), LevelSection(to="start", rise=-6.0))
    found = level_loop(LevelLoopInputs(start_height=0.0, sections=sections, shared="setups"))
    assert [p.correction for p in found.points] == pytest.approx([-3, -4]) and found.result == "no limit"


def test_a_net_without_a_line_to_spare_says_that_nothing_checks_it():
    asked = LevelNetInputs(benchmarks=(Benchmark("A", 0.0),), lines=(LevelLine("A", "B", 5.0, 1e5),))
    found = level_net(asked)
    assert found.result == "nothing to check" and found.sd_per_km is None and found.points[0].sd is None


@pytest.mark.parametrize(
    ("section", "code"),
    [
        ({}, "no-rise"),
        ({"backsight": 1.0}, "one-reading"),
        ({"backsight": 1.0, "foresight": 2.0, "rise": 3.0}, "two-rises"),
        ({"rise": 3.0}, "no-length"),
    ],
)
def test_a_section_without_one_clear_rise_is_refused(section, code):
    with pytest.raises(Refused) as caught:
        level_loop(LevelLoopInputs(start_height=0.0, sections=(LevelSection(to="A", **section),)))
    assert caught.value.code == code


@pytest.mark.parametrize(
    ("marks", "lines", "code"),
    [
        ([("A", 0)], [("A", "A")], "same-point"),
        ([("A", 0), ("A", 1)], [("A", "B")], "known-twice"),
    ],
)
def test_a_net_that_contradicts_itself_is_refused(marks, lines, code):
    asked = LevelNetInputs(
        benchmarks=tuple(Benchmark(p, float(h)) for p, h in marks),
        lines=tuple(LevelLine(a, b, 1.0, 1e5) for a, b in lines),
    )
    with pytest.raises(Refused) as caught:
        level_net(asked)
    assert caught.value.code == code


def test_an_adjusted_rise_is_the_difference_of_the_adjusted_heights():
    asked = LevelNetInputs(
        benchmarks=(Benchmark("A", 0.0), Benchmark("C", 100.0)),
        lines=(LevelLine("A", "B", 60.0, 1e5), LevelLine("B", "C", 46.0, 1e5)),
    )
    found = level_net(asked)
    assert found.points[0].height == pytest.approx(57) and found.lines[0].correction == pytest.approx(-3)
    assert [line.rise for line in found.lines] == pytest.approx([57, 43])


def test_a_point_that_no_line_reaches_is_named():
    from metrology.calculations.registry import find
    from metrology.calculations.running import run

    lines = [{"start": a, "end": b, "rise": 1, "distance": 1e5} for a, b in [("A", "B"), ("C", "D")]]
    with pytest.raises(Refused, match="No line connects C"):
        run(find("level-net"), {"benchmarks": [{"point": "A", "height": 0}], "lines": lines})
