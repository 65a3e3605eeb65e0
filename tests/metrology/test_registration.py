import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from benchmarks.accuracy import SCENES, flattest_place, with_bump
from fixtures.scenes import take
from fixtures.shapes import SHAPES
from metrology.alignment.pose_search import reflected
from metrology.alignment.registration import fit_rotation, register
from metrology.alignment.voxels import Target
from metrology.bodies import Cloud
from metrology.errors import AlignmentError, InputError, Stopped
from metrology.rotation import rotation_grid, turned_by, vector_of
from metrology.surfaces.surface import prepare, sample
from tests.metrology.bodies_for_tests import box, corner_block, from_trimesh, misplaced, patch, scan_of

# Eight noisy box corners. COMPUTED with scipy 1.17.1 Rotation.align_vectors; open3d 0.20 point-to-point agrees.
CORNERS = np.array([[x, y, z] for z in (0.0, 400.0) for y in (0.0, 600.0) for x in (0.0, 1000.0)])
CORNERS = CORNERS[[0, 1, 2, 4, 3, 5, 6, 7]]
SEEN = np.array(
    [
        [123.401, -56.551, 889.963],
        [936.753, 384.043, 1268.126],
        [-158.478, 473.508, 879.037],
        [-13.718, -121.725, 1260.445],
        [655.343, 913.343, 1257.790],
        [800.738, 318.327, 1638.560],
        [-296.267, 406.923, 1248.529],
        [518.364, 847.904, 1628.108],
    ]
)
TURN = [
    [0.81390452, -0.46960951, -0.34209112],
    [0.44058766, 0.8826976, -0.16348537],
    [0.3787373, -0.01765964, 0.92533572],
]
SHIFT = [123.11581578, -56.68453477, 889.68185018]


def test_rotation_fit_agrees_with_two_libraries_on_noisy_box_corners():
    turn, shift, rms = fit_rotation(CORNERS, SEEN)
    assert turn == pytest.approx(np.array(TURN), abs=1e-7)
    assert shift == pytest.approx(np.array(SHIFT), abs=1e-7)
    assert rms == pytest.approx(0.62865281, abs=1e-7)


def test_rotation_fit_agrees_with_scipy_on_chance_points():
    rng = np.random.default_rng(1)
    source = rng.normal(size=(50, 3)) * 100
    target = source @ Rotation.from_quat(rng.normal(size=4)).as_matrix().T + 500 + rng.normal(size=(50, 3))
    turn, _, rms = fit_rotation(source, target)
    # COMPUTED here with scipy.spatial.transform.Rotation.align_vectors.
    peer, distance = Rotation.align_vectors(target - target.mean(axis=0), source - source.mean(axis=0))
    assert turn == pytest.approx(peer.as_matrix(), abs=1e-9)
    assert rms == pytest.approx(distance / np.sqrt(50))


def test_rotation_fit_never_mirrors():
    source = np.random.default_rng(2).normal(size=(20, 3))
    turn, _, rms = fit_rotation(source, source * [-1.0, 1.0, 1.0])
    assert np.linalg.det(turn) == pytest.approx(1.0)
    assert rms > 0.1


def test_rotation_fit_never_scales():
    turn, _, rms = fit_rotation(CORNERS, CORNERS * 1.1)
    assert turn == pytest.approx(np.eye(3), abs=1e-12)
    # Closed form: each corner is left a tenth of its distance from the middle away.
    assert rms == pytest.approx(0.1 * np.linalg.norm([500, 300, 200]))


@pytest.mark.parametrize(
    ("source", "code"),
    [
        (np.zeros((2, 3)), "unpaired"),
        (np.full((4, 3), np.nan), "not-a-number"),
        (np.outer(np.arange(5.0), [1, 2, 3]), "on-one-line"),
        (np.ones((4, 3)), "on-one-line"),
    ],
)
def test_rotation_fit_refuses_what_fixes_no_rotation(source, code):
    with pytest.raises(InputError) as refused:
        fit_rotation(source, source)
    assert refused.value.code == code


def test_turns_agree_with_scipy():
    vectors = np.array([[0.0, 0, 0], [1e-9, 0, 0], [0.3, -0.2, 0.1], [0, 0, np.pi], [4.0, 1.0, -2.0]])
    assert turned_by(vectors) == pytest.approx(Rotation.from_rotvec(vectors).as_matrix(), abs=1e-12)


@pytest.mark.parametrize("vector", [[0.3, -0.2, 0.1], [0, 0, np.pi], [np.pi / 2, 0, 0], [0, 0, 0], [1e-9, 0, 0]])
def test_a_rotation_gives_back_its_vector(vector):
    assert vector_of(turned_by(np.array([vector]))[0]) == pytest.approx(vector, abs=1e-12)


def test_rotation_grid_leaves_no_rotation_far_from_a_start():
    some = Rotation.random(2000, random_state=3).as_quat()
    grid = Rotation.from_matrix(rotation_grid(72)).as_quat()
    away = np.degrees(2 * np.arccos(np.abs(some @ grid.T).max(axis=1).clip(max=1.0)))
    assert away.max() < 60 and np.median(away) < 30


@pytest.mark.parametrize("seed", range(4))
def test_pose_from_metres_away_is_within_a_fiftieth_of_a_millimetre_despite_a_bump_and_strays(seed):
    block = corner_block()
    scan = scan_of(block, seed=seed, strays=1000, grown=patch((80.0, 120.0, 150.0), 30.0, 0.8))
    pose = register(scan.cloud, block)
    degrees, mm = misplaced(pose.matrix, scan.pose, block)
    assert mm < 0.02 and degrees < 0.01
    assert pose.converged and not pose.ambiguous
    assert pose.rms == pytest.approx(0.05, rel=0.1)


def test_pose_agrees_with_the_fit_of_known_pairs():
    block = corner_block()
    scan = scan_of(block, seed=9)
    pose = register(scan.cloud, block).matrix
    # COMPUTED here: scipy's fit of the 20,000 true positions to the points scanned from them.
    scanned, nominal = scan.cloud.points, scan.nominal
    peer, _ = Rotation.align_vectors(nominal - nominal.mean(axis=0), scanned - scanned.mean(axis=0))
    apart = Rotation.from_matrix(pose[:3, :3]) * peer.inv()
    assert np.degrees(np.linalg.norm(apart.as_rotvec())) < 0.01
    middle = scanned.mean(axis=0)
    assert pose[:3, :3] @ middle + pose[:3, 3] == pytest.approx(nominal.mean(axis=0), abs=0.02)


def test_a_fifth_of_strays_and_an_unseen_underside_do_not_move_the_pose():
    block = corner_block()
    scan = scan_of(block, seed=4, strays=4000, seen=lambda at, way: (way[:, 2] > -0.5) & (at[:, 1] < 160))
    degrees, mm = misplaced(register(scan.cloud, block).matrix, scan.pose, block)
    assert mm < 0.02 and degrees < 0.01


def test_a_table_wider_than_the_part_is_left_out():
    block = corner_block()
    scan = scan_of(block, seed=5, seen=lambda at, way: way[:, 2] > -0.5)
    rng = np.random.default_rng(5)
    table = np.column_stack(
        [rng.uniform(-300, 600, 20_000), rng.uniform(-300, 500, 20_000), rng.normal(0, 0.05, 20_000)]
    )
    beside = (table[:, 0] < 0) | (table[:, 0] > 300) | (table[:, 1] < 0) | (table[:, 1] > 200)
    seen = table[beside] @ scan.pose[:3, :3].T + scan.pose[:3, 3]
    pose = register(Cloud(np.vstack([scan.cloud.points, seen])), block)
    assert misplaced(pose.matrix, scan.pose, block)[1] < 0.02


def test_even_shrinkage_is_split_between_opposite_faces():
    body = box(300, 200, 100)
    scan = scan_of(body, seed=6)
    part = (scan.cloud.points - scan.pose[:3, 3]) @ scan.pose[:3, :3]
    pose = register(Cloud((part - 80) * 0.99), body)
    ends = pose.place((np.array([[-150.0, 0, 0], [150, 0, 0], [0, 0, 50], [0, 0, -50]]) - 80) * 0.99)
    assert ends[0] == pytest.approx(-ends[1], abs=0.05)
    assert ends[2] == pytest.approx(-ends[3], abs=0.05)


def test_pose_is_a_rotation_and_the_same_every_time():
    block = corner_block()
    cloud = scan_of(block, 5000, seed=7).cloud
    first, second = register(cloud, block), register(cloud, block)
    turn = first.matrix[:3, :3]
    assert turn @ turn.T == pytest.approx(np.eye(3), abs=1e-12)
    assert np.linalg.det(turn) == pytest.approx(1.0)
    assert first.matrix.tobytes() == second.matrix.tobytes()


@pytest.mark.parametrize("body", [box(300, 200, 100), from_trimesh(trimesh.creation.cylinder(80, 300, sections=64))])
def test_a_symmetric_part_is_ambiguous(body):
    pose = register(scan_of(body, 5000, seed=8, strays=50).cloud, body)
    assert pose.ambiguous and pose.runner_up_rms is not None


def test_a_mirrored_part_is_refused():
    block = corner_block()
    points = scan_of(block, seed=10, strays=200).cloud.points
    with pytest.raises(AlignmentError) as refused:
        register(Cloud(points * [1.0, 1.0, -1.0]), block)
    assert refused.value.code == "mirrored"
    assert "mirror" in refused.value.sentence


def test_a_mirrored_pose_of_a_symmetric_part_leads_back_to_poses_that_fit():
    body = box(300, 200, 100)
    surface = prepare(body)
    target = Target(surface, sample(surface, 2000))
    poses = reflected(target.axes.T, np.zeros(3), target)
    for turn, shift in zip(target.axes @ poses.turns, poses.shifts @ target.axes.T, strict=True):
        assert np.linalg.det(turn) == pytest.approx(1.0)
        assert np.abs(body.vertices @ turn.T + shift).max(axis=0) == pytest.approx([150, 100, 50], abs=5)


@pytest.mark.parametrize("cloud", [scan_of(box(400, 120, 90), seed=11).cloud, scan_of(box(9, 7, 5), seed=11).cloud])
def test_another_part_or_unit_is_refused_with_both_sizes(cloud):
    with pytest.raises(AlignmentError) as refused:
        register(cloud, corner_block())
    assert refused.value.code == "wrong-part"
    assert "the nominal 391\u00a0mm" in refused.value.sentence


def test_three_points_are_refused():
    with pytest.raises(AlignmentError) as refused:
        register(Cloud(np.eye(3)), corner_block())
    assert refused.value.code == "too-few-points"
    assert "3\u00a0points" in refused.value.sentence


def test_coordinates_that_are_not_numbers_are_refused():
    points = scan_of(corner_block(), 1000).cloud.points
    points[17, 1] = np.nan
    with pytest.raises(InputError) as refused:
        register(Cloud(points), corner_block())
    assert refused.value.code == "not-a-number"


def test_a_person_can_stop_it():
    def stop(stage: str, share: float) -> None:
        if share > 0.2:
            raise Stopped

    with pytest.raises(Stopped):
        register(scan_of(corner_block(), 2000).cloud, corner_block(), progress=stop)


def test_progress_starts_at_nothing_grows_and_ends_whole():
    shares: list[float] = []
    register(scan_of(corner_block(), 2000).cloud, corner_block(), progress=lambda stage, share: shares.append(share))
    assert shares[0] == 0.0 and shares[-1] == 1.0
    assert shares == sorted(shares)


def test_a_third_of_a_plate_that_fits_turned_over_is_not_placed_without_doubt():
    nominal = SHAPES["plate with a hole"]()
    cast = with_bump(nominal, flattest_place(nominal))
    third = next(scene for scene in SCENES if scene.name == "a third of it")
    assert register(take(cast, third).cloud, nominal).ambiguous
