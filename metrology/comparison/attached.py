"""Bodies that reach out of the part where they touch it: a clamp, a support, or a lump that belongs to it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from metrology.bodies import Floats
from metrology.comparison.measuring import PointDeviations
from metrology.comparison.regions import Region
from metrology.comparison.results import RegionResult
from metrology.comparison.words import length, place_words, share
from metrology.surfaces.surface import Flags, Samples

CODE = "attached"
# A body reaches out farther than this share of the nominal's diagonal, and this many times the width of the limits.
_SHARE, _WIDTHS = 0.05, 5.0


@dataclass(frozen=True)
class Attached:
    """What reaches out. touched: (s,) samples whose points were left out for it. farthest: mm. at: its sample."""

    touched: Flags
    farthest: float
    at: int

    @property
    def any(self) -> bool:
        return self.farthest > 0


def reach_for(diagonal: float, lower: float, upper: float) -> float:
    """How far out, mm, a body must reach to be doubted rather than measured. lower, upper: limits of deviation, mm."""
    return max(_SHARE * diagonal, _WIDTHS * (upper - lower))


def attached(found: PointDeviations, points: Flags, samples: Samples) -> Attached:
    """points: (n,) those of bodies that reach out."""
    touched = np.zeros(len(samples.points), dtype=np.bool_)
    rows = np.flatnonzero(points)
    if not len(rows):
        return Attached(touched, 0.0, 0)
    touched[found.owners[rows]] = True
    top = int(rows[np.argmax(found.values[rows])])
    return Attached(touched, float(found.values[top]), int(found.owners[top]))


def attached_sentence(body: Attached, samples: Samples, regions: Sequence[Region]) -> str:
    """What is said instead of a verdict that would rest on what the body is."""
    name = next((region.spec.name for region in regions if region.samples[body.at]), None)
    at: Floats = samples.points[body.at]
    where, reach = place_words(name, at), length(body.farthest)
    stands_on = share(max(float(body.touched.mean()), 0.01))
    return (
        f"Inconclusive: something reaches {reach} out of the part {where} and stands on {stands_on} of the surface. "
        "If it is a clamp or a support, crop it away and scan what is beneath; if it belongs to the part, the part "
        "does not conform."
    )


def doubted(
    parts: Sequence[RegionResult], body: Attached, regions: Sequence[Region], sentence: str
) -> list[RegionResult]:
    """The results of regions, those that the body stands on no longer conforming."""
    return [
        replace(part, result="inconclusive", code=CODE, sentence=sentence)
        if part.result == "conforms" and (region.samples & body.touched).any()
        else part
        for part, region in zip(parts, regions, strict=True)
    ]
