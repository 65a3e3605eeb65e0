"""The parts of picture making against closed forms."""

import numpy as np
import pytest
import trimesh
from PIL import Image
from scipy.spatial import Delaunay

from metrology.pictures.edges import find_edges
from metrology.pictures.field import Field
from metrology.pictures.furniture import round_length
from metrology.pictures.lettering import Lettering, drawable, plain
from metrology.pictures.palette import scale
from metrology.pictures.raster import rasterise
from metrology.pictures.views import VIEWS, camera
from metrology.surfaces.surface import prepare, sample

from .bodies_for_tests import box, from_trimesh


def test_a_ball_is_covered_without_holes_and_at_its_own_depth():
    """Closed form: depth of a sphere."""
    ball = trimesh.creation.icosphere(subdivisions=5, radius=100.0)
    corners = np.array(ball.vertices)[ball.faces] + (128.3, 127.6, 0.0)
    seen = rasterise(corners, 256, 256, np.arange(len(corners)))
    y, x = np.mgrid[0:256, 0:256] + 0.5
    from_middle = np.hypot(x - 128.3, y - 127.6)
    assert (seen.face[from_middle < 99.7] >= 0).all() and (seen.face[from_middle > 100] < 0).all()
    inner = from_middle < 90
    assert np.abs(seen.depth - np.sqrt(np.maximum(1e4 - from_middle**2, 0)))[inner].max() < 0.1


def test_triangles_that_share_edges_leave_neither_gap_nor_overlap():
    """Each triangle alone covers its pixels; all together they must cover every pixel of the square exactly once."""
    rng = np.random.default_rng(5)
    points = np.vstack([rng.uniform(0, 64, (150, 2)), [(0, 0), (64, 0), (0, 64), (64, 64)]])
    # On pixel middles, where ties are decided.
    points[:40] = np.floor(points[:40]) + 0.5
    corners = np.pad(points[Delaunay(points).simplices], ((0, 0), (0, 0), (0, 1)))
    times = sum((rasterise(corners, 64, 64, np.array([k])).face >= 0).astype(int) for k in range(len(corners)))
    assert (times == 1).all()


def test_the_camera_goes_there_and_back_and_keeps_right_angles():
    points = np.random.default_rng(2).uniform(-100, 100, (50, 3))
    for view in VIEWS:
        eye = camera(view, points, (10.0, 20.0, 300.0, 200.0))
        assert eye.back(eye.place(points)) == pytest.approx(points, abs=1e-9)
        assert eye.axes @ eye.axes.T == pytest.approx(np.eye(3), abs=1e-12)
        placed = eye.place(points)
        assert placed[:, 0].min() >= 10 - 1e-9 and placed[:, 1].max() <= 200 + 1e-9
        # y runs down, so right × down points away from the eye: no mirror image.
        assert np.linalg.det(eye.axes) == pytest.approx(-1.0)


def test_a_box_has_twelve_sharp_edges_and_six_patches():
    surface = prepare(box())
    edges = find_edges(surface.faces, surface.normals)
    assert edges.sharp.sum() == 12 and len(edges.sharp) == 18 and len(set(edges.patch)) == 6


def test_a_finely_faceted_cylinder_has_two_sharp_rings():
    surface = prepare(from_trimesh(trimesh.creation.cylinder(10, 30, sections=36)))
    edges = find_edges(surface.faces, surface.normals)
    assert edges.sharp.sum() == 72 and len(set(edges.patch)) == 3


def test_a_plane_of_deviation_is_found_exactly_between_samples():
    """Closed form: a linear field."""
    taken = sample(prepare(box()), 2000)
    top = taken.normals[:, 2] > 0.5
    points, normals = taken.points[top], taken.normals[top]
    field = Field(points, normals, 0.01 * points[:, 0] - 0.02 * points[:, 1], (-9.0, 9.0))
    at = np.random.default_rng(1).uniform((-40, -20, 20), (40, 20, 20), (300, 3))
    value, share = field.at(at, np.tile([0.0, 0.0, 1.0], (300, 1)))
    assert value == pytest.approx(0.01 * at[:, 0] - 0.02 * at[:, 1], abs=0.002)
    assert share == pytest.approx(1.0)


def test_noise_is_levelled_but_a_sample_beyond_a_limit_keeps_its_value():
    taken = sample(prepare(box()), 2000)
    deviation = np.random.default_rng(4).normal(0.0, 0.1, len(taken.points))
    deviation[100] = 1.2
    field = Field(taken.points, taken.normals, deviation, (-1.0, 1.0))
    value, _ = field.at(taken.points, taken.normals)
    assert value[100] == pytest.approx(1.2)
    assert np.delete(value, 100).std() < 0.07
    assert np.abs(value - deviation).max() < 0.25


def test_the_field_says_where_nothing_was_measured():
    taken = sample(prepare(box()), 2000)
    deviation = np.where(taken.points[:, 0] > 0, np.nan, 0.5)
    value, share = Field(taken.points, taken.normals, deviation, (-1.0, 1.0)).at(
        np.array([(-30.0, 0, 20), (30.0, 0, 20)]), np.tile([0.0, 0.0, 1.0], (2, 1))
    )
    assert value[0] == pytest.approx(0.5) and np.isnan(value[1])
    assert share.tolist() == [1.0, 0.0]


@pytest.mark.parametrize(
    ("limits", "edges"),
    [
        ((-1.5, 1.5, 0.3), [-1.5, -1.2, -0.8, -0.4, 0.4, 0.8, 1.2, 1.5]),
        ((-0.5, 1.0, 0.2), [-0.5, -0.3, -0.2, -0.1, 0.8 / 3, 1.6 / 3, 0.8, 1.0]),
        ((-1.2, 1.2, 0.0), [-1.2, -1.2, -0.8, -0.4, 0.4, 0.8, 1.2, 1.2]),
        ((-0.2, 0.2, 0.3), [-0.2, 0, 0, 0, 0, 0, 0, 0.2]),
        ((0.0, 2.0, 0.1), [0.0, 0.1, 0.4, 0.7, 1.3, 1.6, 1.9, 2.0]),
    ],
)
def test_bands_are_cut_at_the_limits_at_the_guard_band_and_in_even_steps(limits, edges):
    assert scale(*limits).edges == pytest.approx(edges)


def test_without_a_guard_band_there_are_seven_bands():
    assert len(scale(-1.5, 1.5, 0.3).present()) == 9
    assert scale(-1.5, 1.5, 0.0).present() == [0, 2, 3, 4, 5, 6, 8]


def test_figures_beside_the_bands_tell_them_apart():
    bands = scale(-1.0, 1.0, 0.12)
    assert [bands.label(k) for k in range(8)] == [
        "−1.00", "−0.88", "−0.59", "−0.29", "+0.29", "+0.59", "+0.88", "+1.00",
    ]  # fmt: skip


@pytest.mark.parametrize(("most", "length"), [(230, 200), (99, 50), (100, 100), (0.34, 0.2), (7, 5), (1999, 1000)])
def test_scale_bars_have_round_lengths(most, length):
    assert round_length(most) == pytest.approx(length)


def inked(text: str) -> np.ndarray:
    image = Image.new("L", (200, 60), 255).convert("RGB")
    Lettering(image, 1.0).write((10, 40), text, 24)
    return np.asarray(image.convert("L")) < 128


def test_a_minus_sign_is_one_bar_at_the_height_of_the_plus():
    minus, plus = inked("−"), inked("+")
    rows = np.flatnonzero(minus.any(axis=1))
    assert 1 <= len(rows) <= 3 and minus.any(axis=0).sum() >= 8
    middle_of_plus = np.flatnonzero(plus.any(axis=1)).mean()
    assert abs(rows.mean() - middle_of_plus) <= 1.5


def test_a_no_break_space_is_drawn_as_a_space():
    assert np.array_equal(inked("1.8\u00a0mm"), inked("1.8 mm")) and inked("1.8 mm").any()


def test_letters_that_the_font_lacks_lose_their_accents_or_are_refused():
    assert plain("Brückenkopf Süd") == "Bruckenkopf Sud" and drawable("Brückenkopf Süd")
    assert not drawable("座面")


def test_long_words_are_cut_to_fit():
    lettering = Lettering(Image.new("RGB", (1, 1)), 1.0)
    cut = lettering.fitted("at the seat of the saddle block beside the recess", 20, 200)
    assert cut.endswith("…") and lettering.width(cut, 20) <= 200
