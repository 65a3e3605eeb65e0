import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from metrology.bodies import Mesh
from metrology.errors import InputError, Stopped
from metrology.surfaces.deviation import PIECE, neighbour_order, signed_deviation
from metrology.surfaces.surface import prepare, sample
from tests.metrology.bodies_for_tests import box, corner_block, from_trimesh

BALL = from_trimesh(trimesh.creation.icosphere(5, radius=50.0))

# Point; signed distance to the box 100 × 60 × 40 and to the sphere of radius 50 in 20,480 facets, outside positive.
# COMPUTED with trimesh 5.2.0 and libigl 2.6.3, which agree; the box values are closed forms too.
PUBLISHED = [
    ((0, 0, 0), -20, -49.9857582),
    ((10, 20, 30), 10, -12.5740097),
    ((60, 0, 0), 10, 10),
    ((0, -75, 0), 45, 25),
    ((30, 40, 50), 31.6227766, 20.7198198),
    ((55, 55, 55), 43.3012702, 45.2770362),
    ((49, 0, 0), -1, -0.999733642),
    ((50, 0, 0), 0, 0),
    ((80, 0, 5), 30, 30.1591426),
    ((0, 60, -12), 30, 11.1910062),
    ((60, 60, 0), 31.6227766, 34.8549481),
    ((-20, -30, 10), 0, -12.5740097),
]


@pytest.mark.parametrize(("at", "from_box", "from_ball"), PUBLISHED)
def test_deviation_from_box_and_sphere_agrees_with_two_libraries(at, from_box, from_ball):
    point = np.array([at], dtype=float)
    assert signed_deviation(point, box()).values[0] == pytest.approx(from_box, abs=1e-7)
    assert signed_deviation(point, BALL).values[0] == pytest.approx(from_ball, abs=1e-7)


def test_deviation_from_a_sphere_follows_the_closed_form_within_the_height_of_its_facets():
    points = np.random.default_rng(1).normal(size=(3000, 3)) * 40
    values = signed_deviation(points, BALL).values
    assert np.abs(values - (np.linalg.norm(points, axis=1) - 50)).max() < 0.01425


def test_deviation_agrees_with_trimesh_around_notches_and_corners():
    block = corner_block()
    points = np.random.default_rng(2).uniform([-40, -40, -40], [340, 240, 190], (1500, 3))
    found = signed_deviation(points, block)
    body = trimesh.Trimesh(block.vertices, block.faces)
    # COMPUTED here with trimesh, whose sign is positive inside.
    assert found.values == pytest.approx(-trimesh.proximity.signed_distance(body, points), abs=1e-9)
    assert np.linalg.norm(points - found.closest, axis=1) == pytest.approx(np.abs(found.values), abs=1e-9)


def test_closest_point_lies_on_the_face_named():
    block = corner_block()
    found = signed_deviation(np.random.default_rng(3).uniform(-50, 300, (500, 3)), block)
    a, b, c = (block.vertices[block.faces[found.faces, k]] for k in range(3))
    shares = trimesh.triangles.points_to_barycentric(np.stack([a, b, c], axis=1), found.closest)
    assert shares.min() > -1e-9


def test_sign_is_outside_past_the_tip_of_a_spike_whichever_face_is_named():
    spike = from_trimesh(trimesh.creation.cone(5.0, 200.0, sections=5))
    rng = np.random.default_rng(4)
    around = np.array([0.0, 0.0, 200.5]) + rng.normal(scale=0.1, size=(200, 3))
    assert (signed_deviation(around, spike).values > 0).all()


def test_an_open_surface_has_an_outside_where_its_normals_point():
    plate = Mesh(np.array([[0.0, 0, 0], [10, 0, 0], [10, 10, 0], [0, 10, 0]]), np.array([[0, 1, 2], [0, 2, 3]]))
    points = np.array([[5.0, 5, 2], [5, 5, -2], [13, 5, 4], [13, 5, -4], [5, 5, 0]])
    assert signed_deviation(points, plate).values == pytest.approx([2, -2, 5, -5, 0])


def test_unwelded_faces_and_faces_without_area_change_nothing():
    block = corner_block()
    points = np.random.default_rng(5).uniform(-40, 340, (2000, 3))
    loose = Mesh(block.vertices[block.faces].reshape(-1, 3), np.arange(3 * len(block.faces)).reshape(-1, 3))
    padded = Mesh(block.vertices, np.vstack([[[0, 0, 1], [5, 5, 5]], block.faces]))
    expected = signed_deviation(points, block)
    assert (signed_deviation(points, loose).values == expected.values).all()
    found = signed_deviation(points, padded)
    assert (found.values == expected.values).all()
    assert found.faces.min() >= 2


def test_moving_points_and_nominal_together_changes_nothing():
    block = corner_block()
    points = np.random.default_rng(6).uniform(-40, 340, (2000, 3))
    turn, shift = Rotation.from_rotvec([0.4, -1.1, 2.0]).as_matrix(), np.array([900.0, -400, 2500])
    moved = signed_deviation(points @ turn.T + shift, Mesh(block.vertices @ turn.T + shift, block.faces))
    assert moved.values == pytest.approx(signed_deviation(points, block).values, abs=1e-9)


def test_no_points_give_no_deviations():
    assert signed_deviation(np.empty((0, 3)), box()).values.shape == (0,)


@pytest.mark.parametrize(
    ("mesh", "code"),
    [
        (Mesh(np.empty((0, 3)), np.empty((0, 3), dtype=np.int64)), "empty-nominal"),
        (Mesh(np.eye(3), np.array([[0, 0, 1]])), "empty-nominal"),
        (Mesh(np.full((3, 3), np.nan), np.array([[0, 1, 2]])), "empty-nominal"),
        (Mesh(box().vertices, box().faces[:, ::-1]), "inside-out"),
    ],
)
def test_a_nominal_that_cannot_be_measured_from_is_refused(mesh, code):
    with pytest.raises(InputError) as refused:
        signed_deviation(np.zeros((1, 3)), mesh)
    assert refused.value.code == code


def test_progress_is_reported_before_and_after_every_piece_and_can_stop():
    shares: list[float] = []

    def note(stage: str, share: float) -> None:
        shares.append(share)
        if share > 0.5:
            raise Stopped

    points = np.random.default_rng(7).uniform(-60, 60, (2 * PIECE, 3))
    with pytest.raises(Stopped):
        signed_deviation(points, box(), progress=note)
    assert shares == [0.0, 0.5, 1.0]


def test_neighbour_order_is_a_rearrangement_that_shortens_the_way():
    points = np.random.default_rng(8).uniform(0, 100, (5000, 3))
    order = neighbour_order(points)
    assert (np.sort(order) == np.arange(5000)).all()
    assert np.linalg.norm(np.diff(points[order], axis=0), axis=1).mean() < 15


def test_samples_share_the_area_evenly_between_large_and_small_faces():
    # Closed form: the top of the low step is 125 × 200 of 266,250 mm².
    samples = sample(prepare(corner_block()), 5000)
    low_step = (np.abs(samples.points[:, 2] - 75) < 1e-9) & (samples.normals[:, 2] > 0.9)
    assert low_step.mean() == pytest.approx(125 * 200 / 266_250, rel=0.02)
    assert samples.spacing == pytest.approx(np.sqrt(266_250 / 5000))
    nearest = samples.nearest(samples.points, samples.normals, 2)[0][:, 1]
    assert np.quantile(nearest, 0.05) > 0.4 * samples.spacing
