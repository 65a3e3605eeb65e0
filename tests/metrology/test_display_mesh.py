"""Meshes for the screen keep the shape: areas and lengths of boxes and spheres are known in closed form."""

import numpy as np
import pytest
import trimesh

from metrology.bodies import Mesh
from metrology.pictures.display_mesh import display_mesh
from metrology.surfaces.surface import prepare

from .bodies_for_tests import box, corner_block, from_trimesh


def sphere(subdivisions: int) -> Mesh:
    return from_trimesh(trimesh.creation.icosphere(subdivisions, radius=50.0))


def area(shown) -> float:
    a, b, c = (shown.vertices[shown.faces[:, corner]] for corner in range(3))
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)


def longest(shown) -> float:
    corners = shown.vertices[shown.faces]
    return float(np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max())


def gaps(shown) -> int:
    """Edges without a partner running the other way, by place."""
    corners = np.round(shown.vertices[shown.faces], 6)
    ends = [(tuple(a), tuple(b)) for face in corners for a, b in zip(face, np.roll(face, -1, axis=0), strict=True)]
    there = set(ends)
    return sum((b, a) not in there for a, b in ends)


def test_a_corner_stands_once_for_each_side_that_meets_there():
    shown = display_mesh(prepare(box(100.0, 60.0, 40.0)))
    assert len(shown.vertices) == 24 and len(shown.faces) == 12 and len(shown.lines) == 12
    assert np.allclose(np.abs(shown.normals).max(axis=1), 1.0)
    assert shown.closed


def test_lines_are_the_edges_of_the_box():
    shown = display_mesh(prepare(box(100.0, 60.0, 40.0)))
    length = np.linalg.norm(np.diff(shown.vertices[shown.lines], axis=1), axis=2).sum()
    assert length == pytest.approx(4 * (100 + 60 + 40))


def test_triangles_are_halved_until_a_map_fits_on_them():
    mesh = corner_block()
    shown = display_mesh(prepare(mesh), spacing=5.0)
    assert longest(shown) <= 1.3 * 5.0
    assert area(shown) == pytest.approx(prepare(mesh).area, rel=1e-12)
    assert gaps(shown) == 0


def test_normals_of_new_corners_are_those_of_the_flat_side():
    shown = display_mesh(prepare(box()), spacing=8.0)
    assert np.allclose(np.abs(shown.normals).max(axis=1), 1.0)


def test_the_budget_of_triangles_is_kept_evenly():
    shown = display_mesh(prepare(corner_block()), spacing=0.5, most=9000)
    assert 3000 < len(shown.faces) <= 9000
    corners = shown.vertices[shown.faces]
    edges = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
    assert edges.max() < 4 * np.median(edges)


def test_a_surface_of_too_many_triangles_is_thinned_and_keeps_its_shape():
    whole = prepare(sphere(5))
    shown = display_mesh(whole, most=6000)
    assert len(whole.faces) == 20480 and 1500 < len(shown.faces) <= 6000
    assert area(shown) == pytest.approx(4 * np.pi * 50.0**2, rel=0.02)
    assert np.abs(np.linalg.norm(shown.vertices, axis=1) - 50.0).max() < 1.0


def test_thinning_keeps_sharp_edges():
    fine = display_mesh(prepare(box()), spacing=1.0)
    shown = display_mesh(prepare(Mesh(fine.vertices, fine.faces)), most=4000)
    assert len(shown.faces) <= 4000 and len(shown.lines)
    assert np.ptp(shown.vertices, axis=0) == pytest.approx([100, 60, 40], abs=3.0)
    assert np.allclose(np.abs(shown.normals).max(axis=1), 1.0, atol=1e-6)


def test_an_open_surface_says_so():
    mesh = box()
    assert not display_mesh(prepare(Mesh(mesh.vertices, mesh.faces[:-2]))).closed


def test_neighbours_in_the_list_are_neighbours_in_space():
    shown = display_mesh(prepare(sphere(5)))
    middles = shown.vertices[shown.faces].mean(axis=1)
    blocks = middles[: len(middles) // 8 * 8].reshape(-1, 8, 3)
    assert np.median(np.ptp(blocks, axis=1).max(axis=1)) < 12.0


def test_every_vertex_is_used_and_the_same_input_gives_the_same_mesh():
    one, two = (display_mesh(prepare(sphere(3)), spacing=3.0) for _ in range(2))
    used = np.union1d(one.faces, one.lines)
    assert np.array_equal(used, np.arange(len(one.vertices)))
    assert np.array_equal(one.vertices, two.vertices) and np.array_equal(one.faces, two.faces)
