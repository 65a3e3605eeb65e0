"""Closed forms throughout: the deviation given to every point is known, and so is the face it was taken from."""

import numpy as np
import pytest
import trimesh

from fixtures.lattice import refined
from metrology.alignment.pose import Pose
from metrology.bodies import Mesh
from metrology.comparison.measuring import measure
from metrology.comparison.thin_walls import tell_sides
from metrology.surfaces.columns import split_columns
from metrology.surfaces.facing import facing
from metrology.surfaces.surface import prepare, sample
from tests.metrology.bodies_for_tests import from_trimesh, scan_of

PLACED = Pose(np.eye(4), 0.1, 0.0, 0, True, None, False)
UP = np.array([0.0, 0.0, 1.0])


def plate(thickness: float = 2.0) -> Mesh:
    return refined(from_trimesh(trimesh.creation.box((200.0, 120.0, thickness))), 20.0)


def told(mesh, moved, *, points=30_000, noise=0.05, seen=None):
    """What is told of a scan whose points are moved by `moved(at, normals)`, (n, 3) mm: share of points credited to the
    wrong side before and after, share with a wrong deviation after, share of the surface undecided."""
    scan = scan_of(mesh, points, noise=0.0, seen=seen)
    at, rng = scan.nominal, np.random.default_rng(5)
    surface = prepare(mesh)
    normals = surface.normals[surface.closest(np.ascontiguousarray(at))[1]]
    shift = moved(at, normals)
    points = at + shift + rng.normal(scale=noise, size=at.shape)
    samples = sample(surface, len(points) // 16)
    found = measure(surface, samples, PLACED, points, lambda *_: None)
    sides = tell_sides(surface, samples, found, np.ones(len(points), dtype=bool))
    after = found.credited(sides.moved, sides.values, sides.owners)
    normals, truth = normals[found.order], np.einsum("ij,ij->i", shift, normals)[found.order]
    wrong = [(np.einsum("ij,ij->i", samples.normals[each.owners], normals) < 0).mean() for each in (found, after)]
    off = np.abs(after.values - truth) > 4 * noise
    return wrong[0], wrong[1], off.mean(), sides.undecided.mean()


def bow(mm):
    return lambda at, normals: mm * (1 - (at[:, :1] / 100) ** 2) * UP


def test_a_plate_within_a_quarter_of_its_thickness_is_left_alone():
    before, after, _, undecided = told(plate(), lambda at, normals: 0.0 * at)
    assert before == after < 1e-4 and undecided == 0


@pytest.mark.parametrize(("mm", "noise"), [(1.5, 0.05), (-1.5, 0.2), (5.0, 0.05)])
def test_both_sides_of_a_bowed_plate_keep_their_points(mm, noise):
    before, after, off, undecided = told(plate(), bow(mm), noise=noise)
    assert before > 0.2 and after < 0.002
    assert off < 0.02 and undecided < 0.01


def test_noise_of_a_quarter_of_the_thickness_leaves_the_sides_apart():
    before, after, _, undecided = told(plate(), lambda at, normals: 0.0 * at, noise=0.5)
    # Closed form: 2.3 % of normal noise lies beyond two standard deviations; single points cannot be told.
    assert before == pytest.approx(0.0228, abs=0.004) and after < 0.03
    assert undecided < 0.02


def test_noise_of_half_the_thickness_is_said_to_be_undecidable():
    assert told(plate(), lambda at, normals: 0.0 * at, noise=1.0)[3] > 0.5


def test_a_dent_deeper_than_half_the_wall_belongs_to_the_side_it_is_in():
    def dent(at, normals):
        inside = (normals[:, 2] > 0.5) & (np.hypot(at[:, 0], at[:, 1]) < 20)
        return np.where(inside, -1.5, 0.0)[:, None] * UP

    before, after, off, _ = told(plate(), dent)
    assert before > 0.02 and after < 0.01 and off < 0.01


def test_a_sheet_seen_from_one_side_keeps_the_side_where_it_began():
    before, after, off, undecided = told(plate(), bow(-1.4), seen=lambda at, normals: normals[:, 2] > 0.5)
    assert before > 0.5 and after < 0.001
    assert off < 0.02 and undecided == 0


def test_a_sheet_that_would_suit_either_side_is_undecided():
    assert told(plate(), bow(-2.5), seen=lambda at, normals: normals[:, 2] > 0.5)[3] > 0.8


def test_a_tube_that_is_out_of_round_by_most_of_its_wall():
    tube = refined(from_trimesh(trimesh.creation.annulus(48.0, 50.0, 100.0, sections=120)), 15.0)

    def oval(at, normals):
        out = at * [1, 1, 0] / np.linalg.norm(at[:, :2], axis=1)[:, None]
        return 1.6 * ((at[:, 0] ** 2 - at[:, 1] ** 2) / 2450)[:, None] * out

    before, after, off, _ = told(tube, oval)
    assert before > 0.2 and after < 0.005 and off < 0.02


def test_a_wall_grown_into_a_narrow_slot_keeps_its_points():
    halves = [trimesh.creation.box((40.0, 60.0, 40.0)) for _ in range(2)]
    for half, x in zip(halves, (-20.75, 20.75), strict=True):
        half.apply_translation((x, 0, 0))
    slot = refined(from_trimesh(trimesh.util.concatenate(halves)), 10.0)

    def grown(at, normals):
        return np.where((normals[:, 0] > 0.5) & (at[:, 0] < 0), 1.1, 0.0)[:, None] * [1.0, 0, 0]

    before, after, off, _ = told(slot, grown)
    assert before > 0.05 and after < 0.01 and off < 0.01


def test_thickness_and_gap_are_those_of_the_drawing():
    surface = prepare(plate(3.0))
    samples = sample(surface, 2000)
    wall = facing(surface, samples, -1.0)
    flat = np.abs(samples.normals[:, 2]) > 0.9
    assert wall.apart[flat] == pytest.approx(3.0)
    assert (samples.normals[wall.partner[flat]] @ UP == -(samples.normals[flat] @ UP)).all()
    assert (facing(surface, samples, 1.0).partner == -1).all()


def test_columns_of_one_layer_and_of_two():
    rng = np.random.default_rng(3)
    one, two = rng.normal(0, 0.1, 60), np.concatenate([rng.normal(0, 0.1, 30), rng.normal(2, 0.1, 30)])
    found = split_columns(
        np.repeat([0, 1], 60), np.concatenate([one, two]), np.array([[0], [1], [2]]), np.array([2.0, 2.0, 2.0])
    )
    assert found.means[0] == pytest.approx([one.mean(), np.nan], nan_ok=True)
    assert found.means[1] == pytest.approx([two[:30].mean(), two[30:].mean()])
    assert np.isnan(found.means[2]).all()
    assert found.layer(np.array([0, 1, 1]), np.array([5.0, 0.2, 1.9])).tolist() == [0, 0, 1]
