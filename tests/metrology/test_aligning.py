"""Best fit with held motions, other poses, the alignment's own uncertainty, and what is said about it."""

from dataclasses import replace

import numpy as np
import pytest
import trimesh
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from metrology.alignment.aligning import align, align_with_best_fit
from metrology.alignment.model import (
    BestFit,
    DatumAlignment,
    DatumRegion,
    Locked,
    MarkedPair,
    MarkedPoints,
    about_origin,
)
from metrology.alignment.words import difference, pose_words, turn_words
from metrology.bodies import Cloud
from metrology.comparison.compare import Settings, compare
from metrology.errors import AlignmentError, InputError
from metrology.surfaces.edges import beside_edges, sharp_edges
from metrology.surfaces.selection import AllOf, Beyond, Facing
from metrology.surfaces.surface import prepare
from tests.metrology.bodies_for_tests import box, corner_block, from_trimesh, misplaced, scan_of

BLOCK = corner_block()
SURFACE = prepare(BLOCK)
DATUMS = DatumAlignment(
    DatumRegion("underside", Facing((0, 0, -1))),
    DatumRegion("right side", Facing((0, -1, 0))),
    DatumRegion("back end", AllOf((Facing((-1, 0, 0)), Beyond((-1, 0, 0), -1.0)))),
)


def posed(rows):
    return tuple(tuple(float(value) for value in row) for row in rows)


def motion_of(matrix):
    """How a pose moves the middle of the block's surface, mm, and turns it, rad."""
    at = SURFACE.centroid
    return matrix[:3, :3] @ at + matrix[:3, 3] - at, Rotation.from_matrix(matrix[:3, :3]).as_rotvec()


def here(scan):
    return Cloud((scan.cloud.points - scan.pose[:3, 3]) @ scan.pose[:3, :3])


# ---- held motions ----------------------------------------------------------------------------------------------------


def test_held_motions_stay_as_the_start_has_them_and_the_others_are_fitted():
    scan = scan_of(BLOCK, 12_000, seed=1)
    start = np.eye(4)
    start[:3, :3] = Rotation.from_rotvec([0.004, -0.003, 0.005]).as_matrix()
    start[:3, 3] = [0.4, -0.3, 0.6]
    held = (Locked("along", (0, 0, 1)), Locked("about", (1, 0, 0)))
    report = align(SURFACE, here(scan).points, BestFit(posed(start), held))
    slide, turn = motion_of(report.pose.matrix)
    began, turned = motion_of(start)
    assert slide[2] == pytest.approx(began[2], abs=2e-3)
    assert turn[0] == pytest.approx(turned[0], abs=1e-4)
    # Second route: scipy's robust least squares over the four motions that are open. Held 1.4 mm too high, this block
    # lies best with a tilt; how much of it depends a little on how residuals are weighted.
    points = here(scan).points - SURFACE.centroid

    def residuals(motion):
        turned_by = Rotation.from_rotvec([turned[0], motion[2], motion[3]]).as_matrix()
        moved = points @ turned_by.T + SURFACE.centroid + [motion[0], motion[1], began[2]]
        return SURFACE.closest(moved)[0]

    other = least_squares(
        residuals, np.zeros(4), x_scale=[0.1, 0.1, 1e-3, 1e-3], diff_step=1e-4, loss="soft_l1", f_scale=0.1
    )
    assert slide[:2] == pytest.approx(other.x[:2], abs=0.03)
    assert turn[1:] == pytest.approx(other.x[2:], abs=2e-4)
    assert "sliding along the up axis and turning about the front–back axis held" in report.basis


def test_motions_are_held_as_datum_alignment_leaves_them():
    scan = scan_of(BLOCK, 20_000, seed=2, grown=lambda at, way: np.where(way[:, 2] > 0.9, 1.5, 0.0))
    held = BestFit(DATUMS, (Locked("along", (0, 0, 1)), Locked("about", (1, 0, 0)), Locked("about", (0, 1, 0))))
    report, best = align_with_best_fit(SURFACE, scan.cloud.points, held)
    height = motion_of(report.pose.matrix @ scan.pose)[0][2]
    assert height == pytest.approx(0.0, abs=0.02)
    assert motion_of(best.pose.matrix @ scan.pose)[0][2] < -0.1


@pytest.mark.parametrize(
    ("asked", "code"),
    [
        (BestFit(None, (Locked("along", (0, 0, 1)),)), "nothing-to-hold"),
        (BestFit(posed(np.eye(4)), (Locked("along", (0, 0, 0)),)), "locked-axis"),
        (
            BestFit(
                posed(np.eye(4)), tuple(Locked(how, tuple(axis)) for how in ("along", "about") for axis in np.eye(3))
            ),
            "all-locked",
        ),
        (BestFit(posed(np.diag([1.0, 1, -1, 1]))), "not-rigid"),
        (BestFit(posed(np.diag([1.01, 1.01, 1.01, 1]))), "not-rigid"),
        (BestFit(posed(np.full((4, 4), np.nan))), "not-rigid"),
    ],
)
def test_what_cannot_be_held_is_refused(asked, code):
    with pytest.raises(InputError) as refused:
        align(SURFACE, here(scan_of(BLOCK, 500)).points, asked)
    assert refused.value.code == code


def test_a_start_beside_the_part_is_refused():
    away = np.eye(4)
    away[2, 3] = 500.0
    with pytest.raises(AlignmentError) as refused:
        align(SURFACE, here(scan_of(BLOCK, 2000)).points, BestFit(posed(away)))
    assert refused.value.code == "elsewhere"


# ---- other poses, and what nothing holds -----------------------------------------------------------------------------


def test_a_symmetric_part_says_which_turn_fits_as_well():
    body = box(300, 200, 100)
    report = align(prepare(body), scan_of(body, 6000, seed=3).cloud.points, BestFit())
    assert report.other.almost and report.other.words.startswith("half a turn about the ")


def test_a_round_part_says_what_it_is_free_to_do():
    # Of 1,024 facets, so that the facets themselves hold nothing.
    body = from_trimesh(trimesh.creation.cylinder(80, 300, sections=1024))
    report = align(prepare(body), scan_of(body, 6000, seed=4).cloud.points, BestFit())
    assert report.uncertainty.free == ("turning about the up axis",)
    assert np.isinf(report.uncertainty.turn_deg[2]) and np.isfinite(report.uncertainty.slide_mm).all()
    assert report.pose.ambiguous


def test_a_round_part_of_coarse_facets_may_lie_turned_by_a_facet_and_is_said_to():
    body = from_trimesh(trimesh.creation.cylinder(80, 300, sections=64))
    report = align(prepare(body), scan_of(body, 6000, seed=4).cloud.points, BestFit())
    assert report.uncertainty.free == () and report.pose.ambiguous and report.other.almost


def test_one_side_alone_leaves_the_part_free_to_slide_though_noise_reaches_round_its_edges():
    scan = scan_of(BLOCK, 12_000, seed=5, seen=lambda at, way: (way[:, 2] < -0.9) | (way[:, 0] < -0.9))
    report = align(SURFACE, here(scan).points, BestFit(posed(np.eye(4))))
    assert report.uncertainty.free == ("sliding along the left–right axis",)


def test_a_second_part_in_the_scan_is_refused_and_a_fragment_is_told():
    scan = scan_of(BLOCK, 9000, seed=6)
    other = scan_of(BLOCK, 9000, seed=7)
    shifted = here(other).points + [700.0, 60, 0]
    with pytest.raises(AlignmentError) as refused:
        align(SURFACE, np.vstack([here(scan).points, shifted]), BestFit())
    assert refused.value.code == "two-parts"
    few = shifted[shifted[:, 0] < shifted[:, 0].min() + 70]
    report = align(SURFACE, np.vstack([here(scan).points, few]), BestFit())
    assert misplaced(report.pose.matrix, np.eye(4), BLOCK)[1] < 0.05
    assert any("apart from the part" in note or "beside the part" in note for note in report.notes)


# ---- uncertainty -----------------------------------------------------------------------------------------------------


def test_uncertainty_of_best_fit_agrees_with_what_other_noise_and_other_points_do():
    off, said, held = [], [], []
    for seed in range(40):
        scan = scan_of(BLOCK, 3000, seed=200 + seed, noise=0.2)
        report = align(SURFACE, here(scan).points, BestFit(posed(np.eye(4))))
        slide, turn = motion_of(report.pose.matrix)
        off.append(np.concatenate([slide, turn]))
        said.append(np.diag(report.uncertainty.covariance))
        held.append(np.abs(slide) <= report.uncertainty.slide_mm)
    # Monte Carlo over noise and points, 40 scans: a standard deviation is then known to about a ninth.
    assert np.sqrt(np.mean(said, axis=0)) == pytest.approx(np.sqrt(np.mean(np.square(off), axis=0)), rel=0.35)
    assert np.mean(held) > 0.88


def test_four_times_the_points_halve_the_uncertainty():
    sure = [
        align(SURFACE, here(scan_of(BLOCK, count, seed=8)).points, BestFit(posed(np.eye(4)))).uncertainty
        for count in (3000, 12_000)
    ]
    assert sure[0].deviation_mm / sure[1].deviation_mm == pytest.approx(2.0, rel=0.2)
    assert sure[1].independent_points == pytest.approx(4 * sure[0].independent_points, rel=0.2)


def test_errors_of_form_count_only_where_part_of_the_surface_was_not_seen():
    """A wave of 0.5 mm over the part. Seen whole, it is part of what is aligned; of a part seen in part, the rest might
    have drawn the fit elsewhere."""

    def wave(at, way):
        return 0.5 * np.sin(at[:, 0] / 30) * np.cos(at[:, 1] / 40)

    whole = scan_of(BLOCK, 8000, seed=9, grown=wave)
    half = scan_of(BLOCK, 8000, seed=9, grown=wave, seen=lambda at, way: at[:, 1] < 110)
    sure = [align(SURFACE, here(one).points, BestFit(posed(np.eye(4)))).uncertainty for one in (whole, half)]
    assert sure[1].deviation_mm > 3 * sure[0].deviation_mm
    assert sure[1].independent_points < 0.3 * sure[0].independent_points


def test_the_verdict_counts_scanner_and_alignment_together():
    cloud = scan_of(BLOCK, 2000, seed=10, noise=0.3).cloud
    found = compare(BLOCK, cloud, Settings(-1.5, 1.5, 0.12))
    placed = found.alignment.uncertainty.deviation_mm
    assert placed > 0.01
    assert found.uncertainty_mm == pytest.approx(np.hypot(0.12, placed))


# ---- best fit beside the verdict's alignment -------------------------------------------------------------------------


def test_best_fit_beside_the_datums_hides_a_tilt_and_says_so():
    scan = scan_of(
        BLOCK, 40_000, seed=11, grown=lambda at, way: np.where(way[:, 2] > 0.9, 2.0 * (at[:, 0] / 300 - 0.5), 0.0)
    )
    found = compare(BLOCK, scan.cloud, Settings(-1.5, 1.5, 0.12, alignment=DATUMS))
    assert found.alignment.kind == "datum alignment" and found.best_fit.alignment.kind == "best fit"
    assert abs(found.worst) > abs(found.best_fit.worst)
    assert "tilt about the left–right axis" in found.difference.words
    assert found.difference.words.startswith("Best fit hides a 0.")
    # What it hides is the turn between the two poses, times the part's width across that axis.
    turn = found.best_fit.pose.matrix[:3, :3] @ found.pose.matrix[:3, :3].T
    assert found.difference.tilt_mm[1] == pytest.approx(Rotation.from_matrix(turn).as_rotvec()[1] * 300, rel=1e-6)


def test_a_plain_best_fit_has_nothing_beside_it():
    found = compare(BLOCK, scan_of(BLOCK, 3000, seed=12).cloud, Settings(-1.5, 1.5, 0.12))
    assert found.best_fit is None and found.difference is None


@pytest.mark.parametrize(
    ("slide", "turn", "words"),
    [
        ((0, 0, 0.8), (0, 0, 0), "Best fit moves the part 0.80\u00a0mm up."),
        ((0, 0, -0.8), (0, 0, 0), "Best fit moves the part 0.80\u00a0mm down."),
        ((1.2, -0.5, 0), (0, 0, 0), "Best fit moves the part 1.20\u00a0mm forward and 0.50\u00a0mm to the right."),
        ((0, 0, 0), (0, 1.4 / 300, 0), "Best fit hides a 1.40\u00a0mm tilt about the left–right axis (0.267\u00a0°)."),
        ((0, 0, 0), (0, 0, -1.4 / 300), "Best fit hides a 1.40\u00a0mm turn about the up axis (0.267\u00a0°)."),
        ((0.001, 0, 0), (0, 0, 0), "Best fit lies within 0.01\u00a0mm of it everywhere."),
    ],
)
def test_the_difference_is_said_along_the_parts_axes(slide, turn, words):
    """The block is 300 long: a turn of 1.4 / 300 rad lifts one end 1.4 mm above the other."""
    moved = np.eye(4)
    moved[:3, :3] = Rotation.from_rotvec(turn).as_matrix()
    moved[:3, 3] = SURFACE.centroid - moved[:3, :3] @ SURFACE.centroid + slide
    assert difference(np.eye(4), moved, SURFACE).words == words


def test_turns_and_shifts_between_poses_are_named():
    assert turn_words(np.pi) == "half a turn" and turn_words(np.pi / 2) == "a quarter turn"
    assert turn_words(np.radians(9)) == "a turn of 9.0\u00a0°"
    over = np.eye(4)
    over[:3, :3] = np.diag([-1.0, -1, 1])
    assert pose_words(np.eye(4), over, SURFACE) == "half a turn about the up axis"
    along = np.eye(4)
    along[0, 3] = 25.0
    assert pose_words(np.eye(4), along, SURFACE) == "a shift of 25\u00a0mm along the front–back axis"


# ---- frames ----------------------------------------------------------------------------------------------------------


def test_marks_follow_a_cloud_that_is_counted_from_another_origin():
    scan = scan_of(BLOCK, 3000, seed=13)
    marks = np.array([[0.0, 0, 0], [300, 0, 0], [0, 200, 0]])
    on_scan = marks @ scan.pose[:3, :3].T + scan.pose[:3, 3]
    pairs = tuple(MarkedPair(tuple(a), tuple(b)) for a, b in zip(on_scan, marks, strict=True))
    origin = (4_000_000.0, 500_000.0, 100.0)
    far = tuple(replace(pair, scan=tuple(np.add(pair.scan, origin))) for pair in pairs)
    settings = Settings(-1.5, 1.5, 0.12, alignment=MarkedPoints(pairs))
    near = compare(BLOCK, scan.cloud, settings)
    there = compare(BLOCK, Cloud(scan.cloud.points, origin), replace(settings, alignment=MarkedPoints(far)))
    assert there.pose.matrix == pytest.approx(near.pose.matrix, abs=1e-6)


def test_a_start_is_counted_from_the_same_origin():
    asked = BestFit(posed(Rotation.from_rotvec([0, 0, 1]).as_matrix() @ np.eye(3, 4)) + ((0.0, 0.0, 0.0, 1.0),))
    moved = np.array(about_origin(asked, (10.0, 20.0, 30.0)).start)
    at = np.array([1.0, 2.0, 3.0])
    assert moved[:3, :3] @ at + moved[:3, 3] == pytest.approx(np.array(asked.start)[:3, :3] @ (at + [10, 20, 30]))


def test_edges_where_the_surface_turns_and_where_it_ends_are_told_apart():
    body = box(100, 60, 40)
    sharp, rim = sharp_edges(prepare(body))
    # Closed form: 12 edges of a box, each shared by two of its 12 triangles; 6 diagonals are flat.
    assert sharp.sum() == 24 and not rim.any()
    lid = prepare(type(body)(body.vertices, body.faces[:2]))
    assert sharp_edges(lid)[1].sum() == 4
    surface = prepare(body)
    at = np.array([[0.0, 0, 20], [49.5, 0, 20], [49.5, 29.5, 20]])
    faces = surface.closest(at)[1]
    assert beside_edges(surface, faces, at, sharp, 1.0).tolist() == [False, True, True]
