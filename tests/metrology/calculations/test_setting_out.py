"""Setting out and site control: against published adjustments and closed forms."""

import numpy as np
import pytest

from metrology.calculations.problems import Refused
from metrology.calculations.registry import find
from metrology.calculations.ring_setting_out import RingInputs, ring
from metrology.calculations.site_control import (
    PadInputs,
    PointPair,
    SimilarityInputs,
    SpotHeight,
    pad,
    similarity,
)
from tests.published import published

GHILANI = "Ghilani, Adjustment Computations, example 18.1, in three public repositories"
HELMERT = {
    "control": [
        {"name": "1", "x": 121.622, "y": -128.066, "east": 1049422.40, "north": 51089.20},
        {"name": "2", "x": 141.228, "y": 187.718, "east": 1049413.95, "north": 49659.30},
        {"name": "3", "x": 175.802, "y": 135.728, "east": 1049244.95, "north": 49884.95},
    ],
    "others": [
        {"name": n, "x": x, "y": y}
        for n, x, y in [
            ("a", 174.148, -120.262),
            ("b", 513.520, -192.130),
            ("c", 754.444, -67.706),
            ("d", 972.788, 120.994),
        ]
    ],
}
PEGS = {"apart": 50_000, "middle_a": 1283, "middle_b": 860, "end_a": 1612, "end_b": 1219, "beyond": 5000}
UREN = "Uren and Price, Surveying for Engineers, exercise with worked solution"
CHECKS = [
    *(
        published(
            "site-similarity",
            figure,
            source=GHILANI,
            status="READ",
            given=HELMERT,
            figure=figure,
            expected=value,
            within=tol,
        )
        for figure, value, tol in [
            ("a", -4.51249, 1e-5),
            ("b", -0.25371, 1e-5),
            ("east_shift", 1050003.715, 1e-3),
            ("north_shift", 50542.131, 1e-3),
            ("rotation", 183.218061, 1e-5),
            ("scale", 4.51962052, 1e-7),
            ("standard_deviation", 0.13982, 1e-5),
            ("carried.0.east", 1049187.361, 1e-3),
            ("carried.0.north", 51040.629, 1e-3),
            ("carried.3.east", 1045644.713, 1e-3),
            ("carried.3.north", 49749.336, 1e-3),
        ]
    ),
    *(
        published(
            "two-peg-test", figure, source=UREN, status="READ", given=PEGS, figure=figure, expected=value, within=0.5
        )
        for figure, value in [("error", -30.0), ("right_a", 1645.0), ("right_b", 1222.0), ("difference", 423.0)]
    ),
    *(
        published(
            "ring-setting-out",
            f"{figure} of {n} points on {radius}",
            source="side 2 R sin(180° ÷ N)",
            status="definition",
            given={"points": n, "radius": radius},
            figure=figure,
            expected=value,
            within=1e-8,
        )
        for n, radius, side, apothem in [
            (5, 10, 11.755705045, 8.090169944),
            (6, 1, 1, 0.866025404),
            (8, 4, 3.061467459, 3.69551813),
            (12, 5, 2.588190451, 4.829629131),
            (16, 7.5, 2.92635483, 7.355889603),
        ]
        for figure, value in [("side", side), ("apothem", apothem)]
    ),
    published(
        "pad-plane",
        "a plane of 1 in 100",
        source="plane through its own points",
        status="definition",
        given={
            "spots": [
                {"x": 0, "y": 0, "height": 0},
                {"x": 1000, "y": 0, "height": 10},
                {"x": 0, "y": 1000, "height": 0},
            ]
        },
        figure="slope",
        expected=0.01,
        within=1e-12,
    ),
]


UMEYAMA = {
    "control": [
        {"name": name, "x": x, "y": y, "east": east, "north": north}
        for name, (x, y), (east, north) in zip("ABC", [(0, 0), (1, 0), (0, 2)], [(0, 0), (-1, 0), (0, 2)], strict=True)
    ]
}
MIRROR_TRAP = "Umeyama 1991, IEEE PAMI 13(4), worked example with a mirror in it"
CHECKS += [
    published(
        "site-similarity", f"{figure}, scale {'kept' if kept else 'free'}", source=MIRROR_TRAP, status="from memory",
        given=UMEYAMA | {"keep_scale": kept}, figure=figure, expected=value, within=1e-7,
    )
    for kept, figure, value in [
        (False, "a", 0.6), (False, "b", -0.4), (False, "scale", 0.72111026), (False, "east_shift", -0.8),
        (False, "north_shift", 0.4), (True, "a", 0.83205029), (True, "b", -0.5547002),
        (True, "east_shift", -0.98048356), (True, "north_shift", 0.29686654),
    ]
]  # fmt: skip


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_published_values_come_out(check):
    check.holds()


def test_points_follow_clockwise_from_north():
    found = ring(RingInputs(4, 1000.0))
    assert [(round(p.east), round(p.north)) for p in found.points] == [(0, 1000), (1000, 0), (0, -1000), (-1000, 0)]


def test_points_follow_anticlockwise_when_asked():
    found = ring(RingInputs(4, 1000.0, turning="anticlockwise"))
    assert [round(p.east) for p in found.points] == [0, -1000, 0, 1000]


def test_every_check_distance_is_the_distance_of_its_points():
    # Second route: from the coordinates.
    found = ring(RingInputs(9, None, 700.0, 33.0, "clockwise", 5e6, 2e5, 900.0))
    at = np.array([(p.east, p.north) for p in found.points])
    for check in found.checks:
        assert np.linalg.norm(at[check.apart] - at[0]) == pytest.approx(check.distance, abs=1e-6)


def test_offset_stakes_lie_outside_on_the_same_bearing():
    point = ring(RingInputs(7, 1000.0, start_bearing=20.0, offset=250.0)).points[0]
    assert np.hypot(point.stake_east, point.stake_north) == pytest.approx(1250)
    assert point.stake_east / point.stake_north == pytest.approx(np.tan(np.radians(20)))


@pytest.mark.parametrize(
    ("inputs", "code"),
    [
        (RingInputs(5), "no-size"),
        (RingInputs(5, 1.0, 1.0), "two-sizes"),
        (RingInputs(5, 100.0, offset=-200.0), "stake-inside"),
    ],
)
def test_a_ring_without_one_clear_size_is_refused(inputs, code):
    with pytest.raises(Refused) as caught:
        ring(inputs)
    assert caught.value.code == code


def pairs(points, turned):
    return tuple(
        PointPair(str(k), *map(float, a), *map(float, b)) for k, (a, b) in enumerate(zip(points, turned, strict=True))
    )


def test_two_control_points_are_said_to_check_nothing():
    found = similarity(SimilarityInputs(pairs([(0, 0), (10, 0)], [(5, 5), (5, 15)])))
    assert found.standard_deviation is None and "checks nothing" in found.sentence
    assert found.rotation == pytest.approx(90)


def test_with_lengths_kept_the_scale_is_one():
    found = similarity(SimilarityInputs(pairs([(0, 0), (10, 0)], [(5, 5), (5, 15.5)]), (), True))
    assert found.scale == pytest.approx(1) and found.residuals[0].north == pytest.approx(0.25)


def test_a_mirrored_set_is_turned_and_never_mirrored():
    found = similarity(SimilarityInputs(pairs([(1, 0), (0, 2), (0, 0)], [(-1, 0), (0, 2), (0, 0)])))
    assert found.standard_deviation > 0.1


def test_control_points_in_one_place_are_refused():
    with pytest.raises(Refused, match="far apart"):
        similarity(SimilarityInputs(pairs([(1, 1), (1, 1)], [(0, 0), (5, 5)])))


def spots(*rows):
    return tuple(SpotHeight(*map(float, row)) for row in rows)


SQUARE = [(0, 0, 100), (1000, 0, 100), (0, 1000, 100), (1000, 1000, 100)]


def test_a_level_pad_falls_nowhere():
    found = pad(PadInputs(spots(*SQUARE)))
    assert found.slope == 0 and found.falls_towards is None and found.result == "no limit"


def test_a_pad_falls_away_from_its_high_side():
    found = pad(PadInputs(spots((0, 0, 0), (1000, 0, 10), (0, 1000, 0), (1000, 1000, 10))))
    assert found.falls_towards == pytest.approx(270)


def test_a_spot_that_is_too_high_fails_the_pad_by_name():
    found = pad(PadInputs(spots(*SQUARE[:3], (1000, 1000, 112)), 100.0, 10.0))
    assert found.result == "fail" and "Spot 4 is 12.0\u00a0mm too high" in found.sentence


def test_a_hump_fails_the_flatness_and_not_the_height():
    found = pad(PadInputs(spots(*SQUARE, (500, 500, 108)), 100.0, 10.0, 5.0))
    assert found.result == "fail" and "above the plane" in found.sentence and "too high" not in found.sentence


def test_spots_on_one_line_show_no_plane():
    with pytest.raises(Refused, match="one line"):
        pad(PadInputs(spots((0, 0, 0), (1, 1, 0), (2, 2, 0))))


def test_control_that_fits_only_as_a_mirror_image_is_told_so():
    given = SimilarityInputs(tuple(PointPair(**row) for row in UMEYAMA["control"]))
    assert "Mirrored they fit much better" in similarity(given).sentence


def test_control_that_fits_is_not_called_mirrored():
    calculation = find("site-similarity")
    assert "Mirrored" not in calculation.compute(calculation.example).sentence
