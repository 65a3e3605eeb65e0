"""An invented saddle block on an invented pier cap, with a mock-up of each size."""

from datetime import timedelta
from decimal import Decimal

import pytest
from django.utils import timezone

from tests import make
from tests.make import NOON


@pytest.fixture(autouse=True)
def files_aside(settings, tmp_path):
    """Every test keeps its files in a folder of its own."""
    settings.STORAGES = settings.STORAGES | {
        "default": {
            "BACKEND": "django.core.files.storage.FileSystemStorage",
            "OPTIONS": {"location": tmp_path / "files"},
        }
    }


@pytest.fixture
def later(monkeypatch):
    """The clock of services and pages stands a season after the invented pours."""
    now = NOON + timedelta(days=60)
    monkeypatch.setattr(timezone, "now", lambda: now)
    return now


@pytest.fixture
def saddle(lead):
    return make.revision(make.component("SB-02"), author=lead)


@pytest.fixture
def cap(lead):
    return make.revision(make.component("PC-01", name="Pier cap"), author=lead)


@pytest.fixture
def joint(saddle, cap):
    """1 to 4 mm between block and cap."""
    return make.interface(saddle.component, cap.component)


@pytest.fixture
def feeler(db):
    return make.instrument("G-02", name="Feeler gauge", kind="feeler gauge", uncertainty=Decimal("0.1"))


@pytest.fixture
def mockup(db):
    return make.mockup()


@pytest.fixture
def model(db):
    return make.mockup("MU-02", name="Scale model", scale=Decimal(10))
