"""Rings of equal pieces, orders of casts, allocation and matching.

Ring of 24 on a circle of 3000 mm: closed forms N·δ, √(N/2)·s, s·R·√(2N) and 2R·sin(π/N). Assignment: every order tried.
"""

from dataclasses import replace
from itertools import permutations
from math import radians, sqrt

import numpy as np
import pytest
from scipy import stats

from metrology.calculations.allocation import (
    AllocationInputs,
    AllocationRow,
    MatchInputs,
    Measured,
    Place,
    allocation,
    match,
)
from metrology.calculations.problems import Refused
from metrology.calculations.registry import find
from metrology.calculations.ring_order import OrderInputs, ring_order
from metrology.calculations.rings import CastRow, RingInputs, ring_closure
from metrology.closure.ring_chain import Errors, Ring
from metrology.closure.ring_chance import chances_behind
from metrology.closure.ring_closure import Limits
from tests.published import published

RING = {"pieces": 24, "chord": 783.15715332}
ONE_LONG = RING | {"casts": [{"name": f"K{n}", "length": 1.0 if n == 5 else 0.0} for n in range(24)]}
ALL_LONG = RING | {"casts": [{"name": f"K{n}", "length": 1.0} for n in range(24)]}
LONG = RING | {"length_mean": 1.0}
LENGTHS = RING | {"length_tolerance": 1.5, "assemblies": 200_000}  # standard deviation 0.5 mm
ANGLES = RING | {"angle_tolerance": 0.03, "assemblies": 200_000}  # standard deviation 0.01°
BY_ANGLES = radians(0.01) * 3000 * sqrt(48)
FORMS = "closed forms of a regular ring, N = 24, R = 3000 mm"

CHECKS = [
    published(
        calculation,
        what,
        source=source,
        status=status,
        given=given,
        figure=figure,
        expected=expected,
        within=within,
    )
    for calculation, what, source, status, given, figure, expected, within in [
        ("ring-closure", "radius of 24 chords", FORMS, "definition", LENGTHS, "radius", 3000.0, 1e-5),
        ("ring-closure", "all 1 mm long: radius", FORMS, "COMPUTED", LONG, "radius_growth", 3.8306488, 1e-5),
        ("ring-closure", "all 1 mm long: room", FORMS, "COMPUTED", LONG, "perimeter_growth", 24.0, 1e-9),
        ("ring-closure", "all 1 mm long: joint", FORMS, "COMPUTED", LONG, "gap_mean", 0.0, 1e-5),
        ("ring-closure", "lengths, one way, √(N/2) s", FORMS, "definition", LENGTHS, "gap_sd", 0.5 * sqrt(12), 0.01),
        ("ring-closure", "lengths, both ways, √N s", FORMS, "definition", LENGTHS, "plan_sd", 0.5 * sqrt(24), 0.015),
        ("ring-closure", "angles, both ways, s R √(2N)", FORMS, "definition", ANGLES, "plan_sd", BY_ANGLES, 0.02),
        ("ring-order", "one piece 1 mm long", FORMS, "COMPUTED", ONE_LONG, "misclosure", 1.0, 1e-5),
        ("ring-order", "all 1 mm long", FORMS, "COMPUTED", ALL_LONG, "misclosure", 0.0, 1e-5),
        ("ring-order", "all 1 mm long: radius", FORMS, "COMPUTED", ALL_LONG, "radius_growth", 3.8306488, 1e-5),
        (
            "tolerance-allocation",
            "±3 σ in ±1: factor for 95 %",
            "normal distribution: 1/1.959964",
            "definition",
            {"rows": [{"name": "A", "nominal": 0, "tolerance": 3}], "gap_lower": -1, "gap_upper": 1, "wanted": 0.95},
            "factor",
            1 / 1.959964,
            0.0006,
        ),
        (
            "match-to-places",
            "sorted to sorted is best",
            "rearrangement inequality",
            "definition",
            {
                "places": [{"name": n, "room": r} for n, r in [("a", 3), ("b", 1), ("c", 2)]],
                "casts": [{"name": n, "size": s} for n, s in [("p", 1.1), ("q", 2.1), ("r", 3.1)]],
            },
            "after",
            0.1,
            1e-9,
        ),
    ]
]


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_published_values_come_out(check):
    check.holds()


EXAMPLE = find("ring-closure").example


def test_the_kind_of_error_that_spoils_most_stands_first_and_gets_its_tolerance():
    found = ring_closure(EXAMPLE)
    first = found.rows[0]
    assert first.what.startswith("angle") and first.chance_without > found.chance
    assert first.allowed == pytest.approx(first.tolerance * found.factor)
    after = ring_closure(
        replace(
            EXAMPLE,
            length_tolerance=EXAMPLE.length_tolerance * found.factor,
            angle_tolerance=EXAMPLE.angle_tolerance * found.factor,
            height_tolerance=EXAMPLE.height_tolerance * found.factor,
            wanted=None,
        )
    )
    assert after.chance == pytest.approx(0.95, abs=0.01)


def test_a_fixed_circle_minds_a_common_length_error_and_a_free_one_does_not():
    long = replace(EXAMPLE, length_mean=3.5, wanted=None)
    assert (
        ring_closure(replace(long, built="fixed")).chance < 0.9 < ring_closure(replace(EXAMPLE, built="fixed")).chance
    )
    assert ring_closure(long).chance == pytest.approx(ring_closure(replace(EXAMPLE, wanted=None)).chance, abs=0.01)


def casts(values, angle=None):
    return tuple(CastRow(name=f"K{n}", length=float(v), angle=angle) for n, v in enumerate(values))


def test_measured_casts_close_as_their_spread_says_with_bounds_for_how_few_they_are():
    values = np.random.default_rng(2).normal(0.0, 0.5, 12)
    inputs = RingInputs(pieces=24, chord=777.0, joint=6.0, least_gap=2.0, largest_gap=10.0, casts=casts(values))
    found = ring_closure(inputs)
    sd = values.std() * sqrt(12)
    assert found.chance == pytest.approx(stats.norm.cdf(4 / sd) - stats.norm.cdf(-4 / sd), abs=0.01)
    assert found.chance_low < found.chance - 0.02 and "how few" in found.note


def test_the_bounds_of_a_ring_are_those_of_its_closed_form():
    # Lengths alone: the gap is normal with √(N/2) s; the bound follows the chi-square bound of s.
    values = np.random.default_rng(4).normal(0.0, 0.5, 10)
    values -= values.mean()
    ring = Ring(24, 777.0, 6.0, 0.0)
    shares = chances_behind(ring, Errors(length=values[:, None]), Limits(3, 9, np.inf, np.inf), fixed=False, seed=1)
    sd = values.std(ddof=1) * sqrt(9 / stats.chi2.ppf(0.05, 9)) * sqrt(12)
    assert np.quantile(shares, 0.05) == pytest.approx(2 * stats.norm.cdf(3 / sd) - 1, abs=0.04)


def test_set_out_places_keep_their_errors_beside_measured_casts():
    base = RingInputs(
        pieces=12,
        chord=900.0,
        joint=6.0,
        built="fixed",
        least_gap=4.0,
        largest_gap=8.0,
        casts=casts([0.1, -0.1, 0.2, 0.0]),
    )
    assert ring_closure(base).chance > 0.99 > ring_closure(replace(base, along_tolerance=4.0)).chance


def test_casts_with_a_figure_missing_are_left_out_by_name():
    rows = (*casts([0.1, 0.2, 0.3], angle=0.01), CastRow(name="half", length=0.4))
    found = ring_closure(replace(EXAMPLE, casts=rows, wanted=None))
    assert "half" in found.note


def test_a_better_order_closes_better_than_luck():
    found = ring_order(find("ring-order").example)
    assert found.best_misclosure < found.typical and found.best_misclosure < found.misclosure
    assert sorted(row.cast for row in found.order) == [f"TP-KB-{n:04d}" for n in range(1, 9)]


def test_of_more_casts_than_positions_the_extremes_are_left_out():
    found = ring_order(OrderInputs(chord=900.0, pieces=4, casts=casts([0.0, 0.1, -0.1, 0.05, 9.0])))
    assert found.left_out == "K4" and len(found.order) == 4


def test_equal_casts_need_no_order():
    found = ring_order(OrderInputs(chord=900.0, joint=6.0, built="fixed", casts=casts([0.5] * 5)))
    assert found.best_misclosure == found.misclosure == pytest.approx(0.5)
    assert "no better order" in found.sentence


def test_the_match_is_the_best_of_all_orders():
    random = np.random.default_rng(7)
    room, sizes = random.normal(600, 1, 5), random.normal(600, 1, 6)
    found = match(
        MatchInputs(
            places=tuple(Place(name=f"P{n}", room=float(v)) for n, v in enumerate(room)),
            casts=tuple(Measured(name=f"C{n}", size=float(v)) for n, v in enumerate(sizes)),
        )
    )
    best = min(sqrt(((sizes[list(order)] - room) ** 2).mean()) for order in permutations(range(6), 5))
    assert found.after == pytest.approx(best) and found.after <= found.before
    assert found.spare is not None and "1\u00a0cast to spare" in found.sentence


def test_casts_that_are_not_measured_are_left_out_and_named():
    found = match(find("match-to-places").example)
    assert found.missing == "TP-SL-0004" and "TP-SL-0004" not in [row.cast for row in found.rows]


def test_equal_casts_match_no_better_than_as_they_stand():
    places = (Place(name="a", room=2.0), Place(name="b", room=1.0))
    found = match(MatchInputs(places=places, casts=(Measured(name="p", size=1.0), Measured(name="q", size=1.0))))
    assert found.after == found.before and "no better" in found.sentence


def test_what_stays_keeps_its_tolerance():
    rows = (
        AllocationRow(name="A", nominal=0.0, tolerance=3.0),
        AllocationRow(name="B", nominal=0.0, tolerance=0.9, stays=True),
    )
    found = allocation(AllocationInputs(rows=rows, gap_lower=-1.0, gap_upper=1.0, wanted=0.95))
    assert found.rows[1].allowed == 0.9 and found.rows[1].alone is None
    assert found.rows[0].allowed == pytest.approx(3 * sqrt(1 / 1.959964**2 - 0.09), rel=0.002)
    assert found.rows[0].allowed == found.rows[0].alone


def test_a_mean_in_the_way_is_said_and_what_centring_would_bring():
    rows = (AllocationRow(name="A", nominal=2.0, tolerance=0.5),)
    found = allocation(AllocationInputs(rows=rows, gap_lower=-1.0, gap_upper=1.0))
    assert found.factor is None and found.centred_chance == 1.0 and "100\u00a0% would" in found.sentence


@pytest.mark.parametrize(
    ("calculate", "inputs", "where"),
    [
        (ring_closure, RingInputs(pieces=24, chord=700.0), ("/length_tolerance", "no-errors")),
        (ring_closure, replace(EXAMPLE, least_gap=11.0), ("/largest_gap", "limits-swapped")),
        (ring_closure, replace(EXAMPLE, pieces=200, assemblies=1_000_000), ("/assemblies", "too-many")),
        (
            ring_closure,
            RingInputs(pieces=9, chord=700.0, length_tolerance=1.0, wanted=0.9),
            ("/least_gap", "no-limits"),
        ),
        (ring_closure, replace(EXAMPLE, casts=casts([0.1])), ("/casts", "too-few-casts")),
        (ring_closure, replace(EXAMPLE, casts=(CastRow(name="K"),)), ("/casts", "no-errors")),
        (ring_order, OrderInputs(chord=900.0, pieces=5, casts=casts([0.1, 0.2, 0.3])), ("/pieces", "too-few-casts")),
        (
            ring_order,
            OrderInputs(chord=900.0, casts=casts([0.1, 0.2]) + (CastRow(name="x"),)),
            ("/casts", "too-few-casts"),
        ),
        (
            match,
            MatchInputs(places=(Place(name="a", room=1.0),), casts=(Measured(name="p"),)),
            ("/casts", "too-few-casts"),
        ),
        (
            match,
            MatchInputs(
                places=(Place(name="a", room=1.0), Place(name="b", room=1.0)), casts=(Measured(name="p", size=1.0),)
            ),
            ("/casts", "too-few-casts"),
        ),
        (
            match,
            MatchInputs(places=(Place(name="a", room=1.0),), casts=(Measured(name="p", size=1.0),) * 2),
            ("/casts/0/name", "name-twice"),
        ),
        (
            allocation,
            AllocationInputs(rows=(AllocationRow(name="A", nominal=1.0, tolerance=0.1),)),
            ("/gap_upper", "no-limits"),
        ),
        (
            allocation,
            AllocationInputs(rows=(AllocationRow(name="A", nominal=1.0, tolerance=0.1, stays=True),), gap_upper=2.0),
            ("/rows/0/stays", "all-stay"),
        ),
    ],
)
def test_what_does_not_fit_is_refused_at_its_place(calculate, inputs, where):
    with pytest.raises(Refused) as caught:
        calculate(inputs)
    assert (caught.value.problems[0].path, caught.value.code) == where
