"""Regions found on the nominal: what grows, what is cut, and what is found again on another mesh."""

import numpy as np
import pytest

from fixtures import solids
from metrology.bodies import Mesh
from metrology.errors import InputError
from metrology.surfaces.selection import AllOf, AnyOf, Beyond, Box, Facing, Grown, NearPlane, Without, choose
from metrology.surfaces.selection_plain import from_plain, in_words, to_plain
from metrology.surfaces.surface import prepare

UP = (0.0, 0.0, 1.0)


@pytest.fixture(scope="module")
def pad():
    """A bearing pad 250 × 180 × 30 with a hole of radius 15 at (60, 30)."""
    return prepare(solids.bearing_pad())


def test_a_flat_face_grows_to_its_sharp_edges_and_no_farther(pad):
    top = choose(Grown((0.0, 0.0, 30.0), 10.0), pad)
    # Closed form: the top less the bevel of 8 mm and the polygon of the hole.
    lines = 24
    hole = 0.5 * lines * 15.0**2 * np.sin(2 * np.pi / lines)
    assert top.area == pytest.approx((250 - 8) * 180 - hole, rel=2e-3)
    assert (pad.normals[top.faces] @ UP > 0.999).all()


def test_from_face_to_face_the_wall_of_a_hole_closes_round(pad):
    wall = choose(Grown((75.0, 30.0, 15.0), 30.0, "neighbour"), pad)
    middles = pad.vertices[pad.faces[wall.faces]].mean(axis=1)
    assert (np.hypot(middles[:, 0] - 60, middles[:, 1] - 30) < 15.001).all()
    assert wall.area == pytest.approx(2 * np.pi * 15 * 30, rel=0.01)


def test_compared_with_the_seed_the_wall_ends_where_it_has_turned_enough(pad):
    wall = choose(Grown((75.0, 30.0, 15.0), 45.0, "seed"), pad)
    assert 0.2 < wall.area / (2 * np.pi * 15 * 30) < 0.3


def test_the_two_sides_of_a_plate_are_told_apart_by_how_the_seed_looked(pad):
    between = (0.0, 0.0, 29.9)
    up = choose(Grown((0.0, 0.0, 0.4), 5.0, normal=(0.0, 0.0, -1.0)), pad)
    assert (pad.normals[up.faces] @ UP < -0.999).all()
    assert choose(Grown(between, 5.0, normal=(0.0, 0.0, -1.0)), pad).lost


def test_a_seed_far_from_any_face_is_lost_and_holds_nothing(pad):
    found = choose(Grown((0.0, 0.0, 60.0), 10.0), pad)
    assert len(found.lost) == 1 and found.count == 0 and found.area == 0


def test_a_seed_finds_its_face_again_on_a_finer_mesh_of_the_same_part():
    seed = Grown((0.0, 0.0, 30.0), 10.0, normal=UP)
    coarse, fine = (choose(seed, prepare(solids.bearing_pad(edge_mm=edge))) for edge in (30.0, 5.0))
    assert fine.count > 4 * coarse.count
    assert fine.area == pytest.approx(coarse.area, rel=5e-3)


def test_boxes_and_planes_cut_faces_and_the_area_is_that_of_the_part_inside(pad):
    strip = choose(AllOf((Box((-100.0, -90.0, 29.0), (0.0, 90.0, 31.0)), Facing(UP))), pad)
    assert strip.area == pytest.approx(100 * 180, rel=0.01)
    side = choose(AllOf((Beyond((1.0, 0.0, 0.0), 100.0), Facing(UP))), pad)
    assert side.area == pytest.approx(25 * 180, rel=0.02)
    base = choose(NearPlane(UP, 0.0, 0.5), pad)
    assert base.area == pytest.approx(250 * 180 - 702 + 0.5 * (2 * (250 + 180) + 2 * np.pi * 15), rel=0.01)


def test_combinations_are_those_of_sets(pad):
    top, left = Facing(UP), Beyond((0.0, 1.0, 0.0), 0.0)
    area = {name: choose(one, pad).area for name, one in {
        "top": top, "both": AllOf((top, left)), "either": AnyOf((top, left)), "left": left, "rest": Without(top, left),
    }.items()}  # fmt: skip
    assert area["either"] == pytest.approx(area["top"] + area["left"] - area["both"], rel=1e-9)
    assert area["rest"] == pytest.approx(area["top"] - area["both"], rel=1e-9)


def test_points_belong_as_their_faces_do(pad):
    top = choose(AllOf((Grown((0.0, 0.0, 30.0), 10.0), Box((0.0, 0.0, 0.0), (50.0, 50.0, 50.0)))), pad)
    points = np.array([[10.0, 10.0, 30.0], [-10.0, 10.0, 30.0], [10.0, 10.0, 0.0]])
    _, faces, closest, _ = pad.closest(points)
    assert top.holds(closest, faces).tolist() == [True, False, False]


def test_moving_the_part_and_the_seed_together_changes_nothing(pad):
    turn = np.array([[0.36, 0.48, -0.8], [-0.8, 0.6, 0.0], [0.48, 0.64, 0.6]])
    shift = np.array([400.0, -30.0, 77.0])
    there = prepare(Mesh(pad.vertices @ turn.T + shift, pad.faces))
    seed, way = np.array([75.0, 30.0, 15.0]), np.array([-1.0, 0.0, 0.0])
    here = choose(Grown(tuple(seed), 30.0, "neighbour", tuple(way)), pad)
    moved = choose(Grown(tuple(turn @ seed + shift), 30.0, "neighbour", tuple(turn @ way)), there)
    assert np.array_equal(here.mesh_faces, moved.mesh_faces)


EVERY_KIND = Without(
    AllOf((
        AnyOf((Grown((1.0, 2.0, 3.0), 10.0, "neighbour", (0.0, 0.0, 1.0)), Grown((4.0, 5.0, 6.0), 12.5))),
        Box((0.0, 0.0, 0.0), (1.0, 2.0, 3.0)),
        Facing((0.0, 1.0, 0.0), 30.0),
        NearPlane((0.0, 0.6, 0.8), 12.0, 0.5),
    )),
    Beyond((-1.0, 0.0, 0.0), 4.0),
)  # fmt: skip


def test_a_selection_is_the_same_after_being_kept():
    assert from_plain(to_plain(EVERY_KIND)) == EVERY_KIND


def test_words_say_every_condition():
    words = in_words(EVERY_KIND)
    for said in (
        "(1, 2, 3)",
        "10° from face to face",
        "12.5° from the first face",
        "x 0 to 1",
        "left within 30°",
        "x =",
    ):
        assert said in words


@pytest.mark.parametrize(
    "plain",
    [
        None,
        {},
        {"box": [1, 2]},
        {"box": [0, 0, 0, 1, 1, float("nan")]},
        {"grown": {"seed": [0, 0, 0], "angle": 0, "against": "seed"}},
        {"grown": {"seed": [0, 0, 0], "angle": 10, "against": "anything"}},
        {"facing": {"way": [0, 0, 0], "within": 45}},
        {"all": [{"all": [{"box": "x"}]}]},
        {"box": [0, 0, 0, 1, 1, 1], "near": {}},
        {"any": [{"box": [0, 0, 0, 1, 1, 1]}] * 300},
    ],
)
def test_what_is_no_selection_is_refused_by_name(plain):
    with pytest.raises(InputError) as refused:
        from_plain(plain)
    assert refused.value.code == "selection"
