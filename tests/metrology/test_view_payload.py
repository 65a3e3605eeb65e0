"""What the three-dimensional view is given: the stored numbers, to the last bit that it keeps."""

import gzip
import json
from types import SimpleNamespace

import numpy as np
import pytest

from metrology.bodies import Cloud
from metrology.pictures.field import Field
from metrology.pictures.view_payload import (
    Measured,
    Region,
    deviation_view,
    nominal_view,
    packed,
    points_view,
    unpacked,
)
from metrology.surfaces.islands import signs
from metrology.surfaces.surface import prepare, sample

from .bodies_for_tests import box, corner_block

TAKEN = sample(prepare(corner_block()), 2500)
TOP = TAKEN.normals[:, 2] > 0.9


def deviations():
    """A bump of 1.4 mm on the low step; the notch's neighbourhood was not measured."""
    away = np.linalg.norm(TAKEN.points - np.array([230.0, 100.0, 75.0]), axis=1)
    values = 1.4 * np.exp(-((away / 35.0) ** 2))
    values[np.linalg.norm(TAKEN.points - np.array([75.0, 200.0, 100.0]), axis=1) < 40.0] = np.nan
    return values


def measured(**more) -> Measured:
    mark = SimpleNamespace(
        number=1, at=np.array([230.0, 100.0, 75.0]), normal=np.array([0, 0, 1.0]), value=1.4, sentence="1.4 mm too high"
    )
    usual = {
        "points": TAKEN.points,
        "normals": TAKEN.normals,
        "deviation": deviations(),
        "lower_mm": -1.0,
        "upper_mm": 1.0,
        "guard_mm": 0.1,
        "callouts": [mark],
    }
    return Measured(**usual | more)


@pytest.fixture(scope="module")
def shown():
    return unpacked(deviation_view(corner_block(), measured()))


def test_samples_are_those_that_were_stored(shown):
    header, arrays = shown
    assert np.array_equal(arrays["sampleDeviation"], deviations().astype(np.float32), equal_nan=True)
    assert np.allclose(arrays["samplePoints"] + np.array(header["origin"]), TAKEN.points, atol=1e-4)
    assert np.array_equal(arrays["sampleNormals"], TAKEN.normals.astype(np.float32))


def test_limits_guard_band_and_callouts_are_those_of_the_report(shown):
    header, _ = shown
    assert (header["lower"], header["upper"], header["guard"], header["unit"]) == (-1.0, 1.0, 0.1, "mm")
    assert header["callouts"] == [
        {"number": 1, "at": [230, 100, 75], "normal": [0, 0, 1], "value": 1.4, "sentence": "1.4 mm too high"}
    ]


def test_the_map_is_the_field_of_the_pictures(shown):
    header, arrays = shown
    field = Field(TAKEN.points, TAKEN.normals, deviations(), (-1.0, 1.0))
    places = arrays["vertices"].astype(float) + np.array(header["origin"])
    value, share = field.at(places, arrays["normals"] / 127.0)
    known = np.isfinite(value) & (value < 0.85)
    assert known.mean() > 0.9
    assert np.allclose(arrays["deviation"][known], value[known], atol=2e-3)
    assert np.abs(arrays["share"] / 255.0 - share).max() < 0.02


def test_no_sample_beyond_its_limits_falls_between_the_corners(shown):
    header, arrays = shown
    places = arrays["vertices"] + np.array(header["origin"])
    out = np.flatnonzero(deviations() > 1.0)
    assert len(out) > 5
    assert np.nanmax(arrays["deviation"]) == np.float32(np.nanmax(deviations()))
    for row in out:
        near = np.linalg.norm(places - TAKEN.points[row], axis=1) < header["spacing"]
        assert np.nanmax(arrays["deviation"][near]) >= np.float32(deviations()[row])


def test_what_was_not_measured_is_marked_so(shown):
    header, arrays = shown
    places = arrays["vertices"] + np.array(header["origin"])
    inside = np.linalg.norm(places - np.array([75.0, 200.0, 100.0]), axis=1)
    assert (arrays["share"][inside < 25.0] < 128).all() and (arrays["share"][inside > 60.0] == 255).all()


def test_triangles_are_as_fine_as_the_samples_and_keep_the_surface(shown):
    header, arrays = shown
    corners = arrays["vertices"][arrays["faces"]].astype(float)
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1).sum() / 2
    assert area == pytest.approx(prepare(corner_block()).area, rel=1e-5)
    assert np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max() <= 1.31 * header["spacing"]
    assert header["closed"] is True


def test_each_place_knows_its_regions_and_the_limits_that_apply():
    regions = [
        Region("top", -0.5, 0.6, TOP),
        Region("front", -0.8, 0.4, TAKEN.points[:, 0] > 200.0),
    ]
    header, arrays = unpacked(deviation_view(corner_block(), measured(regions=regions)))
    for row in (0, 700, 1400, 2100):
        place = header["places"][arrays["samplePlace"][row]]
        inside = [one for one in regions if one.holds[row]]
        assert place["regions"] == [one.name for one in inside]
        assert place["lower"] == max([one.lower_mm for one in inside], default=-1.0)
        assert place["upper"] == min([one.upper_mm for one in inside], default=1.0)
    assert {tuple(np.round(pair, 6)) for pair in arrays["limits"].tolist()} == {
        (-1.0, 1.0), (-0.5, 0.6), (-0.8, 0.4), (-0.5, 0.4)
    }  # fmt: skip


def test_limits_that_are_the_same_everywhere_are_sent_once(shown):
    assert "limits" not in shown[1] and len(shown[0]["places"]) == 1


def test_an_island_of_deviation_has_one_sign(shown):
    header, _ = shown
    (sign,) = header["signs"]
    assert sign["plus"] and np.linalg.norm(np.array(sign["at"]) - [230, 100, 75]) < 40


def test_signs_go_to_the_middle_of_islands_the_largest_first():
    x, y = (axis.reshape(-1).astype(float) for axis in np.mgrid[:40, :20])
    places = np.stack([x, y, np.zeros(800)], axis=1)
    deviation = np.where((x < 9) & (y < 9), 1.0, np.where((x > 15) & (y > 4) & (x < 35), -1.0, 0.0))
    found = signs(places, deviation, -0.5, 0.5, 1.0)
    assert [one.plus for one in found] == [False, True]
    assert abs(places[found[0].row] - [25, 12, 0]).max() <= 6 and abs(places[found[1].row] - [4, 4, 0]).max() <= 2


def test_a_part_that_was_not_measured_at_all_can_be_shown():
    nothing = measured(deviation=np.full(len(TAKEN.points), np.nan), callouts=[])
    _, arrays = unpacked(deviation_view(corner_block(), nothing))
    assert np.isnan(arrays["sampleDeviation"]).all() and (arrays["share"] == 0).all()


def test_the_same_input_gives_the_same_bytes():
    assert deviation_view(corner_block(), measured()) == deviation_view(corner_block(), measured())


def test_the_nominal_alone_has_its_triangles_and_lines():
    header, arrays = unpacked(nominal_view(box(100.0, 60.0, 40.0)))
    assert header["kind"] == "nominal" and set(arrays) == {"vertices", "normals", "faces", "lines"}
    assert len(arrays["faces"]) == 12 and len(arrays["lines"]) == 12
    assert header["low"] == [-50, -30, -20] and header["high"] == [50, 30, 20]


def test_points_are_thinned_and_keep_the_frame_of_the_file():
    rng = np.random.default_rng(1)
    points = rng.uniform(-500, 500, (5000, 3))
    header, arrays = unpacked(points_view(Cloud(points, (4_000_000.0, 0.0, 0.0)), most=1000))
    shown = arrays["points"].astype(float) + np.array(header["origin"])
    assert len(shown) == 1000
    assert np.abs(shown[0] - (points[0] + [4_000_000, 0, 0])).max() < 1e-3
    assert np.abs(shown[-1] - (points[-1] + [4_000_000, 0, 0])).max() < 1e-3


def test_the_file_is_laid_out_as_said():
    content = packed({"kind": "x"}, {"one": np.arange(3, dtype="u1"), "two": np.arange(4, dtype="<f4").reshape(2, 2)})
    raw = gzip.decompress(content)
    start = 4 + int.from_bytes(raw[:4], "little")
    header = json.loads(raw[4:start])
    assert start % 4 == 0
    assert header["arrays"]["one"] == {"at": 0, "type": "uint8", "rows": 3, "columns": 1}
    assert header["arrays"]["two"] == {"at": 4, "type": "float32", "rows": 2, "columns": 2}
    assert np.frombuffer(raw, "<f4", 4, start + 4).tolist() == [0, 1, 2, 3]
