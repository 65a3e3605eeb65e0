"""The alignment of a scan: what its revision asks for, what it came to, and both as plain values to keep."""

from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from typing import Any

from metrology.alignment.model import (
    BEST_FIT,
    DATUM,
    MARKED,
    Alignment,
    BestFit,
    Locked,
    MarkedPair,
    MarkedPoints,
)
from metrology.comparison.compare import Comparison
from metrology.errors import AlignmentError
from parts.alignment_models import RevisionAlignment, alignment_of
from parts.services.alignment import datum_spec

from .models import Scan

AXES = {"forward": (1.0, 0.0, 0.0), "left": (0.0, 1.0, 0.0), "up": (0.0, 0.0, 1.0)}
UNMARKED = "No points are marked on this scan. Mark three or more, far apart, and measure it again."


@dataclass(frozen=True)
class Asked:
    """kind: what the revision's definition asks for. spec: what to carry out; best fit where `lacking` says why."""

    kind: str
    spec: Alignment
    lacking: str = ""


def asked_of(scan: Scan) -> Asked:
    """What a scan is to be aligned by. Marked points, where there are any, say where the part lies in the scan.

    Raises InputError for a datum region that can no longer be read.
    """
    alignment = alignment_of(scan.cast.revision)
    marks = marks_of(scan)
    kind = alignment.kind if alignment else BEST_FIT
    if kind == DATUM:
        return Asked(kind, replace(datum_spec(alignment), start=marks))
    if kind == MARKED:
        return Asked(kind, marks or BestFit(), "" if marks else UNMARKED)
    if alignment and alignment.held:
        return Asked(kind, BestFit(replace(datum_spec(alignment), start=marks), _held(alignment)))
    return Asked(kind, BestFit(marks))


def marks_of(scan: Scan) -> MarkedPoints | None:
    pairs = tuple(MarkedPair(mark.on_scan, mark.on_nominal, str(mark)) for mark in scan.marks.order_by("number"))
    return MarkedPoints(pairs) if pairs else None


def _held(alignment: RevisionAlignment) -> tuple[Locked, ...]:
    words = [motion.split() for motion in alignment.held]
    return tuple(Locked("along" if how == "along" else "about", AXES[axis]) for how, axis in words)


def compared(scan: Scan, measured: Callable[[Alignment], Comparison]) -> tuple[Comparison, Asked]:
    """Measure under the alignment asked for; where that cannot be, by best fit, with the reason in `lacking`."""
    asked = asked_of(scan)
    if asked.kind == BEST_FIT:
        return measured(asked.spec), asked
    try:
        return measured(asked.spec), asked
    except AlignmentError as error:
        # A scan that fits nowhere is refused here as well, with its own reason.
        return measured(BestFit()), replace(asked, lacking=error.sentence)


def sentence(comparison: Comparison, asked: Asked) -> str:
    """What the scan says, and that it rests on another alignment than was asked for."""
    if not asked.lacking:
        return comparison.sentence
    return f"{comparison.sentence} This rests on best fit: {asked.kind} was not possible. {asked.lacking}"


def kept(comparison: Comparison, asked: Asked, plain: Callable[[Any], Any]) -> dict[str, Any]:
    """The report of the alignment as plain values for `ScanResult.figures`."""
    report = comparison.alignment
    other = report.other
    between = comparison.difference
    return {
        "kind": report.kind,
        "asked": asked.kind,
        "lacking": asked.lacking,
        "basis": report.basis,
        "coverage": plain(report.coverage),
        "rms": plain(report.pose.rms),
        "trimmed_share": plain(report.pose.trimmed_share),
        "iterations": report.pose.iterations,
        "converged": report.pose.converged,
        "supports": [plain(asdict(support)) for support in report.supports],
        "other": None if other is None else plain({k: v for k, v in asdict(other).items() if k != "matrix"}),
        "uncertainty": plain(asdict(report.uncertainty)),
        "notes": list(report.notes),
        "difference": None if between is None else plain(asdict(between)),
    }


def best_fit(comparison: Comparison, plain: Callable[[Any], Any]) -> dict[str, Any] | None:
    """What best fit says beside the verdict's alignment, as plain values for `ScanResult.best_fit`."""
    beside = comparison.best_fit
    if beside is None:
        return None
    names = ("result", "code", "sentence", "worst", "inside_share", "coverage", "mean", "rms", "uncertainty_mm")
    return {name: plain(getattr(beside, name)) for name in names} | {
        "residual": plain(beside.alignment.pose.rms),
        "sure_to": plain(beside.alignment.uncertainty.deviation_mm),
        "basis": beside.alignment.basis,
    }
