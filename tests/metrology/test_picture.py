"""What the pictures show, pixel by pixel. Bodies and deviations are invented and known in closed form."""

import re
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from PIL import Image

from metrology.bodies import Mesh
from metrology.errors import InputError
from metrology.pictures.deviation_views import (
    VIEWS,
    deviation_picture,
    deviation_pictures,
    histogram_picture,
    nominal_picture,
)
from metrology.pictures.furniture import part_box
from metrology.pictures.palette import GRAPHITE, NOT_MEASURED, PALETTE, STIPPLE, rgb
from metrology.pictures.views import camera, view_named
from metrology.surfaces.surface import prepare, sample

from .bodies_for_tests import box, corner_block

LIMITS = {"lower_mm": -1.5, "upper_mm": 1.5, "guard_mm": 0.3}
HIGH, LOW = [PALETTE[f"hi{k}"] for k in range(1, 5)], [PALETTE[f"lo{k}"] for k in range(1, 5)]
STYLESHEET = Path(__file__).parents[2] / "static" / "proofmark" / "css" / "base.css"


def samples(mesh: Mesh, count: int = 3000):
    return sample(prepare(mesh), count)


def bump(points, at, radius, size):
    return size * np.exp(-((points - np.array(at)) ** 2).sum(axis=1) / (2 * radius**2))


def draw(mesh, taken, deviation, view, **more) -> np.ndarray:
    size = {"width": 600, "height": 450}
    picture = deviation_picture(
        mesh, taken.points, deviation, view=view, sample_normals=taken.normals, **LIMITS | size | more
    )
    return np.asarray(picture).astype(int)


def of_colours(picture: np.ndarray, *colours) -> np.ndarray:
    """Pixels of exactly these colours, above the legend."""
    found = np.any([(picture == colour).all(axis=2) for colour in colours], axis=0)
    found[int(450 - 172 * 0.5) :] = False
    return found


def pixel_of(mesh: Mesh, at, view: str, width: int = 600, height: int = 450) -> tuple[int, int]:
    """Row and column of a point of the part."""
    x, y, _ = camera(view_named(view), mesh.vertices, part_box(width, height, width / 1200)).place(np.array(at))
    return int(y), int(x)


def around(picture: np.ndarray, pixel: tuple[int, int], half: int) -> np.ndarray:
    row, column = pixel
    return picture[row - half : row + half + 1, column - half : column + half + 1]


def callout(number, at, normal, value, sentence):
    return SimpleNamespace(number=number, at=np.array(at), normal=np.array(normal), value=value, sentence=sentence)


def test_the_palette_is_that_of_the_stylesheet():
    declared = dict(re.findall(r"--(lo\d|mid|hi\d): (#[0-9a-f]{6})", STYLESHEET.read_text()))
    assert {name: rgb(code) for name, code in declared.items()} == PALETTE


@pytest.mark.parametrize("view", [view.name for view in VIEWS])
def test_a_bump_is_orange_at_its_place_and_a_dent_purple_at_its_place(view):
    mesh = box()
    taken, toward = samples(mesh), view_named(view).toward
    on_face = {"top": 2, "bottom": 2, "front": 0, "back": 0, "left": 1, "right": 1, "pictorial": 2}[view]
    high, low = mesh.size / 5, -mesh.size / 5
    high[on_face] = low[on_face] = np.sign(toward[on_face]) * mesh.size[on_face] / 2
    deviation = bump(taken.points, high, 6, 1.1) - bump(taken.points, low, 6, 1.1)
    picture = draw(mesh, taken, deviation, view)
    for at, here, not_here in ((high, HIGH, LOW), (low, LOW, HIGH)):
        pixel = pixel_of(mesh, at, view)
        # In the middle stands the sign of the island.
        assert around(of_colours(picture, *here), pixel, 12).mean() > 0.3
        assert not around(of_colours(picture, *not_here), pixel, 12).any()


@pytest.mark.parametrize(
    ("view", "at", "right", "up"),
    [
        ("top", (40, 0, 20), 1, 0),
        ("top", (0, 20, 20), 0, 1),
        ("bottom", (0, 20, -20), 0, -1),
        ("front", (50, 20, 0), 1, 0),
        ("back", (-50, 20, 0), -1, 0),
        ("left", (40, 30, 0), -1, 0),
        ("right", (40, -30, 0), 1, 0),
        ("front", (50, 0, 12), 0, 1),
    ],
)
def test_forward_left_and_up_lie_where_the_words_say(view, at, right, up):
    mesh = box()
    taken = samples(mesh)
    rows, columns = np.nonzero(of_colours(draw(mesh, taken, bump(taken.points, at, 5, 1.4), view), *HIGH))
    row, column = pixel_of(mesh, (0, 0, 0), view)
    assert np.sign([round((columns.mean() - column) / 20), round((row - rows.mean()) / 20)]).tolist() == [right, up]


def test_faces_behind_are_not_drawn():
    mesh = box()
    taken = samples(mesh)
    below = np.where(taken.normals[:, 2] < -0.5, 2.0, 0.0)
    assert not of_colours(draw(mesh, taken, below, "top"), *HIGH).any()
    assert not of_colours(draw(mesh, taken, below, "pictorial"), *HIGH).any()
    assert of_colours(draw(mesh, taken, below, "bottom"), *HIGH).any()


def test_a_near_part_hides_a_far_one():
    far, near = box(80, 80, 10), box(30, 30, 10)
    mesh = Mesh(np.vstack([far.vertices, near.vertices + (0, 0, 40)]), np.vstack([far.faces, near.faces + 8]))
    taken = samples(mesh)
    picture = draw(mesh, taken, np.where(taken.points[:, 2] > 20, 1.0, -1.0), "top")
    inside = around(picture, pixel_of(mesh, (0, 0, 45), "top"), 30)
    assert (inside == PALETTE["hi2"]).all(axis=2).mean() > 0.8
    assert not any((inside == colour).all(axis=2).any() for colour in LOW)
    assert (picture[pixel_of(mesh, (30, 30, 5), "top")] == PALETTE["lo2"]).all()


def test_the_two_sides_of_a_thin_plate_do_not_mix():
    mesh = box(100, 100, 0.5)
    taken = samples(mesh, 1000)
    deviation = np.where(taken.normals[:, 2] > 0.5, 1.0, np.where(taken.normals[:, 2] < -0.5, -1.0, 0.0))
    from_above, from_below = (draw(mesh, taken, deviation, view) for view in ("top", "bottom"))
    assert of_colours(from_above, PALETTE["hi2"]).sum() > 50_000 and not of_colours(from_above, *LOW).any()
    assert of_colours(from_below, PALETTE["lo2"]).sum() > 50_000 and not of_colours(from_below, *HIGH).any()


def test_sides_are_told_apart_without_being_given_normals():
    mesh = box(100, 100, 0.5)
    taken = samples(mesh, 1000)
    deviation = np.where(taken.normals[:, 2] > 0.5, 1.0, -1.0)
    given = draw(mesh, taken, deviation, "top")
    found = deviation_picture(mesh, taken.points, deviation, view="top", **LIMITS, width=600, height=450)
    assert np.array_equal(given, np.asarray(found))


def test_what_was_not_measured_is_stippled_and_has_no_colour_of_deviation():
    mesh = box()
    taken = samples(mesh)
    deviation = np.where((np.abs(taken.points[:, :2]) < 12).all(axis=1), np.nan, 0.0)
    picture = draw(mesh, taken, deviation, "top")
    patch = around(picture, pixel_of(mesh, (0, 0, 20), "top"), 25)
    grey = (patch == NOT_MEASURED).all(axis=2)
    stippled = (np.abs(patch - np.array(STIPPLE)).max(axis=2) < 40).mean()
    assert grey.mean() > 0.7 and 0.005 < stippled < 0.1
    assert not np.any([(patch == colour).all(axis=2) for colour in PALETTE.values()])
    assert (picture[pixel_of(mesh, (40, 0, 20), "top")] == PALETTE["mid"]).all()


def test_the_grey_begins_half_way_between_measured_and_unmeasured_samples():
    mesh = box()
    taken = samples(mesh)
    picture = draw(mesh, taken, np.where(taken.points[:, 0] > 0, np.nan, 0.0), "top")
    row, column = pixel_of(mesh, (0, 0, 20), "top")
    grey = (picture[row - 60 : row + 60] == NOT_MEASURED).all(axis=2)
    assert not grey[:, : column - 6].any() and grey[:, column + 8 : column + 30].mean() > 0.6


def test_with_nothing_measured_the_whole_part_is_stippled():
    mesh = box()
    taken = samples(mesh, 400)
    picture = draw(mesh, taken, np.full(len(taken.points), np.nan), "pictorial")
    assert of_colours(picture, NOT_MEASURED).sum() > 20_000
    assert not of_colours(picture, *PALETTE.values()).any()


def _white_along(picture: np.ndarray, rising: bool) -> float:
    """How often the pixel diagonally beside a light pixel is light too, along / or along \\."""
    light = picture.min(axis=2) > 200
    other = light[:-3, 3:] if rising else light[3:, 3:]
    first = light[3:, :-3] if rising else light[:-3, :-3]
    return float((first & other).sum() / max(first.sum(), 1))


@pytest.mark.parametrize("value", [2.0, -2.0])
def test_hatch_beyond_a_limit_rises_when_too_high_and_falls_when_too_low(value):
    mesh = box()
    taken = samples(mesh)
    picture = draw(mesh, taken, np.full(len(taken.points), value), "top", width=1200, height=900)
    patch = around(picture, pixel_of(mesh, (20, 10, 20), "top", 1200, 900), 60)
    assert 0.1 < (patch.min(axis=2) > 200).mean() < 0.5
    assert _white_along(patch, rising=value > 0) > 0.9
    assert _white_along(patch, rising=value < 0) < 0.3
    assert (patch == PALETTE["hi4" if value > 0 else "lo4"]).all(axis=2).mean() > 0.3


def test_the_guard_band_is_dotted_and_what_is_accepted_is_plain():
    mesh = box()
    taken = samples(mesh)
    dotted, plain = (
        around(
            draw(mesh, taken, np.full(len(taken.points), value), "top", width=1200, height=900),
            pixel_of(mesh, (20, 10, 20), "top", 1200, 900),
            60,
        )
        for value in (1.35, 1.15)
    )
    light = dotted.min(axis=2) > 200
    assert 0.05 < light.mean() < 0.4
    assert _white_along(dotted, rising=True) < 0.5 and _white_along(dotted, rising=False) < 0.5
    assert (plain == PALETTE["hi2"]).all(axis=2).mean() > 0.99


def test_a_sample_just_beyond_a_limit_shows_as_beyond_it_amid_noise():
    mesh = box()
    taken = samples(mesh)
    deviation = np.random.default_rng(3).normal(1.0, 0.05, len(taken.points))
    row = int(np.argmin(((taken.points - (20, 10, 20)) ** 2).sum(axis=1)))
    deviation[row] = 1.55
    patch = around(draw(mesh, taken, deviation, "top"), pixel_of(mesh, taken.points[row], "top"), 2)
    assert (patch == PALETTE["hi4"]).all(axis=2).any()


def test_equal_input_gives_equal_bytes_alone_or_among_other_views():
    mesh = corner_block()
    taken = samples(mesh)
    deviation = bump(taken.points, (60, 60, 150), 40, 2.0)
    called = [callout(1, (60, 60, 150), (0, 0, 1), 2.0, "2.0\u00a0mm too high at the top")]
    more = LIMITS | {"callouts": called, "width": 600, "height": 450}
    alone = deviation_picture(mesh, taken.points, deviation, view="pictorial", **more)
    together = deviation_pictures(mesh, taken.points, deviation, views=("top", "pictorial"), **more)
    assert together["pictorial"].tobytes() == alone.tobytes()
    assert list(together) == ["top", "pictorial"]


def test_a_callout_has_a_framed_label_and_a_point_at_its_place():
    mesh = box()
    taken = samples(mesh)
    at = (20, 10, 20)
    deviation = np.zeros(len(taken.points))
    called = [callout(1, at, (0, 0, 1), 0.4, "0.4\u00a0mm too high at the seat")]
    bare, labelled = draw(mesh, taken, deviation, "top"), draw(mesh, taken, deviation, "top", callouts=called)
    rows, columns = np.nonzero((bare != labelled).any(axis=2))
    row, column = pixel_of(mesh, at, "top")
    assert (labelled[row, column] > 240).all() and (labelled[row, column - 3] < 120).all()
    # The label: wide enough for its words, framed, and not on its own point.
    assert np.ptp(columns) > 80 and np.ptp(rows) > 25
    dark = of_colours(labelled, GRAPHITE) & ~of_colours(bare, GRAPHITE)
    assert dark.sum(axis=1).max() > 80


def test_a_callout_out_of_sight_is_not_drawn_on_the_part_but_named():
    mesh = box()
    taken = samples(mesh)
    deviation = np.zeros(len(taken.points))
    called = [callout(7, (20, 10, -20), (0, 0, -1), 0.4, "0.4\u00a0mm too low at the underside")]
    bare, labelled = draw(mesh, taken, deviation, "top"), draw(mesh, taken, deviation, "top", callouts=called)
    rows, columns = np.nonzero((bare != labelled).any(axis=2))
    assert len(rows) and rows.max() < 40 and columns.min() > 400


def test_labels_keep_clear_of_each_other_and_of_the_points():
    mesh = corner_block()
    taken = samples(mesh)
    places = [(20 + 24 * k, 60 + 20 * (k % 3), 150) for k in range(6)]
    called = [callout(k + 1, at, (0, 0, 1), 1.0, "1.0\u00a0mm too high at the top") for k, at in enumerate(places)]
    picture = draw(mesh, taken, np.zeros(len(taken.points)), "top", callouts=called)
    for at in places:
        assert (picture[pixel_of(mesh, at, "top")] > 240).all()


def test_each_island_carries_its_sign_so_that_a_grey_print_keeps_it():
    mesh = box()
    taken = samples(mesh)
    field = bump(taken.points, (0, 0, 20), 10, 0.7)
    grey = [Image.fromarray(draw(mesh, taken, d, "top").astype(np.uint8)).convert("L") for d in (field, -field)]
    dark = [around(np.asarray(picture) < 80, pixel_of(mesh, (0, 0, 20), "top"), 6) for picture in grey]
    plus_rows, minus_rows = (sign.any(axis=1).sum() for sign in dark)
    plus_columns, minus_columns = (sign.any(axis=0).sum() for sign in dark)
    assert plus_rows >= 6 and plus_columns >= 6
    assert minus_rows <= 2 and minus_columns >= 6


def test_visible_edges_are_drawn_and_hidden_ones_are_not():
    mesh = box(100, 100, 100)
    picture = np.asarray(nominal_picture(mesh, width=600, height=450)).astype(int)
    side = 0.06 * 450
    eye = camera(view_named("pictorial"), mesh.vertices, (side, side, 600 - side, 450 - side))

    def dark_at(*at):
        x, y, _ = eye.place(np.array(at, dtype=float))
        return around(picture, (int(y), int(x)), 1).max(axis=2).min() < 120

    # Seen from front right and above: the edges at the near upper corner show, those at the far lower corner do not.
    assert dark_at(50, 0, 50) and dark_at(0, -50, 50) and dark_at(50, -50, 0)
    assert not dark_at(-50, 15, -50) and not dark_at(-15, 50, -50) and not dark_at(-50, 50, -20)


def test_edges_behind_another_body_are_not_drawn():
    far, near = box(20, 20, 20), box(60, 60, 10)
    mesh = Mesh(np.vstack([far.vertices, near.vertices + (0, 0, 40)]), np.vstack([far.faces, near.faces + 8]))
    picture = np.asarray(nominal_picture(mesh, view="top", width=400, height=300)).astype(int)
    assert picture[60:240, 110:290].min() > 200


def test_coplanar_triangles_have_no_line_between_them():
    picture = np.asarray(nominal_picture(corner_block(), view="bottom", width=600, height=450)).astype(int)
    assert np.ptp(picture[180:270, 250:350].reshape(-1, 3), axis=0).max() == 0


def test_the_nominal_alone_has_no_colour_of_deviation():
    picture = np.asarray(nominal_picture(corner_block(), width=400, height=300)).astype(int)
    assert np.ptp(picture, axis=2).max() < 20


def test_a_histogram_is_coloured_by_band():
    edges = np.linspace(-2, 2, 41)
    counts = np.zeros(40, dtype=int)
    counts[[1, 20, 38]] = 10
    picture = np.asarray(histogram_picture(edges, counts, **LIMITS, width=760, height=420)).astype(int)
    columns = {name: np.nonzero((picture == PALETTE[name]).all(axis=2))[1] for name in ("lo4", "mid", "hi4", "hi2")}
    assert columns["lo4"].max() < 200 < columns["mid"].min() <= columns["mid"].max() < 560 < columns["hi4"].min()
    assert not len(columns["hi2"])


@pytest.mark.parametrize(
    ("changed", "code"),
    [
        ({"view": "inside"}, "view"),
        ({"lower_mm": 2.0}, "limits-swapped"),
        ({"guard_mm": -0.1}, "negative-uncertainty"),
        ({"upper_mm": float("nan")}, "not-a-number"),
        ({"width": 20}, "picture-size"),
        ({"text_scale": 3.0}, "picture-size"),
        ({"background": "black"}, "background"),
        ({"sample_points": np.zeros((4, 3))}, "samples"),
    ],
)
def test_input_that_cannot_be_drawn_is_refused_with_a_reason(changed, code):
    mesh = box()
    taken = samples(mesh, 400)
    given = {"sample_points": taken.points, "sample_deviation": np.zeros(len(taken.points)), "view": "top"}
    with pytest.raises(InputError) as refusal:
        deviation_picture(mesh, **given | LIMITS | changed)
    assert refusal.value.code == code and refusal.value.sentence.endswith(".")


def test_a_histogram_with_the_wrong_number_of_bars_is_refused():
    with pytest.raises(InputError) as refusal:
        histogram_picture([0, 1], [1, 2], **LIMITS)
    assert refusal.value.code == "histogram"
