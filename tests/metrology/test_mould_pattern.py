"""The pattern: refined without a crack, read as a surface again, and free of crossings where it should be."""

import numpy as np
import pytest
import trimesh

from metrology.bodies import Mesh
from metrology.errors import InputError
from metrology.moulds.pattern import moved_at, nominal_pattern, offset_at, refined, stl_bytes
from metrology.reading import read_mesh
from metrology.surfaces.mesh_facts import mesh_facts
from metrology.surfaces.self_crossing import crossing_faces
from metrology.surfaces.surface import prepare, sample
from tests.metrology.bodies_for_tests import box, corner_block, from_trimesh


@pytest.mark.parametrize("mesh", [box(), corner_block(), from_trimesh(trimesh.creation.cylinder(20, 90))])
def test_refining_keeps_the_surface_and_closes_every_seam(mesh):
    surface = prepare(mesh)
    fine = refined(nominal_pattern(surface), 9.0)
    facts, before = mesh_facts(fine.mesh), mesh_facts(mesh)
    assert (
        facts.watertight and facts.area == pytest.approx(before.area) and facts.volume == pytest.approx(before.volume)
    )
    sides = np.diff(fine.moved[fine.faces][:, [0, 1, 2, 0]], axis=1)
    assert np.linalg.norm(sides, axis=2).max() <= 9.0
    normals = np.cross(sides[:, 0], sides[:, 1])
    along = np.einsum("ij,ij->i", normals / np.linalg.norm(normals, axis=1)[:, None], surface.normals[fine.parents])
    assert along == pytest.approx(1.0)


def test_a_pattern_that_is_fine_enough_stays_as_it_is():
    pattern = nominal_pattern(prepare(corner_block()))
    assert refined(pattern, 1000.0) is pattern


def test_a_motion_is_carried_to_new_vertices():
    surface = prepare(box())
    coarse = nominal_pattern(surface, (1.01, 0.99, 1.02))
    fine = refined(coarse, 8.0)
    assert fine.moved == pytest.approx(fine.nominal * [1.01, 0.99, 1.02])


def test_a_surface_too_large_to_be_so_fine_is_refused():
    with pytest.raises(InputError) as refused:
        refined(nominal_pattern(prepare(box(5000.0, 5000.0, 50.0))), 5.0)
    assert refused.value.code == "too-fine"


def test_the_offset_of_a_scaled_pattern_is_known_in_closed_form():
    surface = prepare(box(100.0, 60.0, 40.0))
    places = sample(surface, 300)
    outward = offset_at(nominal_pattern(surface, (1.01, 1.0, 0.98)), places.points, places.normals)
    expected = 0.5 * np.abs(places.normals[:, 0]) - 0.4 * np.abs(places.normals[:, 2])
    assert outward == pytest.approx(expected, abs=1e-9)


def test_a_linear_motion_is_linear_between_the_vertices():
    surface = prepare(corner_block())
    pattern = nominal_pattern(surface)
    places = sample(surface, 500)
    motion = pattern.nominal * [0.01, -0.02, 0.005]
    assert moved_at(pattern, motion, places.points) == pytest.approx(places.points * [0.01, -0.02, 0.005], abs=1e-9)


def test_the_stl_is_read_back_closed_and_in_millimetres(tmp_path):
    mesh = refined(nominal_pattern(prepare(corner_block())), 20.0).mesh
    path = tmp_path / "cavity.stl"
    path.write_bytes(stl_bytes(mesh, "Cavity surface of M-07, mm"))
    again, reference = read_mesh(path, unit="mm"), trimesh.load(path)
    assert mesh_facts(again).watertight and reference.is_watertight
    assert reference.volume == pytest.approx(mesh_facts(mesh).volume, rel=1e-6)
    assert path.read_bytes().startswith(b"Cavity surface of M-07, mm")


def test_a_sound_surface_does_not_cross_itself():
    assert len(crossing_faces(corner_block())) == 0
    assert len(crossing_faces(from_trimesh(trimesh.creation.icosphere(2)))) == 0


def test_crossing_bodies_are_found_face_by_face():
    """Second route: every pair of faces of two spheres, by segment against triangle one at a time."""
    one, other = trimesh.creation.icosphere(1), trimesh.creation.icosphere(1)
    other.apply_translation([1.3, 0.21, 0.07])
    both = from_trimesh(trimesh.util.concatenate([one, other]))
    found = {tuple(pair) for pair in crossing_faces(both).tolist()}
    corners = both.vertices[both.faces]
    count = len(one.faces)
    expected = {
        (a, b)
        for a in range(count)
        for b in range(count, 2 * count)
        if _crosses(corners[a], corners[b]) or _crosses(corners[b], corners[a])
    }
    assert found == expected and len(found) > 20


def test_a_thin_wall_pushed_through_itself_is_found():
    mesh = refined(nominal_pattern(prepare(box(100.0, 60.0, 2.0))), 10.0).mesh
    vertices = mesh.vertices.copy()
    dent = np.exp(-0.5 * (np.linalg.norm(vertices[:, :2], axis=1) / 15.0) ** 2)
    vertices[:, 2] -= 3.0 * dent * (vertices[:, 2] > 0)
    assert len(crossing_faces(Mesh(vertices, mesh.faces))) > 0


def _crosses(edges: np.ndarray, face: np.ndarray) -> bool:
    a, b, c = face
    normal = np.cross(b - a, c - a)
    for k in range(3):
        start, end = edges[k], edges[(k + 1) % 3]
        above, below = (start - a) @ normal, (end - a) @ normal
        if above * below >= 0:
            continue
        at = start + (end - start) * above / (above - below)
        shares = [np.cross(q - p, at - p) @ normal for p, q in ((a, b), (b, c), (c, a))]
        if min(shares) > 0:
            return True
    return False
