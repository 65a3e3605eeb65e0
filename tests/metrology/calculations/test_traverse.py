"""Traverses: against published adjustments, and least squares by a second route."""

import numpy as np
import pytest
from scipy.optimize import minimize

from metrology.calculations.problems import Refused
from metrology.calculations.traverse import TraverseInputs, TraverseLeg, traverse
from metrology.site.traverse import adjust, bowditch, runs
from tests.published import published

MAHUN = "J. Mahun, open access surveying library, traverse adjustment, problem 2 with its solution"
FOUR = {
    "legs": [
        {"to": "B", "direction": "226°54'23\"", "distance": {"value": 639.15, "unit": "ft"}},
        {"to": "C", "direction": 0, "distance": {"value": 523.69, "unit": "ft"}},
        {"to": "D", "direction": "235°02'29\"", "distance": {"value": 409.54, "unit": "ft"}},
        {"to": "A", "direction": "79°35'02\"", "distance": {"value": 815.93, "unit": "ft"}},
    ]
}
PURDUE = "Purdue University, course notes on traverse computations (after Wolf and Brinker)"
FIVE = {
    "start": "A", "east": {"value": 10000, "unit": "ft"}, "north": {"value": 10000, "unit": "ft"},
    "legs": [
        {"to": n, "direction": f"{d}°{m}'", "distance": {"value": length, "unit": "ft"}}
        for n, d, m, length in [
            ("B", 26, 10, 285.10), ("C", 104, 35, 610.45), ("D", 195, 30, 720.48), ("E", 358, 18, 203.00),
            ("A", 306, 54, 647.02),
        ]
    ],
}  # fmt: skip
FT = 304.8


def feet(what, source, given, figure, value, within):
    return published(
        "traverse-closure", f"{what}, mm", source=source, status="READ", given=given, figure=figure,
        expected=value * FT, within=within * FT,
    )  # fmt: skip


CHECKS = [
    *(
        feet(f"{figure} of {value} ft", MAHUN, FOUR, figure, value, 0.0009)
        for figure, value in [
            ("legs.0.latitude", -436.662),
            ("legs.0.departure", -466.732),
            ("legs.0.balanced_latitude", -436.631),
            ("legs.0.balanced_departure", -466.761),
            ("legs.1.balanced_departure", -0.023),
            ("legs.2.balanced_latitude", -234.640),
            ("legs.3.balanced_departure", 802.447),
            ("legs.3.adjusted_distance", 815.901),
            ("north_misclosure", -0.115),
            ("east_misclosure", 0.107),
        ]
    ),
    feet("misclosure of 0.157 ft", MAHUN, FOUR, "misclosure", 0.157, 0.001),
    published(
        "traverse-closure", "1 in 15 200, rounded to hundreds there", source=MAHUN, status="READ", given=FOUR,
        figure="ratio", expected=15200.0, within=60.0,
    ),
    published(
        "traverse-closure", "bearing of A to B, adjusted", source=MAHUN, status="READ", given=FOUR,
        figure="legs.0.adjusted_bearing", expected=226 + 54 / 60 + 36.6 / 3600, within=0.1 / 3600,
    ),
    *(
        feet(f"{figure} of {value} ft", PURDUE, FIVE, figure, value, 0.016)
        for figure, value in [
            ("stations.0.north", 10255.96),
            ("stations.0.east", 10125.66),
            ("stations.2.north", 9408.37),
            ("stations.2.east", 10523.62),
            ("stations.3.east", 10517.55),
        ]
    ),
    published(
        "traverse-closure", "1 in 2 771, of latitudes and departures rounded there", source=PURDUE, status="READ",
        given=FIVE, figure="ratio", expected=2770.8, within=25.0,
    ),
]  # fmt: skip


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_published_values_come_out(check):
    check.holds()


RAD = np.pi / 180


def quadrilateral(seed=4, noise=1.0):
    """Bearings and lengths of a loop with errors of millimetres."""
    random = np.random.default_rng(seed)
    corners = np.array([[0, 0], [6e3, 23e3], [24e3, 19e3], [17e3, -5e3], [0, 0]])
    steps = np.diff(corners, axis=0)
    bearings = np.arctan2(steps[:, 0], steps[:, 1]) + noise * random.normal(0, 5e-5, 4)
    return bearings, np.hypot(*steps.T) + noise * random.normal(0, 2, 4)


def test_least_squares_is_the_least_of_all_that_close():
    # Second route: a general minimiser under the same two conditions.
    bearings, lengths = quadrilateral()
    b_sd, l_sd = np.full(4, 3e-5), np.array([2.0, 2.1, 2.3, 1.8])
    origin = np.zeros(2)
    found = adjust(origin, origin, bearings, lengths, np.eye(4), np.zeros(4), b_sd, l_sd)

    def end(v):
        return runs(origin, bearings + v[:4] * b_sd, lengths + v[4:] * l_sd).ends[-1]

    closed = {"type": "eq", "fun": end}
    least = minimize(lambda v: v @ v, np.zeros(8), constraints=[closed], method="SLSQP", options={"ftol": 1e-14})
    assert np.allclose(np.r_[found.directions / b_sd, found.lengths / l_sd], least.x, atol=1e-4)
    assert np.allclose(found.legs.ends[-1], 0, atol=1e-9)


def test_bowditch_is_least_squares_where_errors_grow_with_the_root_of_the_length():
    # Closed form: with an error circle of variance ∝ length at each leg both rules are one.
    bearings, lengths = quadrilateral()
    origin, root = np.zeros(2), np.sqrt(lengths)
    strict = adjust(origin, origin, bearings, lengths, np.eye(4), np.zeros(4), 0.02 * root / lengths, 0.02 * root)
    shared = bowditch(origin, runs(origin, bearings, lengths), origin)
    assert np.abs(strict.legs.ends - shared.ends).max() < 0.002


def test_stated_deviations_of_stations_are_those_of_a_simulation():
    bearings, lengths = quadrilateral(noise=0.0)
    b_sd, l_sd, origin = np.full(4, 4e-5), np.full(4, 2.0), np.zeros(2)
    random = np.random.default_rng(1)
    ends = []
    for _ in range(400):
        seen = bearings + random.normal(0, b_sd), lengths + random.normal(0, l_sd)
        ends.append(adjust(origin, origin, *seen, np.eye(4), np.zeros(4), b_sd, l_sd).legs.ends)
    stated = adjust(origin, origin, bearings, lengths, np.eye(4), np.zeros(4), b_sd, l_sd).sd
    assert np.allclose(np.std(ends, axis=0)[:3], stated[:3], rtol=0.12)


def legs(*rows):
    return tuple(TraverseLeg(to, float(direction), float(length)) for to, direction, length in rows)


SQUARE = legs(("B", 0, 1000), ("C", 90, 1000), ("D", 180, 1000), ("A", 270, 1000))


def test_a_traverse_that_closes_exactly_passes_and_moves_nothing():
    found = traverse(TraverseInputs(legs=SQUARE))
    assert found.misclosure == 0 and found.ratio is None and found.result == "pass"
    assert [(round(s.least_squares_east, 6), round(s.east, 6)) for s in found.stations] == [
        (0, 0), (1000, 1000), (1000, 1000), (0, 0),
    ]  # fmt: skip
    assert "closes exactly" in found.sentence


def test_stations_on_one_line_are_adjusted_along_it_and_across_it():
    found = traverse(TraverseInputs(legs=legs(("B", 90, 50_000), ("C", 90, 50_000), ("A", 270, 100_003))))
    assert found.east_misclosure == pytest.approx(-3) and found.north_misclosure == pytest.approx(0, abs=1e-6)
    assert found.stations[0].east == pytest.approx(50_000.75)
    assert found.stations[1].least_squares_east == pytest.approx(100_002, abs=0.1)


INTERIOR = legs(("B", 90.01, 1000), ("C", 90.01, 1000), ("D", 90.01, 1000), ("A", 90.01, 1000))


def test_the_misclosure_of_the_angles_is_shared_equally():
    found = traverse(TraverseInputs(legs=INTERIOR, measured="angles left", first_bearing=0.0))
    # The four miss by 0.04°, too large; anticlockwise angles that are too large turn the traverse left.
    assert found.angular_misclosure == pytest.approx(-144)
    assert [leg.bearing for leg in found.legs] == pytest.approx([0, 90, 180, 270], abs=1e-9)
    assert found.misclosure == pytest.approx(0, abs=1e-6)


def test_angles_the_other_way_round_give_the_mirrored_traverse():
    right = traverse(TraverseInputs(legs=INTERIOR, measured="angles right", first_bearing=0.0))
    assert right.stations[1].east == pytest.approx(-1000) and right.angular_misclosure == pytest.approx(144)


def test_a_traverse_between_known_points_uses_both_its_sights():
    # From A, sighting back due south, over B to C, sighting on due east.
    found = traverse(
        TraverseInputs(
            legs=legs(("B", 180, 1000), ("C", 90, 1000)), measured="angles right", back_bearing=180.0,
            closing_angle=0.01 + 180, closing_bearing=270.0, end_east=-1000.0, end_north=1000.0,
        )
    )  # fmt: skip
    assert found.angular_misclosure == pytest.approx(36)
    assert found.stations[1].east == pytest.approx(-1000)


def test_least_squares_shares_the_angles_of_an_exact_square_equally():
    found = traverse(
        TraverseInputs(
            legs=legs(*((leg.to, 90.001, 1000) for leg in INTERIOR)), measured="angles left", first_bearing=0.0
        )
    )
    assert found.differ < 0.1 and found.factor > 0


def test_a_closure_that_is_too_coarse_fails_and_asks_for_another_measurement():
    found = traverse(TraverseInputs(legs=(*SQUARE[:3], TraverseLeg("A", 270.0, 1001.0))))
    assert found.result == "fail" and "1 in 4001" in found.sentence and "blunder" in found.sentence


def test_angles_that_miss_too_much_fail_although_the_lengths_close():
    asked = TraverseInputs(legs=INTERIOR, measured="angles left", first_bearing=0.0, allowed_angle=60.0)
    found = traverse(asked)
    assert found.result == "fail" and "60″ is allowed" in found.sentence


@pytest.mark.parametrize(
    ("given", "code"),
    [
        ({"legs": SQUARE[:1]}, "one-leg"),
        ({"legs": SQUARE, "end_east": 1.0}, "half-an-end"),
        ({"legs": INTERIOR, "measured": "angles left"}, "no-first-bearing"),
        (
            {"legs": INTERIOR, "measured": "angles left", "first_bearing": 0.0, "back_bearing": 1.0},
            "two-first-bearings",
        ),
        (
            {"legs": INTERIOR, "measured": "angles left", "first_bearing": 0.0, "closing_angle": 1.0},
            "half-a-closing",
        ),
        (
            {"legs": legs(*[("B", 85, 1000)] * 4), "measured": "angles left", "first_bearing": 0.0},
            "angles-do-not-close",
        ),
    ],
)
def test_what_makes_no_traverse_is_refused(given, code):
    with pytest.raises(Refused) as caught:
        traverse(TraverseInputs(**given))
    assert caught.value.code == code
