"""As-built anchors and fits of points: closed forms, published fits, and the ring chain as second route."""

import numpy as np
import pytest

from metrology.calculations.anchors import Anchor, AnchorInputs, Piece, check_anchors
from metrology.calculations.fits import (
    CircleInputs,
    LineInputs,
    PlaneInputs,
    PlanPoint,
    SpacePoint,
    circle,
    line,
    plane,
)
from metrology.calculations.problems import Refused
from metrology.calculations.registry import find
from metrology.calculations.running import run
from metrology.closure.ring_chain import Errors, FixedPlaces, Ring
from metrology.site.anchors import joints, places
from tests.metrology.reference_fits import ARC, PLANE
from tests.published import published

GGS = "Gander, Golub and Strebel 1994, BIT 34: geometric fit (4.7398, 2.9835), 4.7142"
SIX = [(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)]
TEN = [0.2, 1, 2.6, 3.6, 4.9, 5.3, 6.5, 7.8, 8, 9]
NULL_SPACE = "null-space method: residuals added that leave the known answer the exact least-squares one"
CHECKS = [
    *(
        published(
            "circle-fit", figure, source=GGS, status="from memory, recomputed",
            given={"points": [{"x": x, "y": y} for x, y in SIX]}, figure=figure, expected=value, within=1e-6,
        )
        for figure, value in [
            ("x", 4.73978242), ("y", 2.98353273), ("radius", 4.71422602), ("sum_of_squares", 1.22759908),
        ]
    ),
    *(
        published(
            "anchors-as-built", f"{figure} of the same six points", source=GGS, status="from memory, recomputed",
            given={"anchors": [{"anchor": str(k), "east": x, "north": y} for k, (x, y) in enumerate(SIX)], "radius": 5},
            figure=figure, expected=value, within=1e-6,
        )
        for figure, value in [("centre_east", 4.73978242), ("centre_north", 2.98353273), ("fitted_radius", 4.71422602)]
    ),
    *(
        published(
            "line-fit", figure, source="Gander and Hrebicek, Solving Problems in Scientific Computing: line fit",
            status="from memory, recomputed", given={"points": [{"x": k + 1, "y": y} for k, y in enumerate(TEN)]},
            figure=figure, expected=value, within=1e-7,
        )
        for figure, value in [("normal_x", -0.70565255), ("normal_y", 0.70855803), ("offset", -0.41624023)]
    ),
    *(
        published(
            "circle-fit", f"{figure} of an arc", source=NULL_SPACE, status="COMPUTED with scipy 1.17.1",
            given={"points": [{"x": x, "y": y} for x, y in ARC]}, figure=figure, expected=value, within=1e-6,
        )
        for figure, value in [("x", 300.0), ("y", -120.0), ("radius", 2000.0)]
    ),
    *(
        published(
            "plane-fit", figure, source=NULL_SPACE, status="COMPUTED with scipy 1.17.1",
            given={"points": [{"x": x, "y": y, "z": z} for x, y, z in PLANE]}, figure=figure, expected=value,
            within=1e-6,
        )
        for figure, value in [("normal_x", 2 / 7), ("normal_z", 6 / 7), ("flatness", 1.2747468053998854)]
    ),
]  # fmt: skip


@pytest.mark.parametrize("check", CHECKS, ids=str)
def test_published_values_come_out(check):
    check.holds()


def anchors(count=8, radius=2000.0, out=0.0, on=0.0, up=0.0, turn=0.0, shift=(0.0, 0.0), sense=1.0):
    """A ring of anchors with the same errors everywhere, or with an error for each."""
    out, on, up = (np.broadcast_to(one, count) for one in (out, on, up))
    bearing = np.radians(turn) + sense * np.arange(count) * 2 * np.pi / count
    east = (radius + out) * np.sin(bearing) + sense * on * np.cos(bearing) + shift[0]
    north = (radius + out) * np.cos(bearing) - sense * on * np.sin(bearing) + shift[1]
    return tuple(Anchor(str(k + 1), float(east[k]), float(north[k]), 500.0 + float(up[k])) for k in range(count))


def test_a_shifted_and_turned_ring_fits_without_errors():
    found = check_anchors(AnchorInputs(anchors=anchors(turn=7.0, shift=(30.0, -20.0)), radius=2000.0))
    assert found.worst_plan == pytest.approx(0, abs=1e-9) and found.fitted_radius == pytest.approx(2000)
    assert (found.centre_east, found.centre_north) == pytest.approx((30.0, -20.0))


def test_the_same_ring_has_errors_about_the_design_centre():
    asked = AnchorInputs(anchors=anchors(shift=(30.0, 0.0)), radius=2000.0, about="design")
    found = check_anchors(asked)
    # The third of eight stands due east: all outwards. The first stands due north: all onwards, clockwise.
    assert found.anchors[2].radial == pytest.approx(30) and found.anchors[0].tangential == pytest.approx(30)


def test_a_ring_is_never_scaled_to_fit():
    found = check_anchors(AnchorInputs(anchors=anchors(out=5.0), radius=2000.0))
    assert [one.radial for one in found.anchors] == pytest.approx([5.0] * 8)
    assert found.fitted_radius == pytest.approx(2005)


def test_tangential_is_positive_onwards_whichever_way_they_are_numbered():
    on = np.array([4.0, 0, 0, 0, -4.0, 0, 0, 0])
    for sense, words in ((1.0, "clockwise"), (-1.0, "anticlockwise")):
        asked = AnchorInputs(anchors=anchors(on=on, sense=sense), radius=2000.0, about="design", turning=words)
        assert [one.tangential for one in check_anchors(asked).anchors] == pytest.approx(list(on), abs=1e-9)


def test_shims_bring_every_seat_to_the_highest():
    up = [0.0, 3.2, 1.0, 0.0, 2.0, 0.0, 0.0, 0.0]
    found = check_anchors(AnchorInputs(anchors=anchors(up=up), radius=2000.0, shim_step=0.5))
    assert [one.shim for one in found.anchors[:3]] == pytest.approx([3.0, 0.0, 2.0])
    assert found.anchors[0].left == pytest.approx(-0.2) and found.seat_height == pytest.approx(503.2)


def test_an_anchor_above_the_seat_height_fails_by_name():
    up = [0.0, 3.2, 0, 0, 0, 0, 0, 0]
    asked = AnchorInputs(anchors=anchors(up=up), radius=2000.0, seat_height=502.0, shim_step=0.0)
    found = check_anchors(asked)
    assert found.result == "fail" and "Anchor 2 stands 1.2\u00a0mm above" in found.sentence


def test_an_anchor_that_stands_out_fails_its_limit_and_says_which_way():
    out = [0, 0, 7.0, 0, 0, 0, 0, 0]
    asked = AnchorInputs(anchors=anchors(out=out), radius=2000.0, about="design", allowed_plan=6.0)
    found = check_anchors(asked)
    assert found.result == "fail" and "Anchor 3 is 7.0\u00a0mm too far out" in found.sentence


TURN = np.pi / 8
CHORD = 2 * 2000.0 * np.tan(TURN) - 6.0


def pieces(lengths=None, count=8):
    return tuple(
        Piece(f"P{k + 1}", float(x)) for k, x in enumerate(np.full(count, CHORD) if lengths is None else lengths)
    )


def test_nominal_pieces_on_nominal_anchors_have_nominal_joints():
    found = check_anchors(AnchorInputs(anchors=anchors(), radius=2000.0, pieces=pieces()))
    assert [one.gap for one in found.joints] == pytest.approx([6.0] * 8, abs=1e-9)
    assert found.closes == "pass" and [one.step for one in found.joints] == pytest.approx([0] * 8, abs=1e-9)


def test_a_ring_that_is_too_wide_opens_every_joint_by_the_closed_form():
    found = check_anchors(AnchorInputs(anchors=anchors(out=5.0), radius=2000.0, pieces=pieces()))
    assert [one.gap for one in found.joints] == pytest.approx([6 + 2 * 5 * np.tan(TURN)] * 8)


def test_joints_are_those_of_the_ring_chain():
    # Second route: lengths, tangential and height errors and angles in the linear chain of set-out places.
    random = np.random.default_rng(3)
    length, on, up = (random.normal(0, 1.5, 8) for _ in range(3))
    angle = random.normal(0, 1e-3, 8)
    ring = places(np.zeros(2), 2000.0, 8, 0.3, -1.0)
    found = joints(ring, np.zeros(8), on, up, CHORD + length, 6.0, CHORD, angle, 120.0)
    errors = Errors(length=length[:, None], angle=angle[:, None], along=on[:, None], up=up[:, None])
    chain = FixedPlaces(Ring(8, CHORD, 6.0, 120.0))
    gap, wedge = chain.gaps(errors)
    assert np.allclose(found.gap, gap[:, 0]) and np.allclose(found.widest - found.gap, wedge[:, 0])
    assert np.allclose(found.height, chain.height_steps(errors)[:, 0])


def test_shifted_pieces_have_equal_gaps():
    random = np.random.default_rng(5)
    ring = places(np.zeros(2), 2000.0, 8, 0.0, 1.0)
    still = np.zeros(8)
    on, lengths = random.normal(0, 2, 8), CHORD + random.normal(0, 1, 8)
    first = joints(ring, still, on, still, lengths, 6.0, CHORD, still, 0.0)
    again = joints(ring, still, on + first.shifts, still, lengths, 6.0, CHORD, still, 0.0)
    assert np.ptp(again.gap) < 1e-9 and first.shifts.max() == pytest.approx(-first.shifts.min())


def test_a_long_piece_closes_its_joints_and_the_sentence_says_what_would_mend_it():
    lengths = np.full(8, CHORD)
    lengths[3] += 12.0
    found = check_anchors(AnchorInputs(anchors=anchors(), radius=2000.0, pieces=pieces(lengths)))
    assert found.closes == "fail" and "2 of 8 joints fail, first the one after P3" in found.sentence
    assert found.mean_gap == pytest.approx(6 - 12 / 8)


def test_the_graver_of_anchors_and_ring_is_the_result():
    long = np.full(8, CHORD)
    long[3] += 12.0
    asked = AnchorInputs(anchors=anchors(), radius=2000.0, allowed_plan=6.0, pieces=pieces(long))
    found = check_anchors(asked)
    assert (found.placed, found.closes, found.result) == ("pass", "fail", "fail")
    assert check_anchors(AnchorInputs(anchors=anchors(), radius=2000.0)).result == "no limit"


def test_shims_leave_a_step_in_height():
    asked = AnchorInputs(
        anchors=anchors(up=[0, 0.4, 0, 0, 0, 0, 0, 0]), radius=2000.0, shim_step=1.0, pieces=pieces(), most_step=0.3
    )
    assert [one.result for one in check_anchors(asked).joints[:3]] == ["fail", "fail", "pass"]


ROW = tuple(Anchor(str(k), float(k), float(k), 0.0) for k in range(4))


@pytest.mark.parametrize(
    ("asked", "code"),
    [
        (AnchorInputs(anchors=ROW, radius=2000.0), "on-one-line"),
        (AnchorInputs(anchors=ROW[:1] * 3, radius=2000.0), "at-one-place"),
        (AnchorInputs(anchors=anchors(), radius=2000.0, count=5), "too-many-anchors"),
        (AnchorInputs(anchors=anchors(), radius=2000.0, pieces=pieces()[:7]), "pieces-missing"),
        (AnchorInputs(anchors=anchors(), radius=2000.0, pieces=pieces(), least_gap=11.0), "limits-swapped"),
        (AnchorInputs(anchors=anchors(), radius=2000.0, pieces=pieces(), joint=2000.0), "no-room"),
    ],
)
def test_anchors_that_make_no_ring_are_refused(asked, code):
    one = find("anchors-as-built")
    from metrology.calculations.running import solve

    with pytest.raises(Refused) as caught:
        solve(one, asked)
    assert caught.value.code == code


@pytest.mark.parametrize("name", ["circle-fit", "plane-fit"])
def test_points_on_one_line_are_refused(name):
    rows = [{"x": k, "y": 2 * k, **({"z": 0} if name == "plane-fit" else {})} for k in range(5)]
    with pytest.raises(Refused, match="one straight line"):
        run(find(name), {"points": rows})


def test_an_upright_line_has_a_bearing_and_a_normal():
    found = line(LineInputs(tuple(PlanPoint(5.0, float(y)) for y in range(4))))
    assert found.bearing == pytest.approx(0) and (found.normal_x, found.normal_y) == pytest.approx((1, 0))
    assert found.offset == pytest.approx(5)


def test_residuals_of_a_circle_are_positive_outside_and_a_plane_points_up():
    bulge = [(10.0, 0.0), (0.0, 10.0), (-10.0, 0.0), (0.0, -10.0), (7.5, 7.5)]
    assert circle(CircleInputs(tuple(PlanPoint(x, y) for x, y in bulge))).residuals[4] > 0
    found = plane(PlaneInputs(tuple(SpacePoint(x, y, z) for x, y, z in [(0, 0, 0), (9, 0, 0), (0, 9, 0), (9, 9, 1)])))
    assert found.normal_z > 0.9 and found.residuals[3] > 0
