"""A comparison as plain values for JSON, under keys that stay. docs/scans.md lists them."""

import math
from typing import Any

import numpy as np

from metrology.alignment.model import AlignmentReport
from metrology.comparison.compare import Comparison, RegionResult
from metrology.comparison.files_compared import FilesCompared

FORM = "proofmark comparison 1"


def to_plain(found: FilesCompared, lower: float, upper: float, coverage_needed: float) -> dict[str, Any]:
    """Strings, numbers, lists and dictionaries; what is not known is None. Lengths in mm, shares from 0 to 1."""
    made = found.comparison
    scan = found.scan
    return {
        "form": FORM,
        "unit": "mm",
        "result": made.result,
        "code": made.code,
        "sentence": made.sentence,
        "limits": {"lower": lower, "upper": upper},
        "uncertainty": known(found.uncertainty),
        "coverage_needed": coverage_needed,
        "coverage": known(made.coverage),
        "area_mm2": known(made.area_mm2),
        "unmeasured_mm2": known(made.area_mm2 * (1 - made.coverage)),
        "undecided_share": known(made.undecided_share),
        "deviation": {
            name: known(getattr(made, name))
            for name in ("mean", "sd", "rms", "p01", "p50", "p99", "lowest", "highest", "worst")
        }
        | {"worst_at": known(made.worst_at), "inside_share": known(made.inside_share)},
        "profile": known(made.profile_mm),
        "points": {
            "read": made.points_read,
            "used": made.points_used,
            "stray_share": known(made.stray_share),
            "beside_share": known(made.beside_share),
            "noise": known(made.noise_mm),
        },
        "sample_spacing": known(made.spacing_mm),
        "alignment": _alignment(made.alignment, scan.cloud.origin),
        "best_fit": None if made.best_fit is None else _beside(made, scan.cloud.origin),
        "regions": [_region(part) for part in made.regions],
        "places": [
            {
                "number": mark.number,
                "at": known(mark.at),
                "normal": known(mark.normal),
                "value": known(mark.value),
                "sentence": mark.sentence,
            }
            for mark in made.callouts
        ],
        "nominal": {"triangles": len(found.mesh.faces), "format": found.nominal.kind, "chord": found.nominal.chord_mm},
        "scan": {"format": scan.kind, "step": known(scan.step_mm), "origin": list(scan.cloud.origin)},
        "notes": list(found.notes),
        "seconds": {stage: round(seconds, 3) for stage, seconds in found.seconds.items()},
        "version": made.version,
    }


def known(value: Any) -> Any:
    """A JSON value: arrays as lists, numbers as Python's own, what is not finite as None."""
    if isinstance(value, np.ndarray | list | tuple):
        return [known(item) for item in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def _alignment(report: AlignmentReport, origin: tuple[float, float, float]) -> dict[str, Any]:
    """matrix: from the frame of the scan's own file to the nominal frame, in mm."""
    matrix = report.pose.matrix.copy()
    matrix[:3, 3] -= matrix[:3, :3] @ np.array(origin)
    other, unsure = report.other, report.uncertainty
    return {
        "kind": report.kind,
        "basis": report.basis,
        "matrix": known(matrix),
        "rms": known(report.pose.rms),
        "trimmed_share": known(report.pose.trimmed_share),
        "converged": bool(report.pose.converged),
        "coverage": known(report.coverage),
        "ambiguous": bool(report.pose.ambiguous),
        "other_pose": None
        if other is None
        else {"rms": known(other.rms), "almost": other.almost, "words": other.words},
        "uncertainty": {
            "deviation": known(unsure.deviation_mm),
            "slide": known(unsure.slide_mm),
            "turn_deg": known(unsure.turn_deg),
            "free": list(unsure.free),
        },
        "supports": [
            {
                "name": one.name,
                "role": one.role,
                "points": one.points,
                "coverage": known(one.coverage),
                "rms": known(one.rms),
                "worst": known(one.worst),
            }
            for one in report.supports
        ],
        "notes": list(report.notes),
    }


def _beside(made: Comparison, origin: tuple[float, float, float]) -> dict[str, Any]:
    """The same by best fit, where the verdict rests on another alignment."""
    best = made.best_fit
    assert best is not None
    return {
        "result": best.result,
        "sentence": best.sentence,
        "worst": known(best.worst),
        "alignment": _alignment(best.alignment, origin),
        "difference": None if made.difference is None else made.difference.words,
    }


def _region(part: RegionResult) -> dict[str, Any]:
    return {
        "name": part.name,
        "limits": {"lower": part.lower_mm, "upper": part.upper_mm},
        "result": part.result,
        "code": part.code,
        "sentence": part.sentence,
        "points": part.points,
        "area_mm2": known(part.area_mm2),
        "coverage": known(part.coverage),
        "mean": known(part.mean),
        "p01": known(part.p01),
        "p99": known(part.p99),
        "worst": known(part.worst),
        "worst_at": known(part.worst_at),
        "inside_share": known(part.inside_share),
        "motions": [
            {
                "name": one.name,
                "unit": one.unit,
                "value": known(one.value),
                "way": one.way,
                "uncertainty": known(one.uncertainty),
                "lower": known(one.lower),
                "upper": known(one.upper),
                "result": one.result,
            }
            for one in part.motions
        ],
    }
