"""The jobs of mould correction: work it out, and later read what it brought from the casts of the next mould."""

from dataclasses import asdict
from datetime import datetime
from typing import Any

import numpy as np
from django.db import transaction
from django_tasks import task

from logbook.files import keep, local_path
from logbook.models import StoredFile
from logbook.services import record
from metrology import VERSION
from metrology.bodies import Floats
from metrology.errors import InputError
from metrology.moulds.casts_compared import compare_casts
from metrology.moulds.correction import Asked, Correction, correct
from metrology.moulds.correction_words import (
    CAVITY,
    brought_basis,
    brought_sentence,
    checks_sentence,
    fill_sentence,
    foretold_sentence,
    limits_sentences,
    uncertainty_sentence,
    worth_it,
)
from metrology.moulds.effect import Systematic, brought
from metrology.moulds.pattern import stl_bytes
from metrology.moulds.step_picture import change_pictures
from metrology.pictures.deviation_views import deviation_pictures
from metrology.pictures.png import png
from metrology.surfaces.surface import Samples, prepare
from parts import work
from parts.services.geometry import nominal_mesh

from .compared import deviations_of, group_for
from .compared_job import VIEWS, Basis, Report, basis_of, shrinkage_figures
from .mould_models import CorrectionEffect, CorrectionPicture, MouldCorrection
from .patterns import PULLS, pattern_of, stored
from .results import plain

STAGES = {
    "reading": 0.06,
    "comparing": 0.04,
    "scaling": 0.05,
    "smoothing": 0.15,
    "limiting": 0.10,
    "checking": 0.10,
    "drawing": 0.45,
    "saving": 0.05,
}
EFFECT_STAGES = {"reading": 0.2, "comparing": 0.1, "drawing": 0.65, "saving": 0.05}


@task()
def work_out_correction(correction_id: int, attempt: int) -> None:
    run(correction_id, attempt)


def run(correction_id: int, attempt: int, *, at: datetime | None = None) -> bool:
    return work.run(MouldCorrection, correction_id, attempt, STAGES, _work_out, at)


def enqueue(correction_id: int, attempt: int) -> None:
    work_out_correction.enqueue(correction_id, attempt)


def _work_out(row: MouldCorrection, report: Report, at: datetime) -> None:
    basis = basis_of(row, row.pull, row.kind, report)
    found = correct(
        basis.surface,
        basis.found,
        pattern_of(row.mould, basis.surface, row.nominal),
        asked_of(row),
        scanner_mm=basis.group.uncertainty,
        progress=report,
    )
    confidence = basis.found.confidence
    sentence = foretold_sentence(found, confidence)
    pictures = _draw(row, basis, found, report)
    report("saving", 0.0)
    surface = keep(stl_bytes(found.pattern.mesh, f"Cavity surface, {row.code} of {row.mould.code}, mm"), "model/stl")
    places = basis.found.places
    data = keep(
        stored(
            found.pattern,
            points=places.points,
            normals=places.normals,
            faces_of_places=places.faces,
            spacing=np.array(places.spacing),
            seen=found.seen,
            used=found.used,
            mean=found.mean,
        ),
        "application/x-npz",
    )
    figures = _figures(found) | {
        "lower": basis.lower,
        "upper": basis.upper,
        "uncertainty": basis.group.uncertainty,
        "confidence": confidence,
        "said": {
            "uncertainty": uncertainty_sentence(found),
            "limits": limits_sentences(found),
            "fill": fill_sentence(found),
            "checks": checks_sentence(found),
            "cavity": CAVITY,
        },
    }
    with transaction.atomic():
        work.claim_the_end(
            row, at, sentence=sentence, figures=figures, data=data, surface=surface, code_version=VERSION
        )
        _save_pictures(row, ("change", "before", "foretold"), pictures)
        details = {"surface": surface.sha256, "casts": [serial for serial, _, _ in row.evidence], "version": VERSION}
        record(None, "mould-correction.done", row, f"Mould correction {row} of {row.mould}: {sentence}",
               details=details, at=at)  # fmt: skip


def asked_of(row: MouldCorrection) -> Asked:
    return Asked(
        smoothing_mm=float(row.smoothing),
        cap_mm=float(row.most),
        damping=float(row.damping) / 100,
        pull=PULLS[row.pull],
        kind="two-part" if row.kind == "two-part" else "open-face",
        by_scale=row.by_scale,
    )


def _draw(row: MouldCorrection, basis: Basis, found: Correction, report: Report) -> dict[tuple[str, str], StoredFile]:
    report("drawing", 0.0)
    places = basis.found.places
    change = np.where(found.used, found.step, np.nan)
    drawn = change_pictures(
        basis.mesh, places.points, places.normals, change, views=VIEWS, title=f"Change of the pattern, {row}"
    )
    kept = {("change", view): keep(png(image), "image/png") for view, image in drawn.items()}
    report("drawing", 0.3)
    for kind, values, title in (
        ("before", found.mean, f"Mean of {basis.found.casts} casts of {row.mould}"),
        ("foretold", found.mean + found.seen, "Foretold for the next mould"),
    ):
        shown = np.where(found.used, values, np.nan)
        kept |= _map(basis, places, shown, kind, title)
        report("drawing", 0.65 if kind == "before" else 1.0)
    return kept


def _map(basis: Basis, places: Samples, values: Floats, kind: str, title: str) -> dict[tuple[str, str], StoredFile]:
    drawn = deviation_pictures(
        basis.mesh,
        places.points,
        values,
        views=VIEWS,
        lower_mm=basis.lower,
        upper_mm=basis.upper,
        guard_mm=basis.group.uncertainty,
        sample_normals=places.normals,
        title=title,
    )
    return {(kind, view): keep(png(image), "image/png") for view, image in drawn.items()}


def _save_pictures(row: MouldCorrection, kinds: tuple[str, ...], files: dict[tuple[str, str], StoredFile]) -> None:
    CorrectionPicture.objects.filter(correction=row, kind__in=kinds).delete()
    CorrectionPicture.objects.bulk_create(
        CorrectionPicture(correction=row, kind=kind, view=view, file=file) for (kind, view), file in files.items()
    )


def _figures(found: Correction) -> dict[str, Any]:
    names = ("taken", "capped", "limited", "limited_mm", "left", "eased")
    return {name: plain(getattr(found, name)) for name in names} | {
        "factors": plain(found.factors),
        "shrinkage": [shrinkage_figures(axis) for axis in found.shrinkage],
        "before": systematic_figures(found.before),
        "foretold": systematic_figures(found.foretold),
        "checks": asdict(found.checks),
        "fill": None if found.fill is None else {name: plain(value) for name, value in asdict(found.fill).items()},
        "worth_it": bool(worth_it(found)),
        "triangles": len(found.pattern.faces),
        "largest": float(np.abs(found.step[found.used]).max()) if found.used.any() else 0.0,
    }


def systematic_figures(error: Systematic) -> dict[str, Any]:
    return {name: plain(value) for name, value in asdict(error).items()}


def systematic_from(figures: dict[str, Any]) -> Systematic:
    return Systematic(**{name: float("nan") if value is None else value for name, value in figures.items()})


@task()
def find_effect(effect_id: int, attempt: int) -> None:
    run_effect(effect_id, attempt)


def run_effect(effect_id: int, attempt: int, *, at: datetime | None = None) -> bool:
    return work.run(CorrectionEffect, effect_id, attempt, EFFECT_STAGES, _find_effect, at)


def enqueue_effect(effect_id: int, attempt: int) -> None:
    find_effect.enqueue(effect_id, attempt)


def _find_effect(row: CorrectionEffect, report: Report, at: datetime) -> None:
    """The casts of the new mould, compared at the places of the correction."""
    correction = row.correction
    report("reading", 0.0)
    group = group_for(correction.made.revision, correction.made, correction.nominal)
    if group.evidence != row.evidence:
        raise InputError(
            "scans-changed", "The scans that this was to rest on have changed since it was asked for. Ask for it again."
        )
    mesh = nominal_mesh(correction.nominal)
    surface = prepare(mesh)
    with local_path(correction.data) as path, np.load(path) as kept:
        points, normals = kept["points"], kept["normals"]
        places = Samples(points, normals, kept["faces_of_places"], float(kept["spacing"]), None)
        seen, used, mean = kept["seen"], kept["used"], kept["mean"]
    casts = deviations_of(group)
    report("comparing", 0.0)
    figures = correction.figures
    after = compare_casts(surface, casts, places=places, confidence=figures["confidence"])
    found = brought(systematic_from(figures["before"]), systematic_from(figures["foretold"]), mean, seen, used, after)
    sentence = brought_sentence(found)
    report("drawing", 0.0)
    drawn = deviation_pictures(
        mesh,
        places.points,
        np.where(used, found.mean, np.nan),
        views=VIEWS,
        lower_mm=figures["lower"],
        upper_mm=figures["upper"],
        guard_mm=figures["uncertainty"],
        sample_normals=places.normals,
        title=f"Brought by {correction.made}: mean of {after.casts} casts",
    )
    files = {("brought", view): keep(png(image), "image/png") for view, image in drawn.items()}
    report("saving", 0.0)
    result = {
        "after": systematic_figures(found.after),
        "gain": plain(found.gain),
        "removed_share": plain(found.removed_share),
        "said": brought_basis(found, after.confidence),
    }
    with transaction.atomic():
        work.claim_the_end(row, at, sentence=sentence, figures=result, code_version=VERSION)
        _save_pictures(correction, ("brought",), files)
        record(None, "mould-correction.brought", correction,
               f"Mould correction {correction}, by mould {correction.made}: {sentence}",
               details={"casts": [serial for serial, _, _ in row.evidence]}, at=at)  # fmt: skip
