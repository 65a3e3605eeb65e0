"""Point tables as scanners' programs write them: delimiters, decimal marks, headings, remarks, other columns."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from metrology.reading import read_scan, read_scan_with_notes

from .files_by_hand import NOT_ON_A_LINE, table

POINTS = np.random.default_rng(11).normal(size=(200, 3)) * 100
XYZ = "".join(f"{x} {y} {z}\n" for x, y, z in POINTS.tolist())


def points_of(tmp_path, text, name="scan.txt"):
    path = tmp_path / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_scan(path, unit="mm").points


@pytest.mark.parametrize(
    ("delimiter", "decimal"),
    [(",", "."), (", ", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), (" ", "."), (" ", ","), ("   ", ",")],
)
@pytest.mark.parametrize("titled", [False, True])
def test_every_delimiter_and_decimal_mark_is_read(tmp_path, delimiter, decimal, titled):
    heading = delimiter.join("xyz") + "\n" if titled else ""
    path = table(tmp_path / "s.csv", POINTS, delimiter=delimiter, decimal=decimal, heading=heading)
    assert np.array_equal(read_scan(path, unit="mm").points, POINTS)


@pytest.mark.parametrize(
    "heading",
    ["X,Y,Z", '"x","y","z"', "x [mm],y [mm],z [mm]", "x_mm,y_mm,z_mm", "X (mm),Y (mm),Z (mm)", "# x,y,z", "//X,Y,Z"],
)
def test_headings_in_many_spellings_are_understood(tmp_path, heading):
    path = table(tmp_path / "s.csv", POINTS, heading=heading + "\n")
    assert np.array_equal(read_scan(path, unit="mm").points, POINTS)


@pytest.mark.parametrize("heading", ["id;z;x;y;remark", "# id;z;x;y;remark"])
def test_a_heading_says_which_columns_are_the_coordinates(tmp_path, heading):
    rows = "".join(f"P{i};{z};{x};{y};poor, old. scan\n" for i, (x, y, z) in enumerate(POINTS.tolist()))
    assert np.array_equal(points_of(tmp_path, f"{heading}\n{rows}"), POINTS)


@pytest.mark.parametrize("others", [" 12 200 30", " 0.5 0.1 0.2 77", " label"])
def test_columns_after_the_third_are_passed_over(tmp_path, others):
    assert np.array_equal(points_of(tmp_path, XYZ.replace("\n", others + "\n")), POINTS)


@pytest.mark.parametrize("line_break", ["\n", "\r\n", "\r"])
def test_any_line_break_ends_a_row(tmp_path, line_break):
    assert np.array_equal(points_of(tmp_path, XYZ.replace("\n", line_break)), POINTS)


def test_remarks_and_blank_lines_are_passed_over_anywhere(tmp_path):
    lines = XYZ.splitlines()
    text = "\n".join(["# scanned 12.03.", "", *lines[:50], "", "// second, half", "% a", "! b", *lines[50:]])
    assert np.array_equal(points_of(tmp_path, text), POINTS)


def test_a_byte_order_mark_is_passed_over(tmp_path):
    assert np.array_equal(points_of(tmp_path, b"\xef\xbb\xbf" + XYZ.encode()), POINTS)


def test_a_number_of_points_at_the_top_is_not_a_point(tmp_path):
    assert np.array_equal(points_of(tmp_path, "200\n" + XYZ), POINTS)


def test_a_delimiter_at_the_end_of_each_row_is_no_column(tmp_path):
    assert np.array_equal(points_of(tmp_path, "x;y;z;\n" + XYZ.replace(" ", ";").replace("\n", ";\n")), POINTS)


def test_whole_numbers_and_exponents_are_numbers(tmp_path):
    rows = "".join(f"{i} {i}e1 -{i * i}.5E-1\n" for i in range(1, 201))
    assert points_of(tmp_path, rows)[199].tolist() == [200, 2000, -4000.05]


def test_a_table_longer_than_a_block_loses_nothing(tmp_path, monkeypatch):
    monkeypatch.setattr("metrology.reading.text.BLOCK_BYTES", 101)
    assert np.array_equal(points_of(tmp_path, ("x y z\n" + XYZ).replace("\n", "\r\n")), POINTS)


@pytest.mark.parametrize("missing", ["nan nan nan", "1.0 NaN 2.0", "1.0 inf 2.0"])
def test_a_few_points_without_coordinates_are_left_out_and_counted(tmp_path, missing):
    path = tmp_path / "scan.xyz"
    path.write_text(XYZ + missing + "\n")
    cloud, notes = read_scan_with_notes(path, unit="mm")
    assert np.array_equal(cloud.points, POINTS)
    assert notes == ("1 point without usable coordinates was left out.",)


def test_an_empty_field_is_a_missing_coordinate(tmp_path):
    path = table(tmp_path / "s.csv", POINTS, heading="x,y,z\n1.0,,2.0\n")
    cloud, notes = read_scan_with_notes(path, unit="mm")
    assert len(cloud.points) == 200
    assert notes == ("1 point without usable coordinates was left out.",)


def test_lengths_are_converted_to_millimetres(tmp_path):
    path = table(tmp_path / "s.csv", POINTS)
    assert np.allclose(read_scan(path, unit="in").points, POINTS * 25.4, rtol=1e-15)


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, derandomize=True)
@given(
    rows=st.lists(st.tuples(*[st.floats(-1e6, 1e6)] * 3), min_size=100, max_size=110, unique=True),
    layout=st.sampled_from([(",", "."), (";", ","), ("\t", ","), (" ", ",")]),
)
def test_any_coordinates_survive_the_round_trip(tmp_path, rows, layout):
    points = np.array([*NOT_ON_A_LINE, *rows])
    path = table(tmp_path / "s.csv", points, delimiter=layout[0], decimal=layout[1])
    assert np.array_equal(read_scan(path, unit="mm").points, points)
