"""Vertices move so that every face goes where it should: mitred edges and corners, and what is asked of nothing."""

import numpy as np
import pytest
import trimesh

from metrology.moulds.pattern import nominal_pattern, refined
from metrology.moulds.untangling import turned_faces
from metrology.moulds.vertices import corners_of, motions
from metrology.pictures.edges import find_edges
from metrology.surfaces.surface import prepare
from tests.metrology.bodies_for_tests import box, corner_block, from_trimesh


def prism(degrees: float):
    """A long roof whose two sides meet at the ridge with normals that many degrees apart."""
    half = np.radians(degrees) / 2
    section = np.array(
        [[0.0, 0.0], [100.0 * np.cos(half), -100.0 * np.sin(half)], [-100.0 * np.cos(half), -100.0 * np.sin(half)]]
    )
    ends = [np.column_stack([np.full(3, x), section]) for x in (0.0, 200.0)]
    return from_trimesh(trimesh.convex.convex_hull(np.concatenate(ends)))


def moved_by(mesh, offset_of, finest=30.0, weight_of=None):
    """The pattern and its motion when every patch with normal n is to go offset_of(n) outward."""
    surface = prepare(mesh)
    pattern = refined(nominal_pattern(surface), finest)
    patches = find_edges(surface.faces, surface.normals).patch
    corners = corners_of(surface, pattern, patches, np.zeros(len(surface.faces), dtype=bool))
    offset = np.array([offset_of(normal) for normal in corners.normals])
    weight = np.ones(len(offset)) if weight_of is None else np.array([weight_of(n) for n in corners.normals])
    return surface, pattern, motions(pattern, corners, offset, weight)


@pytest.mark.parametrize("degrees", [40.0, 60.0, 90.0, 120.0])
def test_both_sides_of_a_ridge_go_as_far_as_each_should(degrees):
    """Closed form: a mitre. Each vertex of the ridge lies on both moved planes."""
    surface, pattern, motion = moved_by(prism(degrees), lambda n: {1: 0.8, -1: 0.3}.get(np.sign(n[1].round(3)), 0.0))
    normals = surface.normals[pattern.parents]
    for side, far in ((1, 0.8), (-1, 0.3)):
        rows = (np.sign(normals[:, 1]) == side) & (normals[:, 2] > 0) & (np.abs(normals[:, 0]) < 0.1)
        out = np.einsum("fkj,fj->fk", motion[pattern.faces[rows]], normals[rows])
        assert out == pytest.approx(far, abs=0.02 if degrees < 60 else 1e-6)


def test_a_box_that_grows_evenly_stays_a_box():
    surface, pattern, motion = moved_by(box(100.0, 60.0, 40.0), lambda n: 0.5)
    moved = pattern.nominal + motion
    for axis, half in enumerate((50.0, 30.0, 20.0)):
        side = np.abs(pattern.nominal[:, axis]) == half
        assert np.abs(moved[side, axis]) == pytest.approx(half + 0.5, abs=1e-9)
    assert np.abs(moved).max(axis=0) == pytest.approx([50.5, 30.5, 20.5], abs=1e-9)


def test_every_vertex_of_a_face_goes_as_far_as_the_face_should():
    surface, pattern, motion = moved_by(corner_block(), lambda n: 0.4)
    normals = surface.normals[pattern.parents]
    assert np.einsum("fkj,fj->fk", motion[pattern.faces], normals) == pytest.approx(0.4, abs=1e-9)


def test_a_wall_whose_rim_is_lifted_stretches_evenly():
    """Slivers right below the rim would fold if the rim went up alone. Evenly to within what slivers allow."""
    surface, pattern, motion = moved_by(box(100.0, 60.0, 3.0), lambda n: 1.0 if n[2] > 0.9 else 0.0, finest=5.0)
    wall = np.abs(pattern.nominal[:, 0]) == 50.0
    height, up = pattern.nominal[wall, 2], motion[wall, 2]
    assert up[height == 1.5] == pytest.approx(1.0) and up[height == -1.5] == pytest.approx(0.0, abs=1e-9)
    assert up == pytest.approx((height + 1.5) / 3.0, abs=0.35)
    assert not turned_faces(surface, pattern, pattern.nominal + motion).any()


def test_a_floor_of_which_nothing_is_asked_stays_flat():
    """The top is asked to rise; the floor goes along with the walls it hangs on, as one."""
    _, pattern, motion = moved_by(
        box(100.0, 60.0, 40.0), lambda n: 1.0 if n[2] > 0.9 else 0.0, weight_of=lambda n: 0.0 if n[2] < -0.9 else 1.0
    )
    floor = motion[pattern.nominal[:, 2] < -19.9]
    assert np.ptp(floor[:, 2]) < 0.01 and np.abs(floor[:, :2]).max() < 0.01


def test_an_island_of_unknown_surface_is_lifted_with_the_rest():
    surface = prepare(box(120.0, 120.0, 40.0))
    pattern = refined(nominal_pattern(surface), 12.0)
    patches = find_edges(surface.faces, surface.normals).patch
    corners = corners_of(surface, pattern, patches, np.zeros(len(surface.faces), dtype=bool))
    at = pattern.nominal[corners.vertex]
    hidden = (corners.normals[:, 2] > 0.9) & (np.linalg.norm(at[:, :2], axis=1) < 30)
    motion = motions(pattern, corners, np.where(corners.normals[:, 2] > 0.9, 0.7, 0.0), np.where(hidden, 0.0, 1.0))
    top = (pattern.nominal[:, 2] > 19.9) & (np.linalg.norm(pattern.nominal[:, :2], axis=1) < 30)
    assert motion[top, 2] == pytest.approx(0.7, abs=0.01)
