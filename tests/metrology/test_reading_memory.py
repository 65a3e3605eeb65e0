"""A file bigger than the memory that is free is refused before it is read, whatever its format."""

import struct

import numpy as np
import pytest

from fixtures.formats import Stand, write_e57, write_las
from metrology.errors import ReadingError
from metrology.reading import expected, memory, read_mesh, read_scan
from metrology.reading.expected import expected_rows

from .files_by_hand import BOX, BOX_FACES, ascii_stl, binary_stl, ply, table

POINTS = np.random.default_rng(7).uniform(-300, 300, size=(400, 3))


@pytest.fixture
def little(monkeypatch):
    """A machine with 50 kB to spare, on which 100 points are no trifle."""
    monkeypatch.setattr(memory, "SMALL_ENOUGH", 100)
    monkeypatch.setattr(memory, "free_bytes", lambda: 50_000)


def write_obj(path, points):
    path.write_text("".join(f"v {x} {y} {z}\n" for x, y, z in points.tolist()))
    return path


FILES = {
    "a.ply": lambda path: ply(path, POINTS, form="binary_little_endian"),
    "ascii.ply": lambda path: ply(path, POINTS),
    "a.csv": lambda path: table(path, POINTS),
    "a.obj": lambda path: write_obj(path, POINTS),
    "a.stl": lambda path: binary_stl(path, POINTS, np.arange(399).reshape(-1, 3)),
    "ascii.stl": lambda path: path.write_text(ascii_stl(POINTS, np.arange(399).reshape(-1, 3))) and path,
}


@pytest.mark.parametrize("name", FILES)
def test_a_scan_bigger_than_memory_is_refused_with_what_would_fit(tmp_path, little, name):
    path = FILES[name](tmp_path / name)
    with pytest.raises(ReadingError) as refused:
        read_scan(path, unit="mm")
    assert refused.value.code == "too-large-for-memory"
    assert "Thin it to 100 or fewer" in refused.value.sentence


@pytest.mark.parametrize("name", FILES)
def test_the_number_of_points_is_estimated_within_a_tenth(tmp_path, name):
    path = FILES[name](tmp_path / name)
    kind = {"ply": "ply", "csv": "table", "obj": "obj"}.get(name[-3:]) or (
        "ascii-stl" if name.startswith("ascii") else "binary-stl"
    )
    assert expected_rows(path, kind, "scan") == pytest.approx(400, rel=0.1)


@pytest.mark.parametrize("write", [lambda path: write_las(POINTS, path), lambda path: write_e57([Stand(POINTS)], path)])
def test_a_reader_apart_is_stopped_before_it_reads_too_much(tmp_path, little, write):
    path = tmp_path / "scan.las"
    write(path)
    with pytest.raises(ReadingError) as refused:
        read_scan(path, unit="m")
    assert refused.value.code == "too-large-for-memory"


def test_a_nominal_bigger_than_memory_is_refused(tmp_path, monkeypatch, little):
    monkeypatch.setattr(memory, "SMALL_ENOUGH", 5)
    monkeypatch.setattr(memory, "free_bytes", lambda: 1000)
    with pytest.raises(ReadingError, match="vertices and faces"):
        read_mesh(ply(tmp_path / "a.ply", BOX, BOX_FACES.tolist()), unit="mm")


def test_a_header_that_promises_the_impossible_is_said_to_be_cut_short(tmp_path):
    content = ply(tmp_path / "a.ply", BOX, form="binary_little_endian").read_bytes()
    (tmp_path / "a.ply").write_bytes(content.replace(b"vertex 8", b"vertex 8000000000000"))
    with pytest.raises(ReadingError) as refused:
        read_scan(tmp_path / "a.ply", unit="mm")
    assert refused.value.code == "truncated"


def test_what_is_free_is_known_here_and_no_more_than_there_is():
    free = memory.free_bytes()
    assert free is None or 0 <= free < 1 << 50


def test_the_limit_of_a_container_counts_and_files_at_hand_do_not(tmp_path, monkeypatch):
    monkeypatch.setattr(memory, "CONTROL_GROUPS", tmp_path)
    for name, text in (
        ("memory.max", "1000"),
        ("memory.current", "700"),
        ("memory.stat", "anon 1\ninactive_file 200\n"),
    ):
        (tmp_path / name).write_text(text)
    assert memory.free_bytes() == 500
    (tmp_path / "memory.max").write_text("max")
    assert memory.free_bytes() != 500


def test_where_nothing_is_known_nothing_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(memory, "SMALL_ENOUGH", 100)
    monkeypatch.setattr(memory, "free_bytes", lambda: None)
    assert len(read_scan(table(tmp_path / "a.csv", POINTS), unit="mm").points) == 400


def test_a_broken_header_is_left_to_the_reader(tmp_path):
    (tmp_path / "a.ply").write_bytes(b"ply\nformat ascii 1.0\n" + struct.pack("<I", 7))
    assert expected.expected_rows(tmp_path / "a.ply", "ply", "scan") == 0
