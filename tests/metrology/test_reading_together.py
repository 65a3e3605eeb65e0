from pathlib import Path

import numpy as np
import pytest

from fixtures.files import write_ply_points, write_stl
from metrology.errors import ReadingError, Stopped
from metrology.reading import read_mesh_file, read_scan_file, read_together
from tests.metrology.bodies_for_tests import corner_block


@pytest.fixture
def files(tmp_path):
    nominal, scan = tmp_path / "nominal.stl", tmp_path / "scan.ply"
    write_stl(corner_block(), nominal)
    write_ply_points(np.random.default_rng(1).normal(size=(500, 3)) * 100, scan)
    return nominal, scan


def both(nominal: Path, scan: Path, progress=lambda stage, share: None):
    return read_together(
        lambda told: read_mesh_file(nominal, unit="mm", progress=told),
        lambda told: read_scan_file(scan, unit="mm", progress=told),
        progress,
    )


def test_reading_together_gives_what_reading_one_after_the_other_gives(files):
    nominal, scan = both(*files)
    alone, cloud = read_mesh_file(files[0], unit="mm"), read_scan_file(files[1], unit="mm")
    assert np.array_equal(nominal.mesh.vertices, alone.mesh.vertices)
    assert np.array_equal(scan.cloud.points, cloud.cloud.points)


def test_the_fault_of_the_nominal_is_told_first(files):
    nominal, scan = files
    nominal.write_bytes(b"")
    scan.write_bytes(b"ply\nformat ascii 1.0\n")
    with pytest.raises(ReadingError) as caught:
        both(nominal, scan)
    assert caught.value.code == "empty-file"


def test_a_fault_of_the_scan_alone_is_told(files):
    nominal, scan = files
    scan.write_bytes(b"")
    with pytest.raises(ReadingError) as caught:
        both(nominal, scan)
    assert caught.value.code == "empty-file"


def test_reading_together_can_be_stopped(files):
    def stop(stage: str, share: float) -> None:
        raise Stopped

    with pytest.raises(Stopped):
        both(*files, progress=stop)


def test_a_nominal_that_takes_longer_is_waited_for_with_reports(files):
    told = []

    def slow(progress):
        while len(told) < 3:
            pass
        return "nominal"

    found = read_together(slow, lambda told: "scan", lambda stage, share: told.append((stage, share)))
    assert found == ("nominal", "scan")
    assert told[0] == ("reading", 1.0)
