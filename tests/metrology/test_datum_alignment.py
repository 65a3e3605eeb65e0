from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from metrology.alignment.aligning import align
from metrology.alignment.datum import align_by_datums, check_datums
from metrology.alignment.model import DatumAlignment, DatumRegion, MarkedPair, MarkedPoints
from metrology.alignment.pose_uncertainty import pose_uncertainty
from metrology.bodies import Mesh
from metrology.errors import AlignmentError
from metrology.surfaces.selection import AllOf, Beyond, Box, Facing
from metrology.surfaces.surface import prepare, sample
from tests.metrology.bodies_for_tests import box, corner_block, misplaced, scan_of

BLOCK = corner_block()
SURFACE = prepare(BLOCK)
# The block is 300 × 200 × 150: underside z = 0, right side y = 0, back end x = 0.
UNDERSIDE = DatumRegion("underside", Facing((0, 0, -1)))
RIGHT = DatumRegion("right side", Facing((0, -1, 0)))
BACK = DatumRegion("back end", AllOf((Facing((-1, 0, 0)), Beyond((-1, 0, 0), -1.0))))
DATUMS = DatumAlignment(UNDERSIDE, RIGHT, BACK)
HERE = np.eye(4)


def datum_fit(points, start=HERE, asked=DATUMS, surface=SURFACE):
    return align_by_datums(surface, points, start, asked, lambda: None)


def sides_of_a_box(start=None):
    ways = {"low": (0, 0, -1), "right": (0, -1, 0), "back": (-1, 0, 0)}
    return DatumAlignment(*(DatumRegion(name, Facing(way)) for name, way in ways.items()), start)


def moved(points, turn, shift):
    return points @ Rotation.from_rotvec(turn).as_matrix().T + shift


def part_of(scan):
    """The points of a scan in the part's own frame."""
    return (scan.cloud.points - scan.pose[:3, 3]) @ scan.pose[:3, :3]


def test_datums_bring_a_part_back_though_the_rest_of_it_is_tilted():
    tilt = 2.0
    scan = scan_of(BLOCK, 30_000, seed=1, grown=lambda at, way: np.where(way[:, 2] > 0.9, tilt * at[:, 0] / 300, 0.0))
    report = align(SURFACE, scan.cloud.points, DATUMS)
    degrees, mm = misplaced(report.pose.matrix, scan.pose, BLOCK)
    assert mm < 0.02 and degrees < 0.005
    assert report.kind == "datum alignment" and report.pose.converged
    assert [one.role for one in report.supports] == ["primary plane", "secondary line", "tertiary point"]
    assert [one.rms for one in report.supports] == pytest.approx([0.05] * 3, rel=0.15)


def test_each_datum_fixes_only_what_those_before_it_leave_free():
    # The right side leans by 1 mm over its height of 100 mm: the plane of the underside stays exact, the line on it
    # lies where the side is on average. Closed form: half a millimetre, and no turn, for the side is a rectangle.
    body = box(300, 200, 100)
    part = part_of(scan_of(body, 60_000, seed=2, noise=0.0))
    side = np.abs(part[:, 1] + 100) < 1e-6
    part[side, 1] -= (part[side, 2] + 50) / 100
    found = datum_fit(part, asked=sides_of_a_box(), surface=prepare(body))
    assert found.matrix[:3, :3] == pytest.approx(np.eye(3), abs=2e-5)
    assert found.matrix[:3, 3] == pytest.approx([0, 0.5, 0], abs=0.005)


def test_a_side_that_leans_more_at_one_end_turns_the_part_by_its_line():
    # The right side of the block is 150 high up to x = 175 and 75 beyond. Leaning by 1 mm in 150, it is on average
    # 0.5 mm out of place along the first 175 mm and 0.25 mm along the rest: the line through it turns.
    part = part_of(scan_of(BLOCK, 60_000, seed=2, noise=0.0))
    side = np.abs(part[:, 1]) < 1e-6
    true = part[side].copy()
    part[side, 1] -= true[:, 2] / 150
    # A second route: numpy's line through the side's points, all of one weight.
    slope = np.polyfit(true[:, 0], -true[:, 2] / 150, 1)[0]
    found = datum_fit(part)
    turned = Rotation.from_matrix(found.matrix[:3, :3]).as_rotvec()
    assert turned == pytest.approx([0, 0, -np.arctan(slope)], abs=1e-4)
    assert abs(slope) > 5e-4


def test_datums_agree_with_planes_fitted_by_another_route():
    """The same three steps in closed form: the plane by singular values, the line by least squares on its trace, the
    point by the mean. numpy alone, without iteration."""
    scan = scan_of(BLOCK, 60_000, seed=3, noise=0.02)
    part = moved(part_of(scan), [0.002, -0.001, 0.003], [0.3, -0.2, 0.5])
    true = part_of(scan)
    inner = 8.0

    def own(axis, at):
        others = [k for k in range(3) if k != axis]
        near = np.abs(true[:, axis] - at) < 0.15
        high = np.array([300.0, 200, 150])
        return part[near & ((true[:, others] > inner) & (true[:, others] < high[others] - inner)).all(axis=1)]

    bottom, right, back = own(2, 0.0), own(1, 0.0), own(0, 0.0)
    normal = np.linalg.svd(bottom - bottom.mean(axis=0))[2][2]
    up = normal * np.sign(normal[2])
    trace = right - np.outer(right @ up, up)
    along = np.linalg.svd(trace - trace.mean(axis=0))[2][0]
    first = along * np.sign(along[0])
    second = np.cross(up, first)
    turn = np.stack([first, second, up])
    shift = -np.array([back.mean(axis=0) @ first, right.mean(axis=0) @ second, bottom.mean(axis=0) @ up])
    found = datum_fit(part)
    apart = Rotation.from_matrix(found.matrix[:3, :3] @ turn.T).magnitude()
    assert np.degrees(apart) < 1e-3
    assert found.matrix[:3, 3] == pytest.approx(shift, abs=0.003)


def test_a_fifth_of_strays_does_not_move_the_datums():
    scan = scan_of(BLOCK, 20_000, seed=4, strays=5000)
    assert misplaced(align(SURFACE, scan.cloud.points, DATUMS).pose.matrix, scan.pose, BLOCK)[1] < 0.02


def test_moving_scan_and_nominal_together_moves_the_pose_along():
    scan = scan_of(BLOCK, 8000, seed=5)
    part = part_of(scan)
    turn, shift = np.array([0.4, -1.1, 2.0]), np.array([900.0, -400, 2500])
    rotation = Rotation.from_rotvec(turn).as_matrix()
    there = prepare(Mesh(moved(BLOCK.vertices, turn, shift), BLOCK.faces))
    ways = [tuple(rotation @ way) for way in ([0, 0, -1.0], [0, -1.0, 0], [-1.0, 0, 0])]
    back = AllOf((Facing(ways[2]), Beyond(ways[2], float(np.dot(ways[2], shift)) - 1.0)))
    asked = DatumAlignment(
        DatumRegion("underside", Facing(ways[0])), DatumRegion("right", Facing(ways[1])), DatumRegion("back", back)
    )
    here = datum_fit(part).matrix
    far = datum_fit(moved(part, turn, shift), asked=asked, surface=there).matrix
    motion = np.eye(4)
    motion[:3, :3], motion[:3, 3] = rotation, shift
    # Which points count beside an edge is left to rounding: to a fiftieth of the noise, on the part itself.
    corners = np.c_[BLOCK.vertices, np.ones(len(BLOCK.vertices))]
    apart = (motion @ here - far @ motion) @ corners.T
    assert np.abs(apart[:3]).max() < 0.005


def test_same_input_gives_the_same_pose_to_the_last_digit():
    scan = scan_of(BLOCK, 5000, seed=6)
    first, second = (align(SURFACE, scan.cloud.points, DATUMS).pose.matrix for _ in range(2))
    assert first.tobytes() == second.tobytes()


def test_the_uncertainty_agrees_with_what_other_noise_and_other_points_do():
    places = sample(SURFACE, 800)
    off, said, held = [], [], []
    for seed in range(60):
        found = datum_fit(part_of(scan_of(BLOCK, 4000, seed=100 + seed, noise=0.2)))
        sure = pose_uncertainty(SURFACE, found.equations, places)
        turn = Rotation.from_matrix(found.matrix[:3, :3]).as_rotvec()
        slide = found.matrix[:3, :3] @ sure.at + found.matrix[:3, 3] - sure.at
        off.append(np.concatenate([slide, turn]))
        said.append(np.diag(sure.covariance))
        held.append(np.abs(slide) <= sure.slide_mm)
    # Monte Carlo, 60 scans: a variance is then known to about a fifth.
    assert np.sqrt(np.mean(said, axis=0)) == pytest.approx(np.sqrt(np.mean(np.square(off), axis=0)), rel=0.3)
    assert 0.88 <= np.mean(held) <= 1.0


def test_points_marked_on_a_symmetric_part_say_which_way_round_it_lies():
    body = box(300, 200, 100)
    surface = prepare(body)
    scan = scan_of(body, 6000, seed=7)
    marks = np.array([[150.0, 100, 50], [-150, 100, 50], [150, -100, 50]])
    on_scan = marks @ scan.pose[:3, :3].T + scan.pose[:3, 3] + 0.5
    start = MarkedPoints(tuple(MarkedPair(tuple(a), tuple(b)) for a, b in zip(on_scan, marks, strict=True)))
    alone = align(surface, scan.cloud.points, sides_of_a_box())
    marked = align(surface, scan.cloud.points, sides_of_a_box(start))
    assert alone.other is not None and alone.other.almost and "half a turn" in alone.other.words
    assert misplaced(marked.pose.matrix, scan.pose, body)[1] < 0.05 and not marked.pose.ambiguous


TOP = DatumRegion("top", Facing((0, 0, 1)))
NOWHERE = DatumRegion("nowhere", Box((900, 900, 900), (901, 901, 901)))
SLIVER = DatumRegion("sliver", AllOf((Facing((0, 0, -1)), Box((100, 100, -1), (103, 200, 1)))))
AROUND = DatumRegion("around", Box((-1, -1, 10), (301, 201, 151)))


@pytest.mark.parametrize(
    ("asked", "code", "name"),
    [
        (replace(DATUMS, secondary=TOP), "datum-parallel", "top"),
        (replace(DATUMS, tertiary=TOP), "datum-parallel", "top"),
        (replace(DATUMS, tertiary=RIGHT), "datum-parallel", "right side"),
        (replace(DATUMS, primary=AROUND), "datum-curved", "around"),
        (replace(DATUMS, primary=NOWHERE), "datum-unknown", "nowhere"),
    ],
)
def test_datums_that_fix_nothing_are_refused_by_name_before_any_scan(asked, code, name):
    with pytest.raises(AlignmentError) as refused:
        check_datums(SURFACE, asked)
    assert refused.value.code == code
    assert f"“{name}”" in refused.value.sentence


@pytest.mark.parametrize(
    ("asked", "seen", "code"),
    [
        (DATUMS, lambda at, way: way[:, 2] > -0.5, "datum-unseen"),
        (DATUMS, lambda at, way: way[:, 0] > -0.5, "datum-unseen"),
        (DATUMS, lambda at, way: (way[:, 2] > -0.5) | (np.abs(at[:, 1] - 100) < 4), "datum-narrow"),
        (replace(DATUMS, primary=SLIVER), lambda at, way: at[:, 0] < 1e9, "datum-narrow"),
    ],
)
def test_datums_that_were_not_scanned_are_refused(asked, seen, code):
    scan = scan_of(BLOCK, 20_000, seed=8, seen=seen)
    with pytest.raises(AlignmentError) as refused:
        datum_fit(part_of(scan), asked=asked)
    assert refused.value.code == code
    assert "“" in refused.value.sentence
