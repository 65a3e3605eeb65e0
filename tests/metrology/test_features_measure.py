"""Features measured on points of a part with known errors: value, uncertainty, and what is refused by name."""

import numpy as np
import pytest

from fixtures import solids
from metrology.bodies import Mesh
from metrology.features.measure import FeatureSpec, PairSpec, measure_feature, measure_pair
from metrology.features.points import Placed
from metrology.surfaces.selection import AllOf, Box, Facing, Grown, NearPlane
from metrology.surfaces.surface import prepare, sample

UP = (0.0, 0.0, 1.0)
TOP = Grown((0.0, 0.0, 30.0), 10.0, "seed", UP)
BOTTOM = Grown((0.0, 0.0, 0.0), 10.0, "seed", (0.0, 0.0, -1.0))
HOLE = Grown((75.0, 30.0, 15.0), 30.0, "neighbour", (-1.0, 0.0, 0.0))
FRONT = Facing((1.0, 0.0, 0.0), 5.0)
PAD = prepare(solids.bearing_pad())
TURN = np.array([[0.36, 0.48, -0.8], [-0.8, 0.6, 0.0], [0.48, 0.64, 0.6]])


def placed(surface=PAD, moved=None, noise=0.02, count=40_000, seed=1, kept=None):
    """A scan of the surface, each of its points moved by a function of where it lies, with noise along the normal."""
    rng = np.random.default_rng(seed)
    samples = sample(surface, count)
    normals = surface.normals[samples.faces]
    points = samples.points + rng.normal(0, noise, (count, 1)) * normals
    if moved is not None:
        points = points + moved(samples.points, normals)
    if kept is not None:
        points = points[kept(samples.points)]
    values, faces, closest, _ = surface.closest(np.ascontiguousarray(points))
    return Placed(points, values, faces, closest)


def measured(spec, points, surface=PAD, **given):
    result = measure_feature(spec, surface, points, **({"instrument_mm": 0.05} | given))
    return result, {figure.gives: figure for figure in result.figures}


def feature(kind, *selections, name="one"):
    return FeatureSpec(name, kind, selections)


def test_a_level_face_is_flat_to_the_noise_of_local_means():
    result, figure = measured(feature("plane", TOP), placed())
    assert result.code == "" and result.coverage > 0.95 and result.edge_mm == pytest.approx(2.0)
    assert result.fitted.direction == pytest.approx(UP, abs=1e-4)
    # Means of about 16 points with noise 0.02: their range over a thousand stays below 8 of 0.02 / √16.
    assert 0 < figure["form"].value < 0.04
    assert figure["form"].instrument == pytest.approx(2 * 0.05)


def test_a_crown_is_found_as_flatness():
    # Closed form: z = h (1 − (r / R)²) on a disc-like patch; about the mean plane it spans h.
    def crown(at, normals):
        r = np.hypot(at[:, 0] + 60, at[:, 1])
        return np.where(at[:, 2] > 29, 0.5 * np.maximum(1 - (r / 50) ** 2, 0), 0.0)[:, None] * [0.0, 0.0, 1.0]

    disc = AllOf((TOP, Box((-95.0, -35.0, 0.0), (-25.0, 35.0, 40.0))))
    _, figure = measured(feature("plane", disc), placed(moved=crown))
    corner = 0.5 * (2 * 35**2 / 50**2)
    assert figure["form"].value == pytest.approx(corner, abs=0.04)


def test_noise_alone_is_no_unevenness():
    # Truth is 0. The largest of many means of noise would be several times as much as the noise of one mean, 0.2 / √16.
    _, figure = measured(feature("plane", TOP), placed(noise=0.2))
    assert figure["form"].value < 0.1 and figure["form"].statistical > 0.1


def test_a_dent_of_a_few_cells_counts_in_full():
    def dented(at, normals):
        dent = (at[:, 2] > 29.9) & (np.hypot(at[:, 0] + 60, at[:, 1] + 40) < 8.0)
        return np.where(dent, -0.3, 0.0)[:, None] * [0.0, 0.0, 1.0]

    _, figure = measured(feature("plane", TOP), placed(moved=dented, count=80_000))
    assert figure["form"].value == pytest.approx(0.3, abs=0.03)


def test_a_hole_has_its_diameter_and_stands_where_it_was_moved():
    def wider(at, normals):
        round_hole = np.hypot(at[:, 0] - 60, at[:, 1] - 30) < 15.1
        outward = np.column_stack([at[:, 0] - 60, at[:, 1] - 30, np.zeros(len(at))])
        outward /= np.maximum(np.linalg.norm(outward, axis=1), 1e-9)[:, None]
        return round_hole[:, None] * (0.4 * outward + [0.3, -0.4, 0.0])

    fine = prepare(solids.bearing_pad(edge_mm=4.0))
    for kind in ("cylinder", "circle"):
        result, figure = measured(feature(kind, HOLE), placed(fine, wider, count=60_000), fine)
        assert result.found.nominal.radius == pytest.approx(15.0, abs=1e-6)
        # The scan is of the mesh, whose 48 flat facets lie inside the circle. Closed form: the mean distance from the
        # centre along a chord of half angle h is R (1 + cos²h / sin h · arsinh(tan h)) / 2.
        h = np.pi / 48
        on_chord = 15.0 * (1 + np.cos(h) ** 2 / np.sin(h) * np.arcsinh(np.tan(h))) / 2
        assert figure["diameter"].value == pytest.approx(0.8 + 2 * on_chord, abs=0.01)
        assert figure["diameter"].nominal == pytest.approx(30.0, abs=1e-6)
        # Twice the distance of (0.3, −0.4).
        assert figure["position"].value == pytest.approx(1.0, abs=0.03)


def test_a_tilted_axis_is_judged_at_its_far_end():
    def tilted(at, normals):
        hole = (np.hypot(at[:, 0] - 60, at[:, 1] - 30) < 15.1)[:, None]
        return hole * np.column_stack([0.01 * (at[:, 2] - 15.0), np.zeros(len(at)), np.zeros(len(at))])

    fine = prepare(solids.bearing_pad(edge_mm=4.0))
    result, figure = measured(feature("cylinder", HOLE), placed(fine, tilted, count=60_000), fine)
    # 0.01 over half of 30 mm is 0.15; as a diameter 0.30.
    assert figure["position"].value == pytest.approx(0.30, abs=0.04)


def test_the_distance_of_two_faces_is_the_thickness_and_rests_on_no_pose():
    def thicker(at, normals):
        return np.where(at[:, 2:] > 29.9, 0.25, 0.0) * [0.0, 0.0, 1.0]

    points = placed(moved=thicker)
    far = (np.diag([1.0] * 6), np.zeros(3))
    found = {
        name: measure_feature(FeatureSpec(name, "plane", (selection,)), PAD, points, instrument_mm=0.05, alignment=far)
        for name, selection in (("top", TOP), ("bottom", BOTTOM))
    }
    figure = measure_pair(PairSpec("distance", "top", "bottom"), found).figure
    assert (figure.value, figure.nominal) == pytest.approx((30.25, 30.0), abs=0.004)
    # Each face sure to U, apart from each other; the noise of thousands of points is next to nothing.
    assert figure.instrument == pytest.approx(np.hypot(0.05, 0.05), rel=0.05)
    assert figure.alignment == 0 and figure.statistical < 0.01
    level = measure_pair(PairSpec("angle", "top", "bottom"), found).figure
    assert level.value < 0.02 and level.nominal == pytest.approx(0, abs=1e-6)


def test_an_angle_is_counted_from_the_nominal_and_never_folded():
    def leaning(at, normals):
        front = at[:, 0] > 124.9
        return np.where(front, np.tan(np.radians(0.5)) * (at[:, 2] - 15), 0.0)[:, None] * [1.0, 0.0, 0.0]

    points = placed(moved=leaning, count=80_000)
    found = {
        name: measure_feature(FeatureSpec(name, "plane", (selection,)), PAD, points, instrument_mm=0.05)
        for name, selection in (("top", TOP), ("front", FRONT))
    }
    figure = measure_pair(PairSpec("angle", "front", "top"), found).figure
    assert figure.nominal == pytest.approx(90, abs=1e-6)
    assert abs(figure.value - 90) == pytest.approx(0.5, abs=0.03) and figure.value > 90
    # Over 30 mm of height less the edges, an instrument that errs by U each way tilts the face by some 3 U over it.
    assert figure.instrument == pytest.approx(np.degrees(3 * 0.05 / 26), rel=0.25)


def test_the_distance_of_a_hole_from_an_edge_is_from_its_axis():
    found = {
        "hole": measure_feature(FeatureSpec("hole", "cylinder", (HOLE,)), PAD, placed(), instrument_mm=0.05),
        "front": measure_feature(FeatureSpec("front", "plane", (FRONT,)), PAD, placed(), instrument_mm=0.05),
    }
    for pair in (PairSpec("distance", "hole", "front"), PairSpec("distance", "front", "hole")):
        figure = measure_pair(pair, found).figure
        assert (figure.value, figure.nominal) == pytest.approx((65.0, 65.0), abs=0.02)


def test_a_strip_is_straight_to_the_wave_along_it():
    def wave(at, normals):
        return (np.abs(at[:, 2] - 30) < 0.1)[:, None] * np.column_stack(
            [np.zeros((len(at), 2)), 0.2 * np.cos(2 * np.pi * at[:, 0] / 80)]
        )

    strip = AllOf((TOP, Box((-100.0, -60.0, 0.0), (100.0, -50.0, 40.0))))
    result, figure = measured(feature("line", strip), placed(moved=wave, count=120_000))
    assert abs(result.fitted.direction[0]) == pytest.approx(1, abs=1e-3)
    assert figure["form"].value == pytest.approx(0.4, abs=0.04)


def test_a_pose_known_badly_makes_a_position_unsure_but_no_diameter():
    covariance = np.diag([0.1**2, 0.0, 0.0, 0.0, 0.0, 0.0])
    _, figure = measured(feature("cylinder", HOLE), placed(), alignment=(covariance, np.zeros(3)))
    assert figure["diameter"].alignment == 0
    # The axis lies where it should to the noise, so it may be off in the way that is known worst: k = 2, as a diameter.
    assert figure["position"].alignment == pytest.approx(2 * 2 * 0.1, rel=0.02)
    assert figure["position"].uncertainty > figure["position"].alignment


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_moving_part_and_scan_together_changes_no_figure(seed):
    points = placed(seed=seed)
    shift = np.array([400.0, -30.0, 77.0])
    there = prepare(Mesh(PAD.vertices @ TURN.T + shift, PAD.faces))
    moved = points.points @ TURN.T + shift
    values, faces, closest, _ = there.closest(np.ascontiguousarray(moved))
    seed_there = Grown(tuple(TURN @ HOLE.seed + shift), 30.0, "neighbour", tuple(TURN @ HOLE.normal))
    _, here = measured(feature("cylinder", HOLE), points)
    _, far = measured(feature("cylinder", seed_there), Placed(moved, values, faces, closest), there)
    for gives in ("diameter", "position"):
        assert far[gives].value == pytest.approx(here[gives].value, abs=2e-4)
        assert far[gives].uncertainty == pytest.approx(here[gives].uncertainty, rel=0.05)


def test_crowded_places_weigh_no_more_than_others():
    def bent(at, normals):
        return np.where(at[:, 2] > 29.9, 0.3 * np.sign(at[:, 0]), 0.0)[:, None] * [0.0, 0.0, 1.0]

    points = placed(moved=bent, noise=0.0)
    thin = (points.closest[:, 0] > 0) | (np.arange(len(points.points)) % 5 == 0)
    few = Placed(points.points[thin], points.deviation[thin], points.faces[thin], points.closest[thin])
    heights = [measured(feature("plane", TOP), one)[0].fitted for one in (points, few)]
    at = np.array([0.0, 0.0])
    z = [(fit.direction @ fit.point - fit.direction[:2] @ at) / fit.direction[2] for fit in heights]
    assert z[0] == pytest.approx(z[1], abs=0.01)


@pytest.mark.parametrize(
    ("spec", "kept", "code"),
    [
        (feature("cylinder", TOP), None, "not-on-nominal"),
        (feature("plane", HOLE), None, "not-on-nominal"),
        (feature("plane", Grown((0.0, 0.0, 300.0), 5.0)), None, "no-face"),
        (feature("plane", TOP), lambda at: at[:, 2] < 15, "not-measured"),
        (feature("plane", TOP), lambda at: at[:, 0] < -60, "too-little-covered"),
        (feature("plane", NearPlane(UP, 500.0, 1.0)), None, "no-face"),
    ],
)
def test_what_cannot_be_measured_says_why(spec, kept, code):
    result, figures = measured(spec, placed(kept=kept))
    assert (result.code, figures) == (code, {})
    assert result.sentence.endswith(".")


def test_a_pair_with_one_missing_says_which():
    points = placed(kept=lambda at: at[:, 2] > 1.0)
    found = {
        name: measure_feature(FeatureSpec(name, "plane", (selection,)), PAD, points, instrument_mm=0.05)
        for name, selection in (("top", TOP), ("bottom", BOTTOM))
    }
    pair = measure_pair(PairSpec("distance", "top", "bottom"), found)
    assert pair.figure is None and pair.sentence.startswith("“bottom” was not measured: ")
