"""The job that compares casts: read what was kept of their scans, sum up, draw the maps, save."""

import io
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

import numpy as np
from django.db import transaction
from django_tasks import task

from logbook.files import keep
from logbook.models import StoredFile
from logbook.services import record
from metrology import VERSION
from metrology.bodies import Mesh
from metrology.errors import InputError
from metrology.moulds.casts_compared import CastsCompared as Found
from metrology.moulds.casts_compared import compare_casts
from metrology.moulds.compared_words import mean_sentence, shrinkage_sentence, split_sentence, trend_sentence
from metrology.moulds.pattern import offset_at
from metrology.moulds.pour_trend import PourTrend, Slope, pour_trend
from metrology.moulds.shrinkage import Shrinkage, shrinkage
from metrology.moulds.step_picture import scatter_pictures
from metrology.pictures.deviation_views import deviation_pictures
from metrology.pictures.png import png
from metrology.surfaces.surface import Surface, prepare
from parts import work
from parts.services.geometry import nominal_mesh

from .compared import Group, deviations_of, group_for
from .mould_models import CastsCompared, ComparedPicture
from .patterns import fill_of, pattern_of
from .results import plain
from .services.scans import profile_of

STAGES = {"reading": 0.10, "comparing": 0.15, "drawing": 0.70, "saving": 0.05}
VIEWS = ("pictorial", "top", "bottom", "front")
Report = Callable[[str, float], None]


@task()
def compare_casts_of(compared_id: int, attempt: int) -> None:
    run(compared_id, attempt)


def run(compared_id: int, attempt: int, *, at: datetime | None = None) -> bool:
    return work.run(CastsCompared, compared_id, attempt, STAGES, _compare, at)


def enqueue(compared_id: int, attempt: int) -> None:
    compare_casts_of.enqueue(compared_id, attempt)


@dataclass(frozen=True)
class Basis:
    """What a comparison or a correction of one mould's casts rests on. lower, upper: limits of the profile, mm."""

    group: Group
    mesh: Mesh
    surface: Surface
    found: Found
    lower: float
    upper: float
    fill_note: str


def basis_of(row: Any, pull: str | None, kind: str | None, report: Report) -> Basis:
    """Read and sum up. row: a CastsCompared or a MouldCorrection; its evidence must be what the scans still say.

    Raises InputError: scans-changed, no-profile, and the codes of `compare_casts`.
    """
    report("reading", 0.0)
    group = group_for(row.revision, row.mould)
    asked = {serial for serial, _, _ in row.evidence}
    group.scans = [scan for scan in group.scans if scan.cast.serial in asked]
    if group.evidence != row.evidence:
        raise InputError(
            "scans-changed",
            "The scans that this was to rest on have changed since it was asked for. Ask for it again.",
        )
    profile = profile_of(row.revision)
    if profile is None:
        raise InputError("no-profile", f"{row.revision} has no profile of a surface with two limits any more. Add it.")
    mesh = nominal_mesh(row.nominal)
    surface = prepare(mesh)
    casts = deviations_of(group)
    report("comparing", 0.0)
    filled, note = fill_of(surface, pull, kind) if pull and kind else (None, "")
    found = compare_casts(surface, casts, filled=filled)
    return Basis(group, mesh, surface, found, float(profile.lower), float(profile.upper), note)


def _compare(row: CastsCompared, report: Report, at: datetime) -> None:
    mould = row.mould
    basis = basis_of(row, mould.pull if mould else None, mould.kind if mould else None, report)
    found = basis.found
    trend = pour_trend(basis.surface, found)
    shrunk, shrunk_words = _shrinkage(row, basis)
    split = split_sentence(found)
    said = {
        "mean": mean_sentence(found),
        "trend": trend_sentence(trend, found.casts),
        "shrinkage": shrunk_words,
        "fill": basis.fill_note,
    }
    pictures = _draw(row, basis, report)
    data = keep(_kept(found, trend), "application/x-npz")
    figures = _figures(basis) | {
        "said": said,
        "shrinkage": [shrinkage_figures(axis) for axis in shrunk],
        "trend": _trend_figures(trend),
    }
    report("saving", 0.0)
    with transaction.atomic():
        work.claim_the_end(row, at, sentence=split, figures=figures, data=data, code_version=VERSION)
        ComparedPicture.objects.filter(compared=row).delete()
        ComparedPicture.objects.bulk_create(
            ComparedPicture(compared=row, kind=kind, view=view, file=file) for (kind, view), file in pictures.items()
        )
        details = {"casts": [serial for serial, _, _ in row.evidence], "nominal": row.nominal.file.sha256}
        record(
            None, "casts.compared", row, f"The {row} compared: {split}", details=details | {"version": VERSION}, at=at
        )


def _shrinkage(row: CastsCompared, basis: Basis) -> tuple[tuple[Shrinkage, ...], str]:
    if row.mould is None:
        return (), "Shrinkage is not told: it is not known in which mould these were cast."
    found = basis.found
    pattern = pattern_of(row.mould, basis.surface, row.nominal)
    places = found.places
    try:
        shrunk = shrinkage(
            places.points,
            places.normals,
            found.values,
            offset_at(pattern, places.points, places.normals),
            scanner_mm=basis.group.uncertainty,
            confidence=found.confidence,
            used=found.formed,
        )
    except InputError as error:
        return (), error.sentence
    return shrunk, shrinkage_sentence(shrunk)


def _draw(row: CastsCompared, basis: Basis, report: Report) -> dict[tuple[str, str], StoredFile]:
    found, places = basis.found, basis.found.places
    whose = f"mould {row.mould}" if row.mould else "no known mould"
    number = f"{found.casts} casts" if found.casts > 1 else "1 cast"
    report("drawing", 0.0)
    mean = deviation_pictures(
        basis.mesh,
        places.points,
        found.mean,
        views=VIEWS,
        lower_mm=basis.lower,
        upper_mm=basis.upper,
        guard_mm=basis.group.uncertainty,
        sample_normals=places.normals,
        title=f"Mean of {number}, {whose}",
    )
    drawn = {("mean", view): keep(png(image), "image/png") for view, image in mean.items()}
    report("drawing", 0.6)
    if np.isfinite(found.scatter).any():
        scatter = scatter_pictures(
            basis.mesh,
            places.points,
            places.normals,
            found.scatter,
            views=VIEWS,
            title=f"Scatter of {number}, {whose}",
        )
        drawn |= {("scatter", view): keep(png(image), "image/png") for view, image in scatter.items()}
    report("drawing", 1.0)
    return drawn


def _kept(found: Found, trend: PourTrend | None) -> bytes:
    content = io.BytesIO()
    more = {} if trend is None else {"slope": trend.slope, "slope_half_width": trend.half_width}
    arrays = {
        "points": found.places.points,
        "normals": found.places.normals,
        "mean": found.mean,
        "scatter": found.scatter,
        "half_width": found.half_width,
        "counted": found.counted,
        "formed": found.formed,
    }
    np.savez_compressed(content, **arrays, **more)
    return content.getvalue()


def _figures(basis: Basis) -> dict[str, Any]:
    found = basis.found
    names = (
        "mean_error",
        "worst_mean",
        "worst_at",
        "mould_rms",
        "process_sd",
        "mould_share",
        "told_share",
        "confidence",
    )
    casts = [
        {
            "serial": scan.cast.serial,
            "scan": scan.code,
            "pour": int(basis.group.pours[scan.cast_id]),
            **_of_cast(found.values[list(found.names).index(scan.cast.serial)][found.formed]),
        }
        for scan in basis.group.scans
    ]
    return {name: plain(getattr(found, name)) for name in names} | {
        "casts": casts,
        "places": len(found.mean),
        "few": float(np.isnan(found.mean).mean()),
        "formed": float(found.formed.mean()),
        "spacing": found.places.spacing,
        "lower": basis.lower,
        "upper": basis.upper,
        "uncertainty": basis.group.uncertainty,
    }


def _of_cast(values: np.ndarray) -> dict[str, Any]:
    seen = values[np.isfinite(values)]
    if not len(seen):
        return {"mean": None, "rms": None, "worst": None, "measured": 0.0}
    return {
        "mean": float(seen.mean()),
        "rms": float(np.sqrt((seen**2).mean())),
        "worst": float(seen[np.argmax(np.abs(seen))]),
        "measured": len(seen) / len(values),
    }


def shrinkage_figures(axis: Shrinkage) -> dict[str, Any]:
    names = ("axis", "value", "low", "high", "casts", "mould_scale", "pattern_scale", "pattern_low", "pattern_high")
    return {name: plain(getattr(axis, name)) for name in names}


def _trend_figures(trend: PourTrend | None) -> dict[str, Any] | None:
    if trend is None:
        return None
    return {
        "pours": plain(trend.pours),
        "level": plain(trend.level),
        "whole": _slope(trend.whole),
        "patch": _slope(trend.patch),
        "patch_level": plain(trend.patch_level),
        "patch_told": trend.patch_told,
        "chance": plain(trend.chance),
    }


def _slope(slope: Slope) -> dict[str, Any]:
    return {name: plain(value) for name, value in asdict(slope).items()} | {"told": slope.told}
