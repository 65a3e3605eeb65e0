"""A changed pattern still leaves its mould; and a pattern that would fold is drawn back."""

import numpy as np
import pytest
import trimesh

from metrology.bodies import Mesh
from metrology.moulds.limits import held_faces, keep_releasing, sides
from metrology.moulds.pattern import nominal_pattern, refined
from metrology.moulds.release import undercut_by_face
from metrology.moulds.untangling import turned_faces, untangled
from metrology.surfaces.self_crossing import crossing_faces
from metrology.surfaces.surface import prepare
from tests.metrology.bodies_for_tests import box, corner_block, from_trimesh

UP = np.array([0.0, 0.0, 1.0])


def trough(draft: float):
    """An open-face block, wide side up, 200 × 120 × 60 mm, whose walls lean out by `draft` mm over the height."""
    low, high = np.array([100.0, 60.0]) - draft, np.array([100.0, 60.0])
    corners = [
        (sx * half[0], sy * half[1], z) for half, z in ((low, 0.0), (high, 60.0)) for sx in (-1, 1) for sy in (-1, 1)
    ]
    return from_trimesh(trimesh.convex.convex_hull(np.array(corners)))


def set_up(mesh, kind="open-face", finest=8.0):
    surface = prepare(mesh)
    pattern = refined(nominal_pattern(surface), finest)
    filled = (surface.normals[:, 2] > 0.99) if kind == "open-face" else np.zeros(len(surface.normals), dtype=bool)
    return surface, pattern, filled, sides(surface, pattern, UP, kind, filled)


def belly(pattern, mm):
    """Walls pushed out by mm at half height, not at all at floor and rim."""
    out = np.sign(pattern.nominal[:, :2]) * (np.abs(pattern.nominal[:, :2]) > [90.0, 52.0])
    height = pattern.nominal[:, 2] / 60.0
    motion = np.zeros_like(pattern.nominal)
    motion[:, :2] = mm * out * np.sin(np.pi * np.clip(height, 0, 1))[:, None]
    return pattern.nominal + motion


def undercut(surface, pattern, moved, filled, kind="open-face"):
    shape = prepare(Mesh(moved, pattern.faces))
    return undercut_by_face(shape, UP, kind, filled[pattern.parents[shape.mesh_faces]]).sum()


def test_a_belly_in_an_upright_wall_would_hold_the_part_and_is_flattened():
    surface, pattern, filled, shown = set_up(trough(0.0))
    wanted = belly(pattern, 1.0)
    assert undercut(surface, pattern, wanted, filled) > 5000
    kept = keep_releasing(pattern.faces, pattern.nominal, wanted, shown, UP)
    assert undercut(surface, pattern, kept.moved, filled) < 1.0
    assert kept.leaning > 100 and not held_faces(pattern.faces, pattern.nominal, kept.moved, shown, UP).any()


def test_what_is_kept_grows_towards_the_rim_and_is_not_simply_given_up():
    """Seen along the pull a wall may only widen upwards: the nearest such curve to a belly is no flat wall."""
    surface, pattern, filled, shown = set_up(trough(0.0))
    kept = keep_releasing(pattern.faces, pattern.nominal, belly(pattern, 1.0), shown, UP)
    front = np.abs(pattern.nominal[:, 0] - 100.0) < 1e-9
    middle = front & (np.abs(pattern.nominal[:, 1]) < 30)
    out = kept.moved[middle, 0] - 100.0
    order = np.argsort(pattern.nominal[middle, 2], kind="stable")
    height, out = pattern.nominal[middle, 2][order], out[order]
    levels = np.array([out[height == z].mean() for z in np.unique(height)])
    assert np.diff(levels).min() > -0.02
    assert levels[-1] > 0.25 and np.abs(kept.moved[:, 2] - pattern.nominal[:, 2]).max() == 0.0


def test_a_wall_that_leans_out_enough_takes_the_whole_belly():
    """The belly falls by at most π mm on 60 mm: less than a lean of 8 mm on 60 mm gives back."""
    surface, pattern, filled, shown = set_up(trough(8.0))
    wanted = belly(pattern, 1.0)
    kept = keep_releasing(pattern.faces, pattern.nominal, wanted, shown, UP)
    assert kept.leaning == 0 and np.array_equal(kept.moved, wanted)
    assert undercut(surface, pattern, wanted, filled) < 1.0


def test_each_half_of_a_two_part_mould_keeps_its_faces():
    surface, pattern, filled, shown = set_up(box(200.0, 120.0, 60.0), "two-part")
    normals = surface.normals[pattern.parents]
    assert (shown[normals[:, 2] > 0.9] == 1).all() and (shown[normals[:, 2] < 0.5] == -1).all()
    shifted = belly(type(pattern)(pattern.nominal + [0, 0, 30.0], pattern.moved, pattern.faces, pattern.parents), 1.0)
    kept = keep_releasing(pattern.faces, pattern.nominal, shifted - [0, 0, 30.0], shown, UP)
    assert undercut(surface, pattern, kept.moved, filled, "two-part") < 1.0


def test_every_face_of_a_block_belongs_to_a_half_that_can_leave_it():
    """The corner block's notch opens upwards; its upright walls let go both ways: they go with the lower half."""
    surface, pattern, _, shown = set_up(corner_block(), "two-part", finest=40.0)
    assert set(shown[np.abs(surface.normals[pattern.parents][:, 2]) < 0.1]) <= {-1, 1}
    assert (shown != 0).all()


def test_faces_that_hold_already_are_left_free():
    surface, pattern, filled, shown = set_up(trough(-5.0))
    walls = np.abs(surface.normals[pattern.parents][:, 2]) < 0.9
    assert (shown[walls] == 0).all()


def test_a_fold_is_drawn_back_and_the_rest_kept():
    surface, pattern, filled, shown = set_up(box(200.0, 120.0, 60.0), "two-part", finest=10.0)
    moved = pattern.nominal.copy()
    moved[:, 2] += 0.5
    one = int(np.argmin(np.linalg.norm(pattern.nominal - [40.0, 10.0, 30.0], axis=1)))
    moved[one, 0] += 35.0
    assert turned_faces(surface, pattern, moved).any()
    kept, drawn_back, crossing = untangled(surface, pattern, pattern.nominal, moved, 0 * shown, UP)
    assert not turned_faces(surface, pattern, kept).any() and crossing == 0
    assert 0 < drawn_back < 30
    far = np.linalg.norm(pattern.nominal - pattern.nominal[one], axis=1) > 60
    assert np.array_equal(kept[far], moved[far])


def test_walls_that_would_run_through_each_other_are_drawn_back():
    surface, pattern, filled, shown = set_up(box(200.0, 120.0, 3.0), "two-part", finest=10.0)
    dent = np.exp(-0.5 * (np.linalg.norm(pattern.nominal[:, :2], axis=1) / 25.0) ** 2) * (pattern.nominal[:, 2] > 0)
    moved = pattern.nominal - 5.0 * dent[:, None] * UP
    assert len(crossing_faces(Mesh(moved, pattern.faces)))
    kept, drawn_back, crossing = untangled(surface, pattern, pattern.nominal, moved, shown, UP)
    assert crossing == 0 and drawn_back and not len(crossing_faces(Mesh(kept, pattern.faces)))


@pytest.mark.parametrize("kind", ["open-face", "two-part"])
def test_a_pattern_that_is_not_moved_is_not_touched(kind):
    surface, pattern, filled, shown = set_up(trough(3.0), kind)
    kept = keep_releasing(pattern.faces, pattern.nominal, pattern.nominal, shown, UP)
    assert kept.leaning == kept.eased == 0 and not kept.short.any()
