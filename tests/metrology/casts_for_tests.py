"""Casts whose deviations are known place by place, without a scan. Invented."""

from collections.abc import Callable, Sequence

import numpy as np

from metrology.bodies import Floats
from metrology.moulds.casts_compared import CastDeviations, CastsCompared, compare_casts
from metrology.surfaces.surface import Samples, Surface, sample

Field = Callable[[Floats, Floats], Floats]


def cast_of(
    surface: Surface,
    field: Field | float,
    name: str = "C1",
    pour: int = 1,
    places: int = 800,
    hidden: Field | None = None,
) -> CastDeviations:
    """A cast whose deviation at points (p, 3) with normals (p, 3) is `field` mm; not measured where `hidden`."""
    samples = sample(surface, places)
    deviation = _values(field, samples)
    if hidden is not None:
        deviation = np.where(hidden(samples.points, samples.normals), np.nan, deviation)
    return CastDeviations(name, pour, samples.points, samples.normals, deviation)


def casts_of(surface: Surface, fields: Sequence[Field | float], **more: object) -> list[CastDeviations]:
    return [cast_of(surface, field, f"C{k}", k, **more) for k, field in enumerate(fields, start=1)]


def compared_of(surface: Surface, fields: Sequence[Field | float], filled: np.ndarray | None = None) -> CastsCompared:
    return compare_casts(surface, casts_of(surface, fields), filled=filled)


def growth(
    x: float = 0.0, y: float = 0.0, z: float = 0.0, about: tuple[float, float, float] = (0.0, 0.0, 0.0)
) -> Field:
    """Deviation of a body that grew by shares along its axes."""
    return lambda points, normals: ((points - np.array(about)) * np.array([x, y, z]) * normals).sum(axis=1)


def _values(field: Field | float, samples: Samples) -> Floats:
    if callable(field):
        return np.asarray(field(samples.points, samples.normals), dtype=np.float64)
    return np.full(len(samples.points), float(field))
