"""Broken scan files through the job: each is refused in words, nothing is written, and the next scan is measured."""

import pytest

from inspection.jobs import run
from inspection.models import Measurement, ScanPicture, ScanResult
from logbook import files
from logbook.models import Entry
from tests.metrology.broken_files import SCANS, broken_files

pytestmark = pytest.mark.django_db

SPOILED = (
    "half of",
    "random bytes in",
    "missing coordinates in",
    "one line in",
    "a huge count in",
    "fields missing in",
)
CORPUS = [broken for broken in broken_files() if broken.purpose == "scan" and broken.what in SPOILED]


def nothing_written():
    return not (ScanResult.objects.exists() or ScanPicture.objects.exists() or Measurement.objects.exists())


@pytest.mark.parametrize("name", SCANS)
def test_a_broken_scan_of_each_format_fails_in_words_and_the_next_one_is_measured(name, upload, quick, caplog):
    for number, broken in enumerate(one for one in CORPUS if one.name == name):
        stored = files.keep(broken.content, "application/octet-stream")
        scan = upload(file=stored, original_name=f"{number}-{name}", unit=broken.unit)
        assert run(scan.pk, 1)
        scan.refresh_from_db()
        assert (scan.state, scan.stage) == ("failed", ""), broken.label
        assert scan.error_code not in ("", "unexpected", "memory"), broken.label
        assert scan.error.endswith(".")
        assert "Traceback" not in scan.error
        assert Entry.objects.first().act == "scan.failed"
        assert nothing_written()
    assert number >= 1
    assert not [record for record in caplog.records if record.exc_info]
    sound = upload()
    assert run(sound.pk, 1)
    sound.refresh_from_db()
    assert sound.state == "done"
