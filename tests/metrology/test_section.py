"""Sections: the outline in a plane, the deviation along it, and what is said of it.

Closed forms: a plane cuts a sphere in a circle of radius √(R² − d²), a cylinder across its axis in a circle and at an
angle in an ellipse. Second route: trimesh 5.2 (COMPUTED here, test-only)."""

import numpy as np
import pytest
import trimesh

from fixtures import solids
from metrology.bodies import Mesh
from metrology.errors import InputError
from metrology.sections.cut import Measured, cut, outline
from metrology.sections.planes import plane_across, plane_through
from metrology.sections.words import section_figures, section_sentence, worst_places
from metrology.surfaces.surface import prepare, sample

from .bodies_for_tests import from_trimesh

PAD = prepare(solids.bearing_pad())
SAMPLES = sample(PAD, 8000)
TOP, UNDER = SAMPLES.normals[:, 2] > 0.9, SAMPLES.normals[:, 2] < -0.9


def measured(deviation=0.0, lower=-1.0, upper=1.0):
    lower, upper, deviation = (np.broadcast_to(value, len(SAMPLES.points)) for value in (lower, upper, deviation))
    return Measured(SAMPLES.points, SAMPLES.normals, deviation, lower, upper, (-1.0, 1.0))


def lengths(segments):
    return np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1)


def test_the_outline_across_a_block_is_as_long_as_its_sides():
    segments, _ = outline(PAD, plane_across("y", -60.0))
    # Closed form: 250 × 30 with one corner of 8 × 8 bevelled off.
    assert lengths(segments).sum() == pytest.approx(2 * (250 + 30) - 16 + 8 * np.sqrt(2), abs=1e-6)
    assert segments[:, :, 1] == pytest.approx(-60.0)


@pytest.mark.parametrize("far", [0.0, 30.0, -45.0])
def test_a_sphere_is_cut_in_a_circle(far):
    ball = prepare(from_trimesh(trimesh.creation.icosphere(subdivisions=5, radius=60.0)))
    segments, _ = outline(ball, plane_through((1.0, 2.0, -2.0), (far / 3, 2 * far / 3, -2 * far / 3)))
    radius = np.sqrt(60.0**2 - far**2)
    # The mesh lies up to a chord's height within the sphere; the height of its longest edge over a chord.
    sag = 60.0 - np.sqrt(60.0**2 - (ball.diagonal / 100) ** 2)
    middle = np.array([1.0, 2.0, -2.0]) * far / 3
    assert np.linalg.norm(segments - middle, axis=2) == pytest.approx(radius, abs=2 * sag)
    assert lengths(segments).sum() == pytest.approx(2 * np.pi * radius, rel=2e-3)


def test_a_cylinder_is_cut_at_an_angle_in_an_ellipse():
    tube = prepare(from_trimesh(trimesh.creation.cylinder(radius=40.0, height=300.0, sections=720)))
    lean = np.radians(35.0)
    segments, _ = outline(tube, plane_through((np.sin(lean), 0.0, np.cos(lean)), (0.0, 0.0, 10.0)))
    along = np.array([np.cos(lean), 0.0, -np.sin(lean)])
    u, v = (segments - [0, 0, 10.0]) @ along, segments[:, :, 1]
    assert (u / (40.0 / np.cos(lean))) ** 2 + (v / 40.0) ** 2 == pytest.approx(1.0, abs=1e-4)


@pytest.mark.parametrize("body", [solids.bearing_pad, solids.ring_segment, solids.rail_post, solids.drip_channel])
@pytest.mark.parametrize("way", [(0.0, 0.0, 1.0), (1.0, 2.0, 0.5)])
def test_trimesh_cuts_the_same_outline(body, way):
    mesh = body()
    surface = prepare(mesh)
    plane = plane_through(way, tuple(surface.centroid + 0.37))
    segments, _ = outline(surface, plane)
    other = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    found = trimesh.intersections.mesh_plane(other, plane.normal, plane.normal * plane.offset)
    assert lengths(segments).sum() == pytest.approx(np.linalg.norm(found[:, 1] - found[:, 0], axis=1).sum(), rel=1e-9)
    assert segments.reshape(-1, 3).min(axis=0) == pytest.approx(found.reshape(-1, 3).min(axis=0), abs=1e-6)
    assert segments.reshape(-1, 3).max(axis=0) == pytest.approx(found.reshape(-1, 3).max(axis=0), abs=1e-6)


def test_an_outline_is_closed():
    for plane in (plane_across("z", 12.0), plane_through((1.0, 2.0, 0.5), (10.0, 5.0, 15.0))):
        segments, _ = outline(PAD, plane)
        ends = np.round(segments.reshape(-1, 3), 6)
        _, count = np.unique(ends, axis=0, return_counts=True)
        assert (count % 2 == 0).all()


def test_a_plane_through_corners_cuts_as_one_beside_them():
    at, beside = (outline(PAD, plane_across("x", 125.0 - 8.0 + by))[0] for by in (0.0, 1e-7))
    assert lengths(at).sum() == pytest.approx(lengths(beside).sum(), abs=1e-5)


@pytest.mark.parametrize(
    ("plane", "said"),
    [
        (plane_across("x", 300.0), "x = 300\u00a0mm does not cut the part, which reaches from x = −125.0 to 125.0"),
        (plane_across("y", -300.0), "y = −300\u00a0mm does not cut the part, which reaches from y = −90.0 to 90.0"),
        (plane_through((1, 1, 0), (200, 200, 0)), "it passes 130.8\u00a0mm beside it. The nearest corner"),
    ],
)
def test_a_plane_beside_the_part_says_where_the_part_is(plane, said):
    with pytest.raises(InputError) as refused:
        cut(PAD, plane, measured())
    assert refused.value.code == "beside" and said in refused.value.sentence


@pytest.mark.parametrize(
    "make",
    [
        lambda: plane_across("w", 1.0),
        lambda: plane_across("x", float("nan")),
        lambda: plane_through((0.0, 0.0, 0.0), (1.0, 1.0, 1.0)),
        lambda: plane_through((0.0, float("inf"), 0.0), (1.0, 1.0, 1.0)),
        lambda: plane_through((0.0, 0.0, 1.0), (1.0, float("inf"), 1.0)),
    ],
)
def test_a_plane_that_is_none_is_refused(make):
    with pytest.raises(InputError) as refused:
        make()
    assert refused.value.code == "plane"


def test_a_plane_given_by_an_axis_is_the_plane_across_it():
    typed = plane_through((0.0, -1e-300, 0.0), (5.0, 40.0, 5.0))
    assert (typed.axis, typed.offset, typed.name) == ("y", 40.0, "y = 40\u00a0mm")
    assert (typed.view.words[1], typed.view.words[2]) == ("forward", "up")


def test_a_slanting_section_says_which_way_it_is_seen():
    right, left = plane_through((1.0, 1.0, 0.0), (0.0, 0.0, 0.0)).view.words[1::-1]
    assert {right, left} == {"back, left", "forward, right"}


def test_the_deviation_along_the_outline_is_that_of_the_surface():
    section = cut(PAD, plane_across("y", -60.0), measured(0.002 * SAMPLES.points[:, 0] * TOP))
    inner = (section.outward[:, 2] > 0.9) & (np.abs(section.at[:, 0]) < 110)
    assert section.deviation[inner] == pytest.approx(0.002 * section.at[inner, 0], abs=0.01)
    assert section.deviation[section.outward[:, 2] < -0.9] == pytest.approx(0.0, abs=0.01)


def test_both_sides_of_a_thin_plate_keep_their_own():
    plate = prepare(from_trimesh(trimesh.creation.box((300.0, 200.0, 2.0))))
    samples = sample(plate, 6000)
    side = samples.normals[:, 2]
    limits = np.full(6000, 1.0)
    section = cut(
        plate, plane_across("x", 20.0), Measured(samples.points, samples.normals, side * 0.3, -limits, limits, (-1, 1))
    )
    for way in (1, -1):
        assert section.deviation[section.outward[:, 2] * way > 0.9] == pytest.approx(0.3 * way, abs=1e-6)


def test_each_place_is_held_to_the_limits_of_its_own_region():
    section = cut(PAD, plane_across("y", -60.0), measured(0.3, np.where(TOP, -0.1, -1.0), np.where(TOP, 0.1, 1.0)))
    top = section.outward[:, 2] > 0.9
    inner = top & (np.abs(section.at[:, 0]) < 110)
    assert (section.upper[inner] == 0.1).all() and (section.upper[section.outward[:, 2] < -0.9] == 1.0).all()
    assert worst_places(section)[0].outside and worst_places(section)[0].direction == "too high"


def test_outward_points_out_of_the_material():
    section = cut(PAD, plane_across("z", 15.0), measured())
    assert (PAD.closest(np.ascontiguousarray(section.at + 0.01 * section.outward))[0] > 0).all()
    assert section.outward @ section.plane.normal == pytest.approx(0.0, abs=1e-12)


def test_what_was_not_measured_stays_open_on_the_outline():
    section = cut(PAD, plane_across("y", -60.0), measured(np.where(SAMPLES.points[:, 0] > 0, np.nan, 0.1)))
    assert np.isnan(section.deviation[section.at[:, 0] > 12]).all()
    assert section_figures(section).measured_share == pytest.approx(0.5, abs=0.05)


def test_figures_count_by_length_of_outline():
    # 0.5 on top and 0 below and on the sides: of 2 × (250 + 30) less the bevel, the top without it has 242.
    section = cut(PAD, plane_across("y", -60.0), measured(np.where(TOP, 0.5, 0.0), -0.4, 0.4))
    found = section_figures(section)
    assert found.length == pytest.approx(544 + 8 * np.sqrt(2), abs=1e-6)
    assert found.mean == pytest.approx(0.5 * 242 / found.length, abs=0.005)
    assert found.inside_share == pytest.approx(1 - 242 / found.length, abs=0.01)
    assert (found.lowest, found.highest) == pytest.approx((0.0, 0.5), abs=1e-9)


def test_places_that_follow_each_other_are_joined_all_the_way_round():
    section = cut(PAD, plane_across("y", -60.0), measured())
    assert np.bincount(section.joins.reshape(-1)).tolist() == [2] * len(section.at)
    reach = section.length.max()
    for column in section.joins.T:
        assert np.linalg.norm(section.at[column] - section.joints, axis=1).max() <= reach / 2 + 1e-9


def test_worst_places_stand_apart_and_are_worth_naming():
    bumps = np.zeros(len(SAMPLES.points))
    for x, high in ((-90.0, 0.8), (-20.0, -0.7), (95.0, 0.6), (40.0, 0.2)):
        bumps[TOP & (np.abs(SAMPLES.points[:, 0] - x) < 12)] = high
    found = worst_places(cut(PAD, plane_across("y", -60.0), measured(bumps)), 4)
    assert [round(place.value, 1) for place in found] == [0.8, -0.7, 0.6]
    assert [place.number for place in found] == [1, 2, 3]
    assert found[1].sentence.startswith("−0.70\u00a0mm, too low at x −")


def test_a_section_is_told_in_a_sentence():
    said = section_sentence(cut(PAD, plane_across("y", -60.0), measured(np.where(TOP, 1.2, 0.1))))
    assert "100\u00a0% of the outline was measured, and 56\u00a0% of that lies within the limits." in said
    assert "The worst is 1.2\u00a0mm too high at x" in said and said.endswith("the limits there are ±1.0\u00a0mm.")


@pytest.mark.parametrize(
    ("deviation", "said"),
    [
        (np.nan, "Nothing of this outline was measured."),
        (0.0, "all of that lies within the limits. Nothing deviates by 0.01\u00a0mm."),
        (2.0, "none of it lies within the limits."),
    ],
)
def test_a_section_without_much_to_tell_says_so(deviation, said):
    assert said in section_sentence(cut(PAD, plane_across("y", -60.0), measured(deviation)))


def test_moving_the_part_moves_the_section_with_it():
    turn = np.array([[0.36, 0.48, -0.8], [-0.8, 0.6, 0.0], [0.48, 0.64, 0.6]])
    by = np.array([900.0, -40.0, 5.0])
    field = 0.3 * np.sin(SAMPLES.points[:, 0] / 30)
    here = cut(PAD, plane_across("y", -60.0), measured(field))
    there = prepare(Mesh(PAD.vertices @ turn.T + by, PAD.faces))
    limits = np.full(len(field), 1.0)
    moved = cut(
        there,
        plane_through(tuple(turn[:, 1]), tuple(turn @ [0.0, -60.0, 0.0] + by)),
        Measured(SAMPLES.points @ turn.T + by, SAMPLES.normals @ turn.T, field, -limits, limits, (-1.0, 1.0)),
    )
    assert moved.at == pytest.approx(here.at @ turn.T + by, abs=1e-6)
    assert moved.deviation == pytest.approx(here.deviation, abs=1e-6, nan_ok=True)
