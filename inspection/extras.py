"""What a scan says besides its deviation: the features of its revision, and wall thickness."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any

from metrology.bodies import Mesh
from metrology.comparison.compare import Comparison
from metrology.surfaces.surface import prepare
from parts.models import Revision

from .features import MeasuredFeatures, measure_features, plain_features
from .walls import Walls, measure_walls, plain_walls


@dataclass(frozen=True)
class Extras:
    features: MeasuredFeatures
    walls: Walls


def extras_of(
    revision: Revision, mesh: Mesh, comparison: Comparison, scanner_mm: float, report: Callable[[str, float], None]
) -> Extras:
    """scanner_mm: U of the scanner alone, k = 2, mm. report gets the names of the two stages and the share done. Raises
    InputError (selection) for a region that can no longer be read."""
    surface = cache(lambda: prepare(mesh))
    features = measure_features(revision, surface, comparison, scanner_mm, report)
    report("wall thickness", 0.0)
    return Extras(features, measure_walls(surface(), comparison, scanner_mm))


def plain_extras(extras: Extras, plain: Callable[[Any], Any]) -> dict[str, Any]:
    """As they stand in the figures of a result."""
    return plain_features(extras.features, plain) | {"walls": plain_walls(extras.walls, plain)}
