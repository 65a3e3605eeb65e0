"""Facts of solids against closed forms, and against trimesh as a second reader (COMPUTED)."""

import math

import numpy as np
import pytest
import trimesh

from metrology.bodies import Mesh
from metrology.surfaces.mesh_facts import mesh_facts

from .files_by_hand import BOX, BOX_FACES

BOX_MESH = Mesh(BOX, BOX_FACES)


def joined(*meshes: Mesh) -> Mesh:
    offsets = np.cumsum([0] + [len(m.vertices) for m in meshes])
    return Mesh(
        np.concatenate([m.vertices for m in meshes]),
        np.concatenate([m.faces + o for m, o in zip(meshes, offsets, strict=False)]),
    )


def moved(mesh: Mesh, *by: float) -> Mesh:
    return Mesh(mesh.vertices + by, mesh.faces)


def test_a_box_has_its_area_volume_and_size():
    facts = mesh_facts(BOX_MESH)
    assert (facts.triangles, facts.vertices, facts.shells) == (12, 8, 1)
    assert facts.watertight and facts.consistently_wound
    assert facts.size == (4, 3, 2)
    assert facts.area == pytest.approx(2 * (12 + 8 + 6), rel=1e-14)
    assert facts.volume == pytest.approx(24, rel=1e-14)


def test_a_regular_tetrahedron_has_its_area_and_volume():
    corners = np.array([(1.0, 1, 1), (1, -1, -1), (-1, 1, -1), (-1, -1, 1)])
    facts = mesh_facts(Mesh(corners, np.array([(0, 1, 2), (0, 3, 1), (0, 2, 3), (1, 3, 2)])))
    edge = 2 * math.sqrt(2)
    assert facts.area == pytest.approx(math.sqrt(3) * edge**2)
    assert facts.volume == pytest.approx(edge**3 / (6 * math.sqrt(2)))


def test_a_fine_sphere_comes_close_to_the_closed_form_and_meets_trimesh():
    ball = trimesh.creation.icosphere(subdivisions=5, radius=50)
    facts = mesh_facts(Mesh(np.array(ball.vertices), np.array(ball.faces, dtype=np.int64)))
    assert facts.volume == pytest.approx(4 / 3 * math.pi * 50**3, rel=2e-3)
    assert facts.area == pytest.approx(4 * math.pi * 50**2, rel=2e-3)
    assert facts.volume == pytest.approx(ball.volume, rel=1e-12)
    assert facts.area == pytest.approx(ball.area, rel=1e-12)
    assert facts.watertight == ball.is_watertight


def test_volume_keeps_its_digits_far_from_the_origin():
    far = moved(Mesh(BOX / 10, BOX_FACES), 1e6, -2e6, 3e6)
    assert mesh_facts(far).volume == pytest.approx(0.024, rel=1e-7)


def test_a_box_without_one_face_is_open_but_still_consistently_wound():
    facts = mesh_facts(Mesh(BOX, BOX_FACES[1:]))
    assert not facts.watertight
    assert facts.consistently_wound
    assert facts.volume is None


def test_one_turned_face_is_neither_closed_nor_consistent():
    faces = BOX_FACES.copy()
    faces[3] = faces[3, ::-1]
    facts = mesh_facts(Mesh(BOX, faces))
    assert not facts.watertight
    assert not facts.consistently_wound


def test_a_doubled_face_is_neither_closed_nor_consistent():
    facts = mesh_facts(Mesh(BOX, np.concatenate([BOX_FACES, BOX_FACES[:1]])))
    assert not facts.watertight
    assert not facts.consistently_wound


def test_a_closed_surface_laid_twice_over_itself_is_not_watertight():
    facts = mesh_facts(Mesh(BOX, np.concatenate([BOX_FACES, BOX_FACES])))
    assert not facts.watertight
    assert not facts.consistently_wound


def test_a_box_inside_out_has_negative_volume():
    assert mesh_facts(Mesh(BOX, BOX_FACES[:, ::-1])).volume == pytest.approx(-24)


def test_two_boxes_apart_are_two_shells():
    facts = mesh_facts(joined(BOX_MESH, moved(BOX_MESH, 10, 0, 0)))
    assert facts.shells == 2
    assert facts.watertight
    assert facts.volume == pytest.approx(48)


def test_boxes_that_share_only_a_corner_are_two_shells():
    other = moved(BOX_MESH, 4, 3, 2)
    corner = np.where(BOX_FACES == 0, 7, BOX_FACES + 8)  # the far corner of one is the near corner of the other
    facts = mesh_facts(Mesh(np.concatenate([BOX, other.vertices]), np.concatenate([BOX_FACES, corner])))
    assert facts.shells == 2


def test_a_cavity_takes_its_volume_away():
    small = Mesh(BOX / 4 + 1, BOX_FACES[:, ::-1])
    assert mesh_facts(joined(BOX_MESH, small)).volume == pytest.approx(24 - 24 / 64)


def test_faces_without_area_are_counted():
    corners = np.concatenate([BOX, [(0.0, 0, 1)]])  # on the edge from corner 0 to corner 1
    faces = np.concatenate([BOX_FACES, [(0, 8, 1), (2, 2, 3)]])
    assert mesh_facts(Mesh(corners, faces)).faces_without_area == 2
