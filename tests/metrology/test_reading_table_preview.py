"""What a table of points looks like before it is measured, and reading it as a person said."""

import numpy as np
import pytest

from metrology.errors import MetrologyError
from metrology.reading import TableChoice, preview_table, read_scan_file

from .files_by_hand import table

POINTS = np.random.default_rng(3).uniform(-300, 300, size=(150, 3)).round(3)


@pytest.fixture
def written(tmp_path):
    def write(content):
        path = tmp_path / "scan.txt"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


def rows(delimiter=" ", decimal=".", columns="xyz", heading=""):
    values = dict(zip("xyz", POINTS.T, strict=True)) | {"i": np.arange(150), "r": np.full(150, 255)}
    lines = (delimiter.join(repr(values[c][n].item()).replace(".", decimal) for c in columns) for n in range(150))
    return heading + "".join(line + "\n" for line in lines)


@pytest.mark.parametrize(
    ("content", "choice"),
    [
        (rows(), TableChoice("space", "point", 0, 1, 2, 3)),
        (rows(","), TableChoice("comma", "point", 0, 1, 2, 3)),
        (rows(";", ","), TableChoice("semicolon", "comma", 0, 1, 2, 3)),
        (rows("\t", ",", heading="X\tY\tZ\n"), TableChoice("tab", "comma", 1, 1, 2, 3)),
        (rows(",", columns="izyx", heading="number,z,y,x\n"), TableChoice("comma", "point", 1, 4, 3, 2)),
        (rows(" ", columns="xyzr", heading="# a remark\n150\n"), TableChoice("space", "point", 2, 1, 2, 3)),
    ],
)
def test_a_table_is_understood_and_reads_the_same_as_told(written, content, choice):
    path = written(content)
    seen = preview_table(path)
    assert (seen.choice, seen.fault) == (choice, "")
    for read in (read_scan_file(path, unit="mm"), read_scan_file(path, unit="mm", table=choice)):
        assert np.array_equal(read.cloud.points, POINTS)


def test_the_first_rows_are_shown_as_they_stand_in_the_file(written):
    seen = preview_table(written(rows(";", ",", heading="# scanned in May\nx;y;z\n")))
    assert seen.before == ("# scanned in May", "x;y;z")
    assert (seen.columns, len(seen.rows), seen.rows[0].number) == (3, 8, 3)
    assert seen.rows[0].fields == tuple(repr(v).replace(".", ",") for v in POINTS[0].tolist())
    assert np.array(seen.spans) == pytest.approx(np.stack([POINTS.min(axis=0), POINTS.max(axis=0)], axis=1))


def test_other_columns_are_read_when_a_person_says_so(written):
    path = written(rows(",", columns="izyx"))
    file = read_scan_file(path, unit="mm", table=TableChoice("comma", "point", 0, 4, 3, 2))
    assert np.array_equal(file.cloud.points, POINTS)


def test_commas_that_may_be_either_are_left_to_the_person(written):
    numbers = np.random.default_rng(1).integers(0, 1000, size=(150, 6))
    path = written("".join(",".join(map(str, row)) + "\n" for row in numbers.tolist()))
    seen = preview_table(path)
    assert "may part columns or mark decimals" in seen.fault
    assert seen.rows[0].fields == tuple(map(str, numbers[0].tolist()))
    told = preview_table(path, seen.choice)
    assert told.fault == ""
    assert np.array_equal(read_scan_file(path, unit="mm", table=told.choice).cloud.points, numbers[:, :3])


def test_a_heading_without_names_is_passed_over_when_a_person_says_so(written):
    path = written(rows(heading="east north height\n"))
    assert "neither a point nor a heading" in preview_table(path).fault
    assert preview_table(path).choice.skipped == 1
    assert np.array_equal(
        read_scan_file(path, unit="mm", table=TableChoice("space", "point", 1, 1, 2, 3)).cloud.points, POINTS
    )


@pytest.mark.parametrize(
    ("choice", "words"),
    [
        (TableChoice("comma", "comma", 0, 1, 2, 3), "cannot both part the columns"),
        (TableChoice("tab", "point", 0, 1, 2, 3), "it has 1 column"),
        (TableChoice("semicolon", "point", 0, 1, 2, 3), "as a coordinate, which is not a number"),
        (TableChoice("semicolon", "comma", 0, 1, 1, 3), "from the same column"),
        (TableChoice("semicolon", "comma", 0, 1, 2, 9), "no column 9"),
        (TableChoice("semicolon", "comma", 900, 1, 2, 3), "no points"),
    ],
)
def test_what_does_not_fit_is_said(written, choice, words):
    path = written(rows(";", ","))
    assert words in preview_table(path, choice).fault
    with pytest.raises(MetrologyError):
        read_scan_file(path, unit="mm", table=choice)


@pytest.mark.parametrize("unit", ["mm", "cm", "m", "in", "ft"])
@pytest.mark.parametrize("form", ["x [{}];y [{}];z [{}]\n", "X ({});Y ({});Z ({})\n", "x_{};y_{};z_{}\n"])
def test_the_unit_that_a_heading_names_is_held_against_the_stated_one(written, unit, form):
    path = written(rows(";", heading=form.format(unit, unit, unit)))
    assert preview_table(path).own_unit == unit
    assert read_scan_file(path, unit=unit).own_unit == unit
    with pytest.raises(MetrologyError) as refused:
        read_scan_file(path, unit="cm" if unit != "cm" else "mm")
    assert (refused.value.code, refused.value.likely_unit) == ("unit-contradiction", unit)


def test_units_that_differ_from_column_to_column_are_no_unit(written):
    assert preview_table(written(rows(";", heading="x [mm];y [mm];z [m]\n"))).own_unit == ""


@pytest.mark.parametrize(
    "content", [b"\xff\xfe\x00x", b"\n\n", b"only words\n" * 3, b"1,2\n", b";;;\n", b"\xe9\xe8 1 2 3"]
)
def test_whatever_text_comes_is_shown_or_refused(written, content):
    try:
        seen = preview_table(written(content))
    except MetrologyError as error:
        assert error.sentence.endswith(".")
    else:
        assert seen.rows or seen.fault


def test_steps_of_a_table_are_told_by_its_last_digits(tmp_path):
    path = table(tmp_path / "a.csv", POINTS.round(1))
    file = read_scan_file(path, unit="mm")
    assert file.step_mm == pytest.approx(0.1)
    assert "steps of 0.10\u00a0mm" in file.notes[0]
    assert read_scan_file(path, unit="m").step_mm == pytest.approx(100)
