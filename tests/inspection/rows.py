"""Scans and results as rows, without a job. All of it is invented."""

from inspection.models import Scan, ScanResult
from logbook.files import keep
from tests.make import NOON


def make_scan(cast, arm, by, code="S-01", scanned_at=NOON, **given):
    standard = {"state": "done", "unit": "mm", "original_name": "scan.ply", "uploaded_at": scanned_at, "attempt": 1}
    return Scan.objects.create(
        kit=cast.kit,
        code=code,
        cast=cast,
        file=keep(code.encode(), "model/ply"),
        instrument=arm,
        scanned_at=scanned_at,
        scanned_by=by,
        **standard | given,
    )


def make_result(scan, worst=0.4, **given):
    standard = {
        "result": "conforms",
        "code": "inside",
        "sentence": "Conforms.",
        "lower": -1,
        "upper": 1,
        "uncertainty": 0.12,
        "coverage": 0.99,
        "inside_share": 1.0,
        "code_version": "1",
        "measured_at": scan.scanned_at,
        "nominal": scan.cast.revision.geometry.get(role="nominal", current=True),
    }
    return ScanResult.objects.create(scan=scan, worst=worst, **standard | given)
