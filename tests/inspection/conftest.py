"""A small invented part with a nominal on file, and scans of it, made once."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from PIL import Image

from fixtures import scanner, solids
from fixtures.files import write_ply_points, write_stl
from inspection import jobs, results, services
from metrology.bodies import Mesh
from metrology.comparison.compare import Comparison, Settings, compare
from tests import make

POINTS = 4000


@pytest.fixture(autouse=True)
def files_aside(settings, tmp_path):
    """Every test keeps its files in a folder of its own."""
    settings.STORAGES = settings.STORAGES | {
        "default": {
            "BACKEND": "django.core.files.storage.FileSystemStorage",
            "OPTIONS": {"location": tmp_path / "files"},
        }
    }


@cache
def nominal_mesh() -> Mesh:
    return solids.saddle_block()


@pytest.fixture(scope="session")
def nominal_stl(tmp_path_factory) -> bytes:
    path = tmp_path_factory.mktemp("nominal") / "saddle.stl"
    write_stl(nominal_mesh(), path)
    return path.read_bytes()


@pytest.fixture(scope="session")
def scan_ply(tmp_path_factory) -> bytes:
    """A scan in mm of a block that is up to 0.4 mm bowed."""
    body = scanner.cast_from(nominal_mesh(), warp=scanner.bow("x", "z", 0.4))
    cloud, _ = scanner.scan(body, points=POINTS, seed=3)
    path = tmp_path_factory.mktemp("scan") / "scan.ply"
    write_ply_points(cloud.points, path)
    return path.read_bytes()


@cache
def measured_once() -> Comparison:
    cloud, _ = scanner.scan(nominal_mesh(), points=POINTS, seed=4)
    return compare(nominal_mesh(), cloud, Settings(-1.0, 1.0, 0.12))


@pytest.fixture
def quick(monkeypatch):
    """Jobs that take no time: the numbers are real but computed once, and the drawings are blank."""

    def compared(mesh, cloud, settings, regions, progress):
        for stage in ("aligning", "measuring", "summing up", "measuring by best fit"):
            progress(stage, 1.0)
        return replace(measured_once(), uncertainty_mm=settings.uncertainty_mm)

    def drawn(*args, views, **given):
        return {view: Image.fromarray(np.full((40, 60, 3), 255, np.uint8)) for view in views}

    monkeypatch.setattr(jobs, "compare", compared)
    monkeypatch.setattr(jobs, "check_size", lambda *args: None)
    monkeypatch.setattr(results, "deviation_pictures", drawn)


@pytest.fixture
def block(lead, nominal_stl):
    """A revision ready to be scanned: nominal and profile on file."""
    revision = make.revision(author=lead)
    make.geometry(revision, lead, content=nominal_stl)
    make.characteristic(
        revision, 1, name="All surfaces", kind="profile", method="scan", nominal=0, lower=-1, upper=1, unit="mm"
    )
    return revision


@pytest.fixture
def piece(block, technician):
    return make.cast(block, technician)


@pytest.fixture
def arm(db):
    return make.instrument("G-07", name="Arm scanner", kind="scanner", uncertainty="0.12")


@pytest.fixture
def upload(piece, arm, technician, scan_ply):
    """upload(…) is a scan of the piece that waits for its job; what is given replaces the usual."""

    def act(cast=None, **given):
        usual = {"file": scan_ply, "original_name": "scan.ply", "unit": "mm", "instrument": arm, "by": technician}
        return services.upload_scan(cast or piece, **usual | given)

    return act
