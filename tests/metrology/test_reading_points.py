"""E57, LAS and LAZ: written with the reference libraries (pye57 0.4, laspy 2.7), and LAS once by hand."""

import struct

import numpy as np
import pytest

from fixtures.formats import Stand, write_e57, write_las
from metrology.errors import MetrologyError, ReadingError, Stopped
from metrology.reading import points_apart, read_mesh, read_scan_file

pytest.importorskip("pye57", reason="no reader of E57 comes for this machine")
POINTS = np.random.default_rng(5).normal(size=(400, 3))
INVALID = np.arange(400) < 25
TURN = (np.cos(0.3), 0.0, 0.0, np.sin(0.3))  # by 0.6 rad about z


@pytest.fixture
def e57(tmp_path):
    def write(*stands):
        write_e57(stands, tmp_path / "scan.e57")
        return tmp_path / "scan.e57"

    return write


@pytest.fixture(params=["scan.las", "scan.laz"])
def las(request, tmp_path):
    def write(points=POINTS, **given):
        write_las(points, tmp_path / request.param, **given)
        return tmp_path / request.param

    return write


def refusal(path, unit="m"):
    with pytest.raises(MetrologyError) as refused:
        read_scan_file(path, unit=unit)
    assert refused.value.sentence.endswith(".")
    return refused.value


# ---- E57 -------------------------------------------------------------------------------------------------------------


def test_points_are_metres_and_keep_all_their_digits(e57):
    file = read_scan_file(e57(Stand(POINTS)), unit="m")
    assert (file.own_unit, file.kind, file.notes) == ("m", "e57", ())
    assert np.array_equal(file.cloud.points, POINTS * 1000)


def test_a_pose_turns_and_moves_a_scan(e57):
    file = read_scan_file(e57(Stand(POINTS, TURN, (10, 20, 30))), unit="m")
    turn = np.array([(np.cos(0.6), -np.sin(0.6), 0), (np.sin(0.6), np.cos(0.6), 0), (0, 0, 1)])
    assert file.cloud.points == pytest.approx((POINTS @ turn.T + (10, 20, 30)) * 1000)


def test_the_library_itself_places_points_alike(e57):
    """Second route: pye57's own reading with the pose applied."""
    import pye57

    path = e57(Stand(POINTS, (0.1, 0.7, -0.1, 0.7), (1, -2, 3)))
    other = pye57.E57(str(path)).read_scan(0, ignore_missing_fields=True)
    expected = np.column_stack([other[f"cartesian{axis}"] for axis in "XYZ"])
    assert read_scan_file(path, unit="m").cloud.points == pytest.approx(expected * 1000)


def test_several_scans_are_joined_by_their_poses(e57):
    file = read_scan_file(e57(Stand(POINTS, shift=(5, 0, 0)), Stand(POINTS, shift=(-5, 0, 0))), unit="m")
    assert len(file.cloud.points) == 800
    assert file.cloud.points[400:] - file.cloud.points[:400] == pytest.approx(np.tile((-10_000, 0, 0), (400, 1)))
    assert file.notes == ("2 scans of the file were joined by their poses.",)


def test_a_scan_without_a_pose_is_said_when_there_are_others(e57):
    notes = read_scan_file(e57(Stand(POINTS), Stand(POINTS, None)), unit="m").notes
    assert "1 of them state no pose" in notes[1]
    assert read_scan_file(e57(Stand(POINTS, None)), unit="m").notes == ()


def test_ranges_and_angles_become_coordinates(e57):
    file = read_scan_file(e57(Stand(POINTS, TURN, spherical=True)), unit="m")
    assert file.cloud.points == pytest.approx(read_scan_file(e57(Stand(POINTS, TURN)), unit="m").cloud.points)


@pytest.mark.parametrize("spherical", [False, True])
def test_points_marked_as_invalid_are_left_out_and_counted(e57, spherical):
    file = read_scan_file(e57(Stand(POINTS, invalid=INVALID, spherical=spherical)), unit="m")
    assert file.cloud.points == pytest.approx(POINTS[25:] * 1000)
    assert "25 points that the scanner marked as invalid were left out." in file.notes


def test_steps_of_scaled_integers_are_told(e57):
    file = read_scan_file(e57(Stand(POINTS, step=1e-4)), unit="m")
    assert file.step_mm == pytest.approx(0.1)
    assert np.abs(file.cloud.points - POINTS * 1000).max() <= 0.0501
    assert "steps of 0.10\u00a0mm" in file.notes[0]


def test_missing_fields_are_named(e57):
    error = refusal(e57(Stand(POINTS, fields=("cartesianX", "cartesianY", "height"))))
    assert error.code == "no-points"
    assert "lacks cartesianZ" in error.sentence
    assert "holds cartesianX, cartesianY, height" in error.sentence


def test_a_file_without_points_or_with_only_invalid_ones_is_refused(e57):
    assert refusal(e57()).code == "no-points"
    assert refusal(e57(Stand(POINTS, invalid=INVALID | True))).code == "no-points"


def test_a_pose_that_is_no_rotation_is_refused(e57):
    assert "is not a rotation" in refusal(e57(Stand(POINTS, (2, 0, 0, 0)))).sentence


def test_other_units_than_metres_stop_with_both_sizes(e57):
    error = refusal(e57(Stand(POINTS)), "mm")
    assert (error.code, error.likely_unit) == ("unit-contradiction", "m")


@pytest.mark.parametrize("cut", [0.3, 0.99])
def test_an_e57_cut_short_is_refused(e57, cut):
    path = e57(Stand(POINTS))
    content = path.read_bytes()
    path.write_bytes(content[: int(len(content) * cut)])
    assert refusal(path).code == "damaged"


def test_a_flipped_bit_is_found_by_the_checksums(e57):
    path = e57(Stand(POINTS))
    content = bytearray(path.read_bytes())
    content[2000] ^= 1
    path.write_bytes(content)
    assert refusal(path).code == "damaged"


def test_where_no_library_reads_e57_that_is_said(e57, monkeypatch):
    path = e57(Stand(POINTS))
    monkeypatch.setitem(points_apart.MODULES, "e57", "no_such_library")
    error = refusal(path)
    assert error.code == "no-reader"
    assert "cannot be read on this machine" in error.sentence


# ---- LAS and LAZ -----------------------------------------------------------------------------------------------------


def test_scale_and_zero_are_applied_in_double_precision(las):
    file = read_scan_file(las(POINTS + (4_000_000, 0, 0), step=1e-6, zero=(4_000_000, 0, 0)), unit="m")
    assert file.cloud.origin == (4_000_000_000, 0, 0)
    assert np.abs(file.cloud.points - POINTS * 1000).max() <= 0.0006  # half a step, and a double at 4 × 10⁹ mm
    assert file.step_mm == pytest.approx(0.001)


@pytest.mark.parametrize(("code", "unit"), [(9001, "m"), (9002, "ft"), (9003, "ft")])
def test_the_unit_of_the_reference_system_is_read(las, code, unit):
    path = las(linear_unit=code)
    assert read_scan_file(path, unit=unit).own_unit == unit
    assert refusal(path, "in").likely_unit == unit


def test_a_file_that_names_no_unit_is_taken_as_stated(las):
    file = read_scan_file(las(), unit="in")
    assert file.own_unit == ""
    assert np.abs(file.cloud.points - POINTS * 25.4).max() < 0.001


def test_withheld_points_are_left_out_and_counted(las):
    file = read_scan_file(las(withheld=INVALID), unit="m")
    assert len(file.cloud.points) == 375
    assert "25 points that are marked as withheld were left out." in file.notes


def test_points_of_a_hand_written_file_are_found(tmp_path):
    """LAS 1.2, point format 0: a header of 227 bytes, then 20 bytes a point, integers first (ASPRS, from memory)."""
    numbers = np.random.default_rng(1).integers(-(10**4), 10**4, size=(200, 3))
    head = bytearray(227)
    head[:4], head[24:26] = b"LASF", bytes((1, 2))
    struct.pack_into("<HIIBHI", head, 94, 227, 227, 0, 0, 20, 200)
    struct.pack_into("<6d", head, 131, 0.001, 0.001, 0.002, 10.0, 20.0, 30.0)
    path = tmp_path / "a.las"
    path.write_bytes(
        bytes(head) + b"".join(struct.pack("<3iHBBbBH", *row, 0, 0, 0, 0, 0, 0) for row in numbers.tolist())
    )
    file = read_scan_file(path, unit="m")
    assert file.cloud.points == pytest.approx((numbers * (0.001, 0.001, 0.002) + (10, 20, 30)) * 1000)
    assert file.step_mm == pytest.approx(2.0)


WELL_KNOWN = {
    'PROJCS["a",GEOGCS["b",SPHEROID["c",6378137,298.25],UNIT["degree",0.0174532925199433]],UNIT["metre",1]]': "m",
    'PROJCS["a",GEOGCS["b",UNIT["degree",0.0174532925199433]],UNIT["US survey foot",0.3048006096012192]]': "ft",
    'PROJCRS["a",BASEGEOGCRS["b",ELLIPSOID["c",6378137,298.25,LENGTHUNIT["metre",1]]],CS[Cartesian,2],'
    'AXIS["e",east],LENGTHUNIT["foot",0.3048]]': "ft",
    'LOCAL_CS["site",UNIT["millimetre",0.001]]': "mm",
    'LOCAL_CS["site",UNIT["chain",20.1168]]': "",
    "": "",
}


@pytest.mark.parametrize("text", WELL_KNOWN)
def test_units_of_well_known_text(text):
    from metrology.reading.apart_readers import _unit_of_text

    assert _unit_of_text(text) == WELL_KNOWN[text]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('GEOGCS["b",UNIT["degree",0.0174532925199433]]', "degrees of latitude"),
        ('COMPD_CS["a",PROJCS["b",UNIT["foot",0.3048]],VERT_CS["c",UNIT["metre",1]]]', "plan and height"),
    ],
)
def test_reference_systems_that_bend_a_part_are_refused(text, words):
    from metrology.reading.apart_readers import Refused, _unit_of_text

    with pytest.raises(Refused, match=words):
        _unit_of_text(text)


@pytest.mark.parametrize("cut", [0.1, 0.5, 0.95])
def test_a_las_cut_short_is_refused(las, cut):
    path = las()
    content = path.read_bytes()
    path.write_bytes(content[: int(len(content) * cut)])
    assert refusal(path).code in ("truncated", "damaged")


@pytest.mark.parametrize(("place", "form", "value"), [(100, "<I", 2**32 - 1), (107, "<I", 2**32 - 1), (131, "<d", 0.0)])
def test_senseless_headers_are_refused_at_once(las, place, form, value):
    path = las()
    content = bytearray(path.read_bytes())
    struct.pack_into(form, content, place, value)
    path.write_bytes(content)
    assert refusal(path).code in ("truncated", "damaged")


def test_points_are_no_nominal(las):
    with pytest.raises(ReadingError, match="points without a surface"):
        read_mesh(las(), unit="m")


def test_reading_points_can_be_stopped(las):
    def stop(stage, share):
        raise Stopped

    with pytest.raises(Stopped):
        read_scan_file(las(), unit="m", progress=stop)
