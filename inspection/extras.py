"""What a scan says besides its deviation: the features of its revision."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any

from metrology.bodies import Mesh
from metrology.comparison import Comparison
from metrology.surface import prepare
from parts.models import Revision

from .features import MeasuredFeatures, measure_features, plain_features


@dataclass(frozen=True)
class Extras:
    features: MeasuredFeatures


def extras_of(
    revision: Revision, mesh: Mesh, comparison: Comparison, scanner_mm: float, report: Callable[[str, float], None]
) -> Extras:
    """scanner_mm: U of the scanner alone, k = 2, mm. report gets "features" and the share done. Raises InputError
    (selection) for a region that can no longer be read."""
    surface = cache(lambda: prepare(mesh))
    return Extras(measure_features(revision, surface, comparison, scanner_mm, report))


def plain_extras(extras: Extras, plain: Callable[[Any], Any]) -> dict[str, Any]:
    """As they stand in the figures of a result."""
    return plain_features(extras.features, plain)
