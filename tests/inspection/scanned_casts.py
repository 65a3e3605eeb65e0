"""Casts with scans whose deviations are known, as rows: no scan is read and nothing is aligned. Invented."""

import io
from collections.abc import Callable
from datetime import timedelta

import numpy as np
from PIL import Image

from fixtures import solids
from inspection import compared_job, correction_job
from logbook.files import keep
from metrology.surfaces.surface import prepare, sample
from tests import make
from tests.inspection.rows import make_result, make_scan
from tests.make import NOON

PLACES = 500
SURFACE = prepare(solids.saddle_block())
SAMPLES = sample(SURFACE, PLACES)


def deviations(field: Callable | float, hidden: Callable | None = None) -> bytes:
    """What the scan job keeps, with a deviation in mm of points and normals; not measured where hidden."""
    values = field(SAMPLES.points, SAMPLES.normals) if callable(field) else np.full(PLACES, float(field))
    if hidden is not None:
        values = np.where(hidden(SAMPLES.points), np.nan, values)
    content = io.BytesIO()
    np.savez_compressed(
        content,
        points=SAMPLES.points.astype(np.float32),
        normals=SAMPLES.normals.astype(np.float32),
        deviation=values.astype(np.float32),
    )
    return content.getvalue()


def scanned(revision, mould, arm, by, fields, first=1, **given):
    """A cast with a finished scan for each field, in the order of pouring."""
    made = []
    for k, field in enumerate(fields, start=first):
        poured = NOON + timedelta(days=k)
        cast = make.cast(
            revision, by, f"TP-SB-{k:04d}", mould=mould, poured_at=poured, demoulded_at=poured + timedelta(hours=20)
        )
        scan = make_scan(cast, arm, by, f"S-{k:02d}", scanned_at=poured + timedelta(hours=21), **given)
        make_result(
            scan, deviations=keep(deviations(field), "application/x-npz"), figures={"spacing_mm": SAMPLES.spacing}
        )
        made.append(scan)
    return made


def grown(share: float):
    """The deviation of a part that grew by a share in all directions about its middle."""
    middle = (SURFACE.vertices.max(axis=0) + SURFACE.vertices.min(axis=0)) / 2
    return lambda points, normals: ((points - middle) * share * normals).sum(axis=1)


def blank_pictures(monkeypatch):
    """Jobs draw nothing: pictures have tests of their own."""

    def drawn(*args, views, **given):
        return {view: Image.fromarray(np.full((40, 60, 3), 255, np.uint8)) for view in views}

    monkeypatch.setattr(compared_job, "deviation_pictures", drawn)
    monkeypatch.setattr(compared_job, "scatter_pictures", drawn)
    monkeypatch.setattr(correction_job, "deviation_pictures", drawn)
    monkeypatch.setattr(correction_job, "change_pictures", drawn)
