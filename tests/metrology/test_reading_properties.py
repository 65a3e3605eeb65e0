"""What is written is read, whatever the numbers; and no damage to a file does more than have it refused."""

import tempfile
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as of_arrays

from fixtures.files import write_obj
from fixtures.formats import Stand, write_3mf, write_e57, write_las
from metrology.bodies import Mesh
from metrology.errors import MetrologyError
from metrology.reading import TableChoice, preview_table, read_mesh_file, read_scan_file
from metrology.surfaces.exact_mesh import exact_ply

from .broken_files import BOX, MESHES, SCANS, written
from .files_by_hand import NOT_ON_A_LINE, ply, table

# A failure is told as it was found: making the example small would take minutes with a hundred points.
QUICK = settings(
    max_examples=40,
    deadline=None,
    derandomize=True,
    suppress_health_check=list(HealthCheck),
    phases=[Phase.explicit, Phase.generate],
)
FEW = settings(QUICK, max_examples=5)
NUMBERS = st.floats(-1e5, 1e5, allow_nan=False, allow_infinity=False)
ROUNDED = st.integers(-(10**8), 10**8).map(lambda n: n / 1000)


def clouds(numbers):
    rows = of_arrays.arrays(np.float64, st.tuples(st.integers(100, 130), st.just(3)), elements=numbers, unique=True)
    return rows.map(lambda found: np.vstack([NOT_ON_A_LINE, found]))


CLOUDS, TABLES = clouds(NUMBERS), clouds(ROUNDED)


def scanned(write, name, unit="mm", **how):
    """The points of a file just written, in the file's own frame and unit; adding the local zero rounds once."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        write(path)
        cloud = read_scan_file(path, unit=unit, **how).cloud
    return cloud.points + cloud.origin


@QUICK
@given(CLOUDS, st.sampled_from(["ascii", "binary_little_endian", "binary_big_endian"]))
def test_a_ply_gives_back_its_points(points, form):
    back = scanned(lambda path: ply(path, points, form=form, real="double"), "a.ply")
    assert np.allclose(back, points, rtol=0, atol=1e-9)


@QUICK
@given(
    TABLES, st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", ","), (" ", "."), (" ", ",")]), st.booleans()
)
def test_a_table_gives_back_its_points(points, marks, headed):
    delimiter, decimal = marks
    heading = delimiter.join("xyz") + "\n" if headed else ""

    def write(path):
        table(path, points, delimiter=delimiter, decimal=decimal, heading=heading)
        # Whether it is worked out or told, the same rows are seen.
        seen = preview_table(path)
        assert seen.fault == ""
        assert seen.choice.skipped == int(headed)

    assert np.allclose(scanned(write, "a.csv"), points, rtol=0, atol=1e-9)
    names = {",": "comma", ";": "semicolon", "\t": "tab", " ": "space", ".": "point"}
    told = TableChoice(names[delimiter], names[decimal], int(headed), 1, 2, 3)
    assert np.allclose(scanned(write, "a.csv", table=told), points, rtol=0, atol=1e-9)


@QUICK
@given(TABLES)
def test_an_obj_and_a_3mf_give_back_their_vertices(points):
    faces = np.arange(len(points) // 3 * 3).reshape(-1, 3)
    back = scanned(lambda path: write_obj(Mesh(points, faces), path), "a.obj")
    assert np.allclose(back, points, rtol=0, atol=1e-9)
    back = scanned(lambda path: write_3mf([Mesh(points, faces)], path), "a.3mf")
    assert np.allclose(back, points, rtol=0, atol=1e-9)


@FEW
@given(TABLES)
def test_an_e57_gives_back_its_points(points):
    pytest.importorskip("pye57", reason="no reader of E57 comes for this machine")
    back = scanned(lambda path: write_e57([Stand(points)], path), "a.e57", "m")
    assert np.allclose(back / 1000, points, rtol=0, atol=1e-9)


@pytest.mark.parametrize("name", ["a.las", "a.laz"])
@settings(FEW, max_examples=3)
@given(points=TABLES)
def test_a_las_gives_back_its_points(points, name):
    back = scanned(lambda path: write_las(points, path, step=1e-4), name, "m")
    assert np.allclose(back / 1000, points, rtol=0, atol=0.51e-4)


@QUICK
@given(of_arrays.arrays(np.float64, (8, 3), elements=NUMBERS, unique=True))
def test_a_mesh_kept_exactly_comes_back_as_it_was(points):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.ply"
        path.write_bytes(exact_ply(Mesh(points, BOX.faces)))
        try:
            back = read_mesh_file(path, unit="mm").mesh
        except MetrologyError as error:
            assert error.code == "no-faces"  # all corners on one line
            return
    assert {tuple(p) for p in back.vertices.tolist()} <= {tuple(p) for p in (points + 0.0).tolist()}


# ---- damage ----------------------------------------------------------------------------------------------------------

APART = (".step", ".e57", ".las", ".laz")
WHOLE = [("mesh", name) for name in MESHES] + [("scan", name) for name in SCANS]
HERE = [(purpose, name) for purpose, name in WHOLE if not name.endswith(APART)]
ELSEWHERE = [(purpose, name) for purpose, name in WHOLE if name.endswith(APART)]


@st.composite
def damage(draw, content):
    """The content with a few bytes changed, a piece cut out or put in, or its end missing."""
    data = bytearray(content)
    # Half of the damage falls on the head, where most of what matters stands.
    places = st.one_of(st.integers(0, len(data) - 1), st.integers(0, min(len(data) - 1, 400)))
    match draw(st.sampled_from(["flip", "cut", "end", "insert"])):
        case "flip":
            for place in draw(st.lists(places, min_size=1, max_size=6)):
                data[place] = draw(st.integers(0, 255))
        case "cut":
            start = draw(places)
            del data[start : start + draw(st.integers(1, 200))]
        case "end":
            del data[draw(places) :]
        case "insert":
            place = draw(places)
            data[place:place] = draw(st.one_of(st.binary(min_size=1, max_size=8), st.just(b"9" * 12), st.just(b"-1 ")))
    return bytes(data)


def survives(name, content, unit="mm", purposes=(read_mesh_file, read_scan_file)):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "stored"
        path.write_bytes(content)
        for read in purposes:
            started = time.monotonic()
            try:
                read(path, unit=unit, name=name)
            except MetrologyError as error:
                assert error.sentence.endswith(".")
            assert time.monotonic() - started < 30


def whole(purpose, name):
    return written(name, (MESHES if purpose == "mesh" else SCANS)[name])


@pytest.mark.parametrize(("purpose", "name"), HERE)
def test_no_damage_does_more_than_have_a_file_refused(purpose, name):
    @QUICK
    @given(damage(whole(purpose, name)))
    def damaged(changed):
        survives(name, changed)

    damaged()


@pytest.mark.parametrize(("purpose", "name"), ELSEWHERE)
def test_no_damage_to_a_file_that_is_read_apart_does_more_than_have_it_refused(purpose, name):
    one_way = (read_mesh_file,) if purpose == "mesh" else (read_scan_file,)

    @FEW
    @given(damage(whole(purpose, name)))
    def damaged(changed):
        survives(name, changed, "mm" if name == "a.step" else "m", one_way)

    damaged()


@QUICK
@given(st.binary(max_size=400))
def test_whatever_bytes_come_are_refused_or_read(content):
    survives("a.txt", content)
