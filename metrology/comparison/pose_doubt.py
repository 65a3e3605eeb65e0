"""A verdict that hangs on how a small part of the surface was placed."""

from collections.abc import Sequence
from dataclasses import replace

from metrology.alignment.model import AlignmentReport
from metrology.comparison.results import RegionResult
from metrology.comparison.words import share

CODE = "pose"
# Less of the surface than this shows the part from one side only.
LITTLE = 0.5


def may_lie_otherwise(report: AlignmentReport, coverage: float) -> bool:
    """Whether a best fit of little of the surface fits almost as well in another way: then neither is to be trusted,
    for a third one that nobody tried may be right."""
    almost = report.other is not None and report.other.almost
    return report.kind == "best fit" and almost and coverage < LITTLE


def pose_sentence(coverage: float) -> str:
    return (
        f"Inconclusive: with {share(coverage)} of the surface measured the part may lie otherwise than it was placed, "
        "so what is outside the limits may come from that. Scan more of it, or align it by datums or marked points."
    )


def left_open(parts: Sequence[RegionResult], sentence: str) -> list[RegionResult]:
    """The results of regions, none of them failing for the pose."""
    return [
        replace(part, result="inconclusive", code=CODE, sentence=sentence)
        if part.result == "does not conform"
        else part
        for part in parts
    ]
