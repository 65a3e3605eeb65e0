import dataclasses

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from metrology.bodies import Cloud, Mesh
from metrology.comparison.compare import RegionSpec, Settings, compare
from metrology.comparison.strays import find_strays, sample_medians
from metrology.comparison.words import band, direction, length, share
from metrology.errors import InputError, Stopped
from tests.metrology.bodies_for_tests import corner_block, misplaced, patch, scan_of

BLOCK = corner_block()
BUMP_AT = (80.0, 60.0, 150.0)
TOP = RegionSpec("seat", -1.5, 1.5, (0.0, 0.0, 149.0, 175.0, 200.0, 151.0), (0.0, 0.0, 1.0))
LOOSE, TIGHT = Settings(-1.5, 1.5, 0.12), Settings(-0.5, 0.5, 0.12)


@pytest.fixture(scope="module")
def bumped_scan():
    """0.80 mm proud within 35 mm of BUMP_AT on the top, 0.05 mm noise, 5 % strays."""
    return scan_of(BLOCK, 38_000, seed=1, strays=2000, grown=patch(BUMP_AT, 35.0, 0.8))


@pytest.fixture(scope="module")
def bumped(bumped_scan):
    return compare(BLOCK, bumped_scan.cloud, LOOSE)


def on_bump(result, radius=28.0):
    near = np.linalg.norm(result.sample_points - BUMP_AT, axis=1) < radius
    return near & (result.sample_normals[:, 2] > 0.9)


def test_a_known_bump_is_reported_within_a_fiftieth_of_a_millimetre(bumped):
    assert np.mean(bumped.sample_deviation[on_bump(bumped)]) == pytest.approx(0.80, abs=0.02)


def test_surface_without_the_bump_deviates_by_nothing(bumped):
    elsewhere = np.linalg.norm(bumped.sample_points - BUMP_AT, axis=1) > 60
    assert np.nanmean(bumped.sample_deviation[elsewhere]) == pytest.approx(0.0, abs=0.002)
    assert bumped.lowest > -0.15


def test_the_whole_pipeline_places_the_scan_within_its_limits(bumped, bumped_scan):
    degrees, mm = misplaced(bumped.pose.matrix, bumped_scan.pose, BLOCK)
    assert mm < 0.02 and degrees < 0.01


def test_worst_place_and_first_callout_lie_on_the_bump(bumped):
    assert bumped.worst == bumped.highest == pytest.approx(0.80, abs=0.1)
    assert np.linalg.norm(bumped.worst_at - BUMP_AT) < 40
    assert [callout.number for callout in bumped.callouts] == [1]
    assert bumped.callouts[0].sentence.endswith("mm too high at the top face")


def test_noise_and_strays_are_reported(bumped):
    assert bumped.noise_mm == pytest.approx(0.05, rel=0.1)
    assert bumped.points_read == 40_000
    # A stray that happens to lie in the surface cannot be told from a good point.
    assert 0.048 < bumped.stray_share <= 0.0505
    assert bumped.points_used == pytest.approx(40_000 * (1 - bumped.stray_share))


def test_sentence_of_a_part_inside_its_limits(bumped):
    assert bumped.result == "conforms"
    assert bumped.sentence.startswith(
        "Conforms: all of the measured surface lies within ±1.5\u00a0mm after a 0.12\u00a0mm guard band; worst 0.8"
    )
    assert " too high at the top face. " in bumped.sentence
    assert bumped.sentence.endswith("\u00a0% of the surface was measured.")


def test_faces_towards_six_ways_are_reported_when_no_region_is_given(bumped):
    names = [region.name for region in bumped.regions]
    assert names == ["top face", "bottom face", "front face", "back face", "left face", "right face"]
    top = bumped.regions[0]
    # Closed form: 0.8 mm over the bump's share of the 60,000 mm² that look up.
    assert top.mean == pytest.approx(0.8 * np.pi * 35**2 / 60_000, abs=0.01)
    assert top.motions[0].value == pytest.approx(top.mean, abs=0.01)
    assert top.motions[1].value is None and top.motions[1].result == "not determined"


def test_histogram_counts_every_measured_sample(bumped):
    assert bumped.histogram_counts.sum() == np.isfinite(bumped.sample_deviation).sum()
    assert len(bumped.histogram_edges) == len(bumped.histogram_counts) + 1
    assert bumped.histogram_edges[0] <= bumped.lowest and bumped.histogram_edges[-1] >= bumped.highest


@pytest.mark.parametrize(
    ("settings", "result", "code"),
    [
        (Settings(-1.5, 1.5, 0.12), "conforms", "inside"),
        (Settings(-0.9, 0.9, 0.2), "inconclusive", "uncertainty"),
        (Settings(-0.5, 0.5, 0.12), "does not conform", "outside"),
        (Settings(-0.5, 0.5, 0.12, coverage_needed=1.0), "does not conform", "outside"),
    ],
)
def test_verdict_follows_limits_and_uncertainty(bumped_scan, settings, result, code):
    found = compare(BLOCK, bumped_scan.cloud, settings)
    assert (found.result, found.code) == (result, code)
    assert found.sentence.startswith(result.capitalize())


def test_a_region_without_points_keeps_the_whole_from_conforming(bumped_scan):
    nowhere = RegionSpec("edge", -1.5, 1.5, (0, 0, 0, 1, 1, 1))
    found = compare(BLOCK, bumped_scan.cloud, TIGHT, [TOP, nowhere])
    assert [region.result for region in found.regions] == ["conforms", "not measured"]
    assert np.isnan(found.regions[1].worst) and found.regions[1].points == 0
    assert (found.result, found.code) == ("inconclusive", "coverage")
    assert found.sentence.startswith("Inconclusive: only 0\u00a0% of the edge was measured")


def test_limits_of_a_region_replace_those_of_the_whole_there(bumped_scan):
    assert compare(BLOCK, bumped_scan.cloud, TIGHT, [TOP]).result == "conforms"
    tight = dataclasses.replace(TOP, lower_mm=-0.5, upper_mm=0.5)
    found = compare(BLOCK, bumped_scan.cloud, LOOSE, [tight])
    assert found.result == found.regions[0].result == "does not conform"
    assert found.sentence.endswith("mm too high at the seat. The limit is 0.5\u00a0mm.")


def test_a_missing_patch_is_not_measured_and_never_good():
    scan = scan_of(BLOCK, 30_000, seed=2, strays=600, seen=lambda at, way: at[:, 2] > 1.0)
    found = compare(BLOCK, scan.cloud, LOOSE)
    bottom = found.sample_normals[:, 2] < -0.9
    low = bottom & (found.sample_points[:, 2] < 1.0)
    assert np.isnan(found.sample_deviation[low]).mean() > 0.995
    # Closed form: the underside is 300 × 200 of 266,250 mm².
    assert found.coverage == pytest.approx(1 - 60_000 / 266_250, abs=0.01)
    assert (found.result, found.code) == ("inconclusive", "coverage")
    assert "95\u00a0% is needed" in found.sentence
    assert found.regions[1].result in ("not measured", "inconclusive")


def test_a_real_error_of_five_millimetres_is_no_stray():
    scan = scan_of(BLOCK, 30_000, seed=3, strays=1500, grown=patch(BUMP_AT, 30.0, 5.0))
    found = compare(BLOCK, scan.cloud, LOOSE)
    assert np.mean(found.sample_deviation[on_bump(found, 14.0)]) == pytest.approx(5.0, abs=0.02)
    assert found.result == "does not conform"


def test_a_real_error_where_the_scan_is_thin_is_no_stray_either():
    every_other = np.random.default_rng(90).random(30_000) < 0.5
    scan = scan_of(
        BLOCK,
        30_000,
        seed=9,
        strays=1500,
        grown=patch(BUMP_AT, 30.0, 5.0),
        seen=lambda at, way: every_other | (np.linalg.norm(at - BUMP_AT, axis=1) > 60),
    )
    found = compare(BLOCK, scan.cloud, LOOSE)
    inner = found.sample_deviation[on_bump(found, 20.0)]
    assert np.isfinite(inner).all() and np.median(inner) == pytest.approx(5.0, abs=0.02)


def test_a_stray_distance_given_cuts_off_even_a_patch():
    scan = scan_of(BLOCK, 30_000, seed=3, grown=patch(BUMP_AT, 20.0, 5.0))
    found = compare(BLOCK, scan.cloud, dataclasses.replace(LOOSE, stray_mm=3.0))
    assert found.highest < 0.5
    assert np.isnan(found.sample_deviation[on_bump(found, 8.0)]).all() and on_bump(found, 8.0).any()


def test_a_table_beside_the_part_is_left_out_and_said_to_be():
    scan = scan_of(BLOCK, 30_000, seed=4, seen=lambda at, way: way[:, 2] > -0.5)
    table = np.column_stack([np.random.default_rng(4).uniform(-150, 450, (30_000, 2)), np.zeros(30_000)])
    beside = (table[:, 0] < 0) | (table[:, 0] > 300) | (table[:, 1] < 0) | (table[:, 1] > 200)
    seen = table[beside] @ scan.pose[:3, :3].T + scan.pose[:3, 3]
    found = compare(BLOCK, Cloud(np.vstack([scan.cloud.points, seen])), LOOSE)
    assert found.beside_share > 0.35
    assert "stand beside the part and were left out" in found.sentence
    assert found.highest < 1.0


def test_density_of_the_scan_does_not_move_the_mean():
    scan = scan_of(BLOCK, 60_000, seed=5, grown=lambda at, way: np.where(at[:, 0] > 175, 0.3, -0.1))
    part = (scan.cloud.points - scan.pose[:3, 3]) @ scan.pose[:3, :3]
    thinned = (part[:, 0] > 175) | (np.arange(len(part)) % 4 == 0)
    means = [compare(BLOCK, Cloud(points), LOOSE).mean for points in (scan.cloud.points, scan.cloud.points[thinned])]
    assert means[0] == pytest.approx(means[1], abs=0.01)


def test_moving_scan_and_nominal_together_changes_nothing(bumped, bumped_scan):
    turn, shift = Rotation.from_rotvec([0.4, -1.1, 2.0]).as_matrix(), np.array([900.0, -400, 2500])
    moved = compare(
        Mesh(BLOCK.vertices @ turn.T + shift, BLOCK.faces),
        Cloud(bumped_scan.cloud.points @ turn.T + shift),
        LOOSE,
    )
    assert moved.sample_deviation == pytest.approx(bumped.sample_deviation, abs=1e-6, nan_ok=True)
    assert [moved.worst, moved.mean, moved.p01] == pytest.approx([bumped.worst, bumped.mean, bumped.p01], abs=1e-6)
    assert (moved.coverage, moved.stray_share) == (bumped.coverage, bumped.stray_share)


def test_same_input_gives_the_same_answer_to_the_last_digit(bumped, bumped_scan):
    again = compare(BLOCK, bumped_scan.cloud, LOOSE)
    assert again.sample_deviation.tobytes() == bumped.sample_deviation.tobytes()
    assert again.sentence == bumped.sentence


def test_stages_are_reported_in_order_and_a_person_can_stop_each():
    cloud = scan_of(BLOCK, 3000, seed=6, strays=100).cloud
    heard: list[str] = []
    compare(BLOCK, cloud, LOOSE, progress=lambda stage, share: heard.append(stage))
    assert list(dict.fromkeys(heard)) == ["aligning", "measuring", "summing up"]

    def stop(stage: str, share: float) -> None:
        if stage == "summing up":
            raise Stopped

    with pytest.raises(Stopped):
        compare(BLOCK, cloud, LOOSE, progress=stop)


@pytest.mark.parametrize(
    "settings",
    [
        Settings(1, -1, 0.1),
        Settings(1, 1, 0.1),
        Settings(-1, 1, -0.1),
        Settings(-1, 1, 0.1, 1.5),
        Settings(-1, 1, 0.1, 0.9, 0),
    ],
)
def test_settings_that_contradict_themselves_are_refused(settings):
    with pytest.raises(InputError):
        compare(BLOCK, Cloud(np.zeros((200, 3))), settings)


@pytest.mark.parametrize(
    ("value", "normal", "words"),
    [
        (1, (0, 0, 1), "too high"),
        (-1, (0, 0, 1), "too low"),
        (1, (0, 0, -1), "too low"),
        (1, (1, 0, 0), "too far forward"),
        (1, (-1, 0, 0), "too far back"),
        (1, (0, 1, 0), "too far left"),
        (-1, (0, 1, 0), "too far right"),
        (1, (0.58, 0.58, 0.58), "outside nominal"),
        (-1, (0.58, 0.58, 0.58), "inside nominal"),
    ],
)
def test_direction_is_said_in_words(value, normal, words):
    assert direction(value, np.array(normal, dtype=float)) == words


def test_figures_never_hide_which_side_of_a_limit_they_lie_on():
    assert length(1.5) == "1.5\u00a0mm"
    assert length(0.714) == "0.71\u00a0mm"
    assert length(1.5004, 1.5) == "1.500\u00a0mm"
    assert length(1.503, 1.5) == "1.503\u00a0mm"
    assert share(0.9499, 0.95) == "94.9\u00a0%"
    assert share(0.999) == "99\u00a0%"
    assert band(-1, 1) == "±1.0\u00a0mm"
    assert band(-0.5, 1.25) == "\u22120.50 to 1.25\u00a0mm"


def test_median_of_each_sample_agrees_with_numpy():
    rng = np.random.default_rng(7)
    values, owners = rng.normal(size=2001), rng.integers(0, 40, 2001)
    medians, spread = sample_medians(values, owners, 41)
    expected = [np.sort(values[owners == k])[(owners == k).sum() // 2] for k in range(40)]
    assert medians[:40] == pytest.approx(expected, abs=1e-9)
    assert medians[40] == 0
    assert spread == pytest.approx(np.median(np.abs(values - medians[owners])))


def test_lonely_points_are_strays_and_agreeing_points_are_not():
    rng = np.random.default_rng(8)
    flat = np.column_stack([rng.uniform(0, 100, (10_000, 2)), rng.normal(0, 0.05, 10_000)])
    patch_of_12 = np.column_stack([50 + rng.uniform(0, 3, (12, 2)), np.full(12, 4.0)])
    raised = (flat[:, 0] > 60) & (flat[:, 1] < 40)
    flat[raised, 2] += 0.8
    alone = np.array([[20.0, 20, 4.0], [80, 80, -3.0], [80, 20, 2.5]])
    points = np.vstack([flat, patch_of_12, alone])
    owners = (points[:, 0] // 4 * 25 + points[:, 1] // 4).astype(np.int64)
    found = find_strays(
        points[:, 2],
        owners,
        lambda rows: points[rows],
        sigma=0.05,
        least_sigma=0.01,
        point_spacing=1.0,
        diagonal=150.0,
        attached_mm=20.0,
        stray_mm=None,
        tick=lambda: None,
    )
    assert found.lonely[-3:].all() and not found.lonely[-15:-3].any()
    assert found.lonely[:10_000].mean() < 0.001
    assert not found.beside.any() and not found.attached.any()


def test_a_clamp_on_the_part_is_doubted_and_not_measured_as_part():
    scan = scan_of(BLOCK, 30_000, seed=12, strays=300)
    rng = np.random.default_rng(12)
    # A block of 40 × 40 × 40 mm that stands on the high part: 40 mm is more than a twentieth of 390 mm.
    at, axis = rng.random((4000, 3)), rng.integers(0, 3, 4000)
    at[np.arange(4000), axis] = rng.integers(0, 2, 4000)
    clamp = [60.0, 80.0, 150.0] + 40.0 * at
    seen = clamp @ scan.pose[:3, :3].T + scan.pose[:3, 3]
    found = compare(BLOCK, Cloud(np.vstack([scan.cloud.points, seen])), LOOSE)
    assert (found.result, found.code) == ("inconclusive", "attached")
    assert found.sentence.startswith("Inconclusive: something reaches 40.0\u00a0mm out of the part at the top face")
    assert found.highest < 1.0 and found.lowest > -1.0
    assert [part.code for part in found.regions if part.code == "attached"] == ["attached"]
    tight = compare(BLOCK, Cloud(np.vstack([scan.cloud.points, seen])), Settings(-0.02, 0.02, 0.0))
    assert tight.result == "does not conform"


def test_a_lump_of_ten_millimetres_is_part_of_the_part():
    scan = scan_of(BLOCK, 30_000, seed=13, grown=patch(BUMP_AT, 25.0, 10.0))
    found = compare(BLOCK, scan.cloud, LOOSE)
    assert (found.result, found.code) == ("does not conform", "outside")
    assert found.highest == pytest.approx(10.0, abs=0.1)
