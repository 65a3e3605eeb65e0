"""Smoothing along the surface: what it keeps, what it takes out, and where it stops."""

import numpy as np
import pytest
import trimesh

from metrology.bodies import Mesh
from metrology.moulds.smoothing import Places, smoother
from metrology.surfaces.surface import prepare, sample
from tests.metrology.bodies_for_tests import box, corner_block


def smoothed(mesh, field, length, *, seen=None, count=3000):
    """The smoothed field at the places themselves, with the places and what it rests on."""
    surface = prepare(mesh)
    places = sample(surface, count)
    values = field(places.points, places.normals)
    used = np.ones(len(values), dtype=bool) if seen is None else seen(places.points)
    ready = smoother(
        surface,
        Places(places.points, places.normals, places.faces),
        np.where(used, values, np.nan)[:, None],
        used,
        length,
    )
    found, resting = ready.at(places.points, places.normals, ready.patch_of_face[places.faces])
    return found[:, 0], places, resting


def test_a_constant_stays_as_it_is():
    found, _, resting = smoothed(corner_block(), lambda p, n: np.full(len(p), 0.7), 20.0)
    assert found == pytest.approx(0.7, abs=1e-6)
    assert (resting > 0.5).all()


def test_a_slope_is_kept_right_up_to_the_edges():
    found, places, _ = smoothed(corner_block(), lambda p, n: 0.004 * p[:, 0] - 0.003 * p[:, 2], 20.0)
    assert found == pytest.approx(0.004 * places.points[:, 0] - 0.003 * places.points[:, 2], abs=0.004)


def test_a_wave_is_weakened_as_by_a_normal_curve():
    """Closed form: a wave of length L keeps exp(−2 (π σ / L)²) of its height, away from edges."""
    length, wave = 15.0, 80.0
    found, places, _ = smoothed(
        box(400.0, 200.0, 40.0), lambda p, n: np.cos(2 * np.pi * p[:, 0] / wave), length, count=8000
    )
    inner = (places.normals[:, 2] > 0.9) & (np.abs(places.points[:, 0]) < 140) & (np.abs(places.points[:, 1]) < 50)
    truth = np.cos(2 * np.pi * places.points[inner, 0] / wave)
    kept = (found[inner] @ truth) / (truth @ truth)
    assert kept == pytest.approx(np.exp(-2 * (np.pi * length / wave) ** 2), abs=0.03)


def test_a_step_at_a_sharp_edge_stays_a_step():
    def field(points, normals):
        return np.where(normals[:, 2] > 0.9, 1.0, -1.0)

    found, places, _ = smoothed(corner_block(), field, 30.0)
    assert found == pytest.approx(field(places.points, places.normals), abs=1e-6)


def test_the_faces_of_a_thin_wall_stay_apart():
    def field(points, normals):
        return normals[:, 2].round()

    found, places, _ = smoothed(box(200.0, 200.0, 4.0), field, 25.0)
    assert found == pytest.approx(field(places.points, places.normals), abs=1e-6)


def test_the_sides_of_a_lens_stay_apart_though_no_edge_divides_them():
    """A flat ellipsoid is one smooth patch; its sides are 8 mm apart and smoothed over 25 mm."""
    ball = trimesh.creation.icosphere(4)
    lens = Mesh(ball.vertices * [150.0, 150.0, 4.0], ball.faces.astype(np.int64))

    def field(points, normals):
        return np.sign(points[:, 2])

    found, places, _ = smoothed(lens, field, 25.0)
    inner = np.linalg.norm(places.points[:, :2], axis=1) < 90
    assert found[inner] == pytest.approx(field(places.points, places.normals)[inner], abs=1e-6)


def test_two_floors_of_a_step_stay_apart():
    """Both look up and lie near each other, but a wall stands between them."""

    def field(points, normals):
        return np.where(points[:, 2] > 149.9, 1.0, np.where(normals[:, 2] > 0.9, -1.0, 0.0))

    found, places, _ = smoothed(corner_block(), field, 40.0)
    assert found == pytest.approx(field(places.points, places.normals), abs=1e-6)


def test_surface_that_was_not_measured_keeps_nothing_and_the_border_is_smooth():
    found, places, _ = smoothed(
        box(400.0, 200.0, 40.0), lambda p, n: np.ones(len(p)), 20.0, seen=lambda p: p[:, 0] < 0, count=6000
    )
    x = places.points[:, 0]
    assert found[x < -25] == pytest.approx(1.0, abs=1e-6)
    assert found[x > 35] == pytest.approx(0.0, abs=1e-6)
    top = np.flatnonzero((places.normals[:, 2] > 0.9) & (np.abs(places.points[:, 1]) < 60))
    order = top[np.argsort(x[top])]
    assert np.diff(found[order]).min() > -0.35 and np.diff(found[order]).max() < 0.1


def test_noise_is_taken_out():
    """Closed form: white noise at places a apart keeps a / (2 σ √π) of its size under a normal curve in the plane."""
    surface = prepare(box(400.0, 200.0, 40.0))
    places = sample(surface, 4000)
    noise = np.random.default_rng(2).normal(0, 1, (len(places.points), 60))
    used = np.ones(len(noise), dtype=bool)
    ready = smoother(surface, Places(places.points, places.normals, places.faces), noise, used, 25.0)
    at = np.array([[x, y, 20.0] for x in (-80, 0, 80) for y in (-20, 20)], dtype=np.float64)
    up = np.tile([0.0, 0.0, 1.0], (len(at), 1))
    patch = ready.patch_of_face[places.faces[np.argmax(places.normals[:, 2])]]
    found = ready.at(at, up, np.full(len(at), patch))[0]
    assert np.sqrt((found**2).mean()) == pytest.approx(places.spacing / (2 * np.sqrt(np.pi) * 25.0), rel=0.12)


def test_moving_the_part_changes_next_to_nothing():
    turn = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    mesh = corner_block()
    moved = Mesh(mesh.vertices @ turn.T + [777.0, -31.0, 5.0], mesh.faces)
    bump = np.array([60.0, 60.0, 150.0])

    def field(points, normals):
        return np.exp(-0.5 * (np.linalg.norm(points - bump, axis=1) / 40) ** 2)

    def field_moved(points, normals):
        return field((points - [777.0, -31.0, 5.0]) @ turn, normals)

    one, _, _ = smoothed(mesh, field, 20.0)
    other, _, _ = smoothed(moved, field_moved, 20.0)
    assert other == pytest.approx(one, abs=0.02)
