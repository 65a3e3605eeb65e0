"""Wall thickness from opposite measured surfaces.

Closed forms: a plate, a wedge (the ray meets the other side at the wedge's angle), a hollow sphere and a tube (R − r).
Second route for where rays end: trimesh 5.2 (COMPUTED here, test-only)."""

from dataclasses import replace

import numpy as np
import pytest
import trimesh

from fixtures import solids
from metrology.bodies import Mesh
from metrology.comparison.thickness import thickness, wall_figures
from metrology.comparison.thickness_words import wall_sentence
from metrology.surfaces.surface import prepare, sample

from .bodies_for_tests import box, from_trimesh


def plate(size=(300.0, 200.0, 12.0), count=6000):
    surface = prepare(box(*size))
    return surface, sample(surface, count)


def measured(surface, samples, deviation=0.0):
    return thickness(surface, samples.points, samples.normals, np.broadcast_to(deviation, len(samples.points)))


def figures(found, samples, which=None, **kwargs):
    which = np.arange(len(samples.points)) if which is None else np.flatnonzero(which)
    return wall_figures(found, samples.points, which, **{"instrument_mm": 0.1, "noise_mm": 0.0} | kwargs)


def walls_of(found, which, share=0.9):
    """Rows of `which` that are walls: all but those beside an edge."""
    rows = np.flatnonzero(which & np.isfinite(found.nominal))
    assert len(rows) > share * np.count_nonzero(which)
    return rows


def faces(samples, axis, sign):
    return samples.normals[:, axis] * sign > 0.9


def wedge(rise):
    """A block 300 × 200 × 40 whose underside rises by so much for each 1 forward."""
    body = box(300.0, 200.0, 40.0)
    vertices = body.vertices.copy()
    low = vertices[:, 2] < 0
    vertices[low, 2] += rise * (vertices[low, 0] + 150.0)
    surface = prepare(Mesh(vertices, body.faces))
    return surface, sample(surface, 9000)


def test_a_plate_on_its_nominal_is_as_thick_as_drawn():
    surface, samples = plate()
    found = measured(surface, samples)
    top = walls_of(found, faces(samples, 2, 1))
    assert found.nominal[top] == pytest.approx(12.0, abs=1e-9)
    assert found.measured[top] == pytest.approx(12.0, abs=1e-9)
    told = figures(found, samples)
    # Closed form: top and underside, less half the distance between samples all round; along the plate it is no wall.
    area = 2 * (300 * 200 + 300 * 12 + 200 * 12)
    off = np.sqrt(area / 6000)
    assert told.walls == pytest.approx(2 * (300 - off) * (200 - off) / area, abs=0.005)
    assert told.measured == 1.0


def test_both_sides_count():
    surface, samples = plate()
    found = measured(surface, samples, np.where(faces(samples, 2, 1), 0.3, np.where(faces(samples, 2, -1), -0.1, 0.0)))
    for sign in (1, -1):
        assert found.measured[walls_of(found, faces(samples, 2, sign))] == pytest.approx(12.2, abs=1e-9)


def test_a_rounded_edge_is_not_taken_for_a_thin_wall():
    surface, samples = plate()
    edge = np.min([150 - np.abs(samples.points[:, 0]), 100 - np.abs(samples.points[:, 1])], axis=0)
    off = np.sqrt(surface.area / 6000)
    found = measured(surface, samples, np.where(edge < 0.5 * off, -1.0, 0.0))
    assert np.isnan(found.nominal[edge < 0.45 * off]).all() and np.isfinite(found.nominal[edge > 0.6 * off]).all()


def test_a_bow_moves_both_faces_and_leaves_the_thickness():
    surface, samples = plate()
    found = measured(surface, samples, 2.0 * np.cos(samples.points[:, 0] / 100) * samples.normals[:, 2])
    inner = faces(samples, 2, 1) & (np.abs(samples.points[:, :2]) < 60).all(axis=1)
    assert found.measured[inner] == pytest.approx(12.0, abs=0.05)


def test_a_wedge_is_as_thick_as_its_place_along_it():
    surface, samples = wedge(0.1)
    found = measured(surface, samples)
    top = walls_of(found, samples.normals[:, 2] > 0.99)
    # From the top straight down: 40 − 0.1 (x + 150). From the underside at right angles to it: to the top, 1 / cos of
    # the lean times the height above, at the place it left from.
    assert found.nominal[top] == pytest.approx(40 - 0.1 * (samples.points[top, 0] + 150), abs=1e-9)
    under = walls_of(found, samples.normals[:, 2] < -0.9)
    assert found.nominal[under] == pytest.approx((20 - samples.points[under, 2]) * np.hypot(1, 0.1), abs=1e-9)


def test_a_slanting_wall_that_grows_is_measured_along_the_ray():
    surface, samples = wedge(0.1)
    under = samples.normals[:, 2] < -0.9
    found = measured(surface, samples, np.where(under, 0.5, 0.0))
    top = samples.normals[:, 2] > 0.99
    assert np.nanmedian((found.measured - found.nominal)[top]) == pytest.approx(0.5 * np.hypot(1, 0.1), abs=1e-9)


def test_a_hollow_sphere_is_as_thick_as_the_difference_of_its_radii():
    outer, inner = (trimesh.creation.icosphere(subdivisions=5, radius=radius) for radius in (80.0, 65.0))
    inner.invert()
    surface = prepare(from_trimesh(trimesh.util.concatenate([outer, inner])))
    samples = sample(surface, 8000)
    outside = np.linalg.norm(samples.points, axis=1) > 72
    found = measured(surface, samples, np.where(outside, 0.4, -0.2))
    # Facets lie within their spheres by up to 0.02 mm, and rays meet them at up to 2.7°: 0.2 × (1 / cos − 1) = 0.0003.
    assert found.nominal == pytest.approx(15.0, abs=0.02)
    assert (found.measured - found.nominal) == pytest.approx(0.2, abs=3e-4)


def test_a_tube_is_as_thick_as_the_difference_of_its_radii():
    tube = from_trimesh(trimesh.creation.annulus(r_min=30.0, r_max=36.0, height=200.0, sections=360))
    surface = prepare(tube)
    samples = sample(surface, 8000)
    found = measured(surface, samples)
    round_about = walls_of(found, np.abs(samples.normals[:, 2]) < 0.1)
    assert found.nominal[round_about] == pytest.approx(6.0, abs=0.01)


@pytest.mark.parametrize("body", [solids.ring_segment, solids.drip_channel])
def test_trimesh_meets_the_other_side_at_the_same_place(body):
    mesh = body()
    surface = prepare(mesh)
    samples = sample(surface, 2000)
    samples = replace(samples, points=samples.points[::3], normals=samples.normals[::3])
    found = measured(surface, samples)
    other = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    starts = samples.points - 1e-4 * samples.normals
    at, ray, _ = other.ray.intersects_location(starts, -samples.normals, multiple_hits=True)
    first = np.full(len(starts), np.inf)
    np.minimum.at(first, ray, np.linalg.norm(at - samples.points[ray], axis=1))
    walls = np.isfinite(found.nominal)
    assert walls.sum() > 200 and found.nominal[walls] == pytest.approx(first[walls], abs=1e-6)


def test_where_one_side_was_not_scanned_nothing_is_measured():
    surface, samples = plate()
    found = measured(surface, samples, np.where(faces(samples, 2, -1), np.nan, 0.0))
    level = faces(samples, 2, 1) | faces(samples, 2, -1)
    assert np.isnan(found.measured[level]).all()
    assert figures(found, samples, level).measured == 0.0 and np.isnan(figures(found, samples, level).least)


def test_an_open_surface_has_no_walls():
    corners = np.array([[0.0, 0, 0], [100, 0, 0], [100, 80, 0], [0, 80, 0]])
    sheet = prepare(Mesh(corners, np.array([[0, 1, 2], [0, 2, 3]])))
    samples = sample(sheet, 400)
    told = figures(measured(sheet, samples), samples)
    assert told.walls == 0 and np.isnan(told.least) and np.isnan(told.least_at).all()


def test_a_corner_is_not_a_wall():
    prism = trimesh.Trimesh(
        [[0, 0, 0], [100, 0, 0], [0, 0, 20], [0, 90, 0], [100, 90, 0], [0, 90, 20]],
        [[0, 1, 2], [3, 5, 4], [0, 3, 4], [0, 4, 1], [1, 4, 5], [1, 5, 2], [2, 5, 3], [2, 3, 0]],
    )
    prism.fix_normals()
    surface = prepare(from_trimesh(prism))
    samples = sample(surface, 2000)
    found = measured(surface, samples)
    # From the upright side the ray meets the slanting one, which leans by 11.3° from level, at 78.7°.
    assert np.isnan(found.nominal[faces(samples, 0, -1)]).all()
    assert np.isfinite(found.nominal[faces(samples, 2, -1)]).mean() > 0.9


def test_figures_name_the_thinnest_place_and_the_largest_loss():
    surface, samples = wedge(0.1)
    top = samples.normals[:, 2] > 0.99
    row = int(np.flatnonzero(top & (samples.points[:, 0] < -100))[3])
    deviation = np.zeros(len(samples.points))
    deviation[row] = -1.5
    found = measured(surface, samples, deviation)
    told = figures(found, samples, top)
    thin = int(np.flatnonzero(top)[np.nanargmin(found.measured[top])])
    assert told.least == pytest.approx(40 - 0.1 * (samples.points[thin, 0] + 150), abs=1e-9) == told.least_nominal
    assert told.least_at == pytest.approx(samples.points[thin]) and told.least < 12
    assert told.loss == pytest.approx(-1.5, abs=1e-9) and told.loss_at == pytest.approx(samples.points[row])
    assert told.loss_nominal == pytest.approx(40 - 0.1 * (samples.points[row, 0] + 150), abs=1e-9)


def test_the_mean_is_told_beside_the_mean_nominal_of_the_same_places():
    surface, samples = plate()
    top = faces(samples, 2, 1)
    half = samples.points[:, 0] > 0
    found = measured(surface, samples, np.where(half, np.nan, np.where(top, -0.4, 0.0)))
    told = figures(found, samples, top)
    assert told.mean == pytest.approx(11.6, abs=1e-9) and told.mean_nominal == pytest.approx(12.0, abs=1e-9)
    assert told.measured == pytest.approx(0.5, abs=0.03)


def test_uncertainty_adds_the_scanner_on_both_sides_and_the_noise_of_both_means():
    surface, samples = plate()
    found = measured(surface, samples)
    told = figures(found, samples, faces(samples, 2, 1), instrument_mm=0.1, noise_mm=0.03)
    # Two sides that err alike by U = 0.1 mm each; two means of 3 points each, k = 2.
    scatter = 2 * 0.03 / np.sqrt(3) * np.sqrt(2)
    assert told.least_uncertainty == pytest.approx(np.hypot(0.2, scatter), abs=1e-12)
    count = np.isfinite(found.measured[faces(samples, 2, 1)]).sum()
    assert told.mean_uncertainty == pytest.approx(np.hypot(0.2, scatter / np.sqrt(count)), abs=1e-12)


def test_a_slanting_wall_is_less_sure():
    surface, samples = wedge(0.1)
    told = figures(measured(surface, samples), samples, samples.normals[:, 2] > 0.99, noise_mm=float("nan"))
    assert told.least_uncertainty == pytest.approx(0.1 * (1 + np.hypot(1, 0.1)), abs=1e-12)


@pytest.mark.parametrize("by", [(900.0, -40.0, 5.0), (4_000_000.0, -250_000.0, 30.0)])
def test_moving_the_part_changes_nothing(by):
    surface, samples = plate()
    deviation = np.random.default_rng(4).normal(0, 0.1, len(samples.points))
    turn = np.array([[0.36, 0.48, -0.8], [-0.8, 0.6, 0.0], [0.48, 0.64, 0.6]])
    there = prepare(Mesh(surface.vertices @ turn.T + by, surface.faces))
    here = measured(surface, samples, deviation)
    moved = thickness(there, samples.points @ turn.T + by, samples.normals @ turn.T, deviation)
    assert moved.measured == pytest.approx(here.measured, abs=1e-6, nan_ok=True)


def test_walls_are_told_in_a_sentence():
    surface, samples = wedge(0.1)
    top = samples.normals[:, 2] > 0.99
    found = measured(surface, samples, np.where(samples.points[:, 0] > 100, -0.5, 0.0) * top)
    said = wall_sentence(figures(found, samples, top))
    assert said.startswith("Both sides of 100\u00a0% of the walls were measured. The thinnest is 9.")
    assert "sure to 0.20\u00a0mm" in said and "too thin" in said


@pytest.mark.parametrize(
    ("deviation", "said"), [(np.nan, "scan the other side"), (0.2, "Nowhere is a wall thinner than nominal.")]
)
def test_walls_without_a_loss_or_a_measurement_say_so(deviation, said):
    surface, samples = plate()
    assert said in wall_sentence(figures(measured(surface, samples, deviation), samples))
