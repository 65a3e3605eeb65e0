"""From a scale model to full size and back, by similarity.

Factors are full size over model for a model of 1 : L, from dimensional analysis: a length L, an area L², a volume L³, a
mass L³ times the ratio of densities, a time under gravity √L (Froude). Under its own weight a body of the same
material has L times the stress and L² times the deflection: a model that hardly bends says nothing of that.
"""

from dataclasses import dataclass
from decimal import Decimal
from math import sqrt

from metrology.amounts.decimals import exact
from metrology.errors import InputError
from metrology.statistics.conformity import check_limits


def gap_at_scale(
    lower: float | None, upper: float | None, scale_denominator: float
) -> tuple[float | None, float | None]:
    """Limits of a gap on a model built 1 : scale_denominator, in the unit of the full-size limits.

    A limit of 6 mm is 0.6 mm on a 1:10 model. None stays None. A denominator below 1 is an enlarged model.
    Raises InputError: not-a-number, no-limits, limits-swapped, bad-scale.
    """
    low, high = check_limits(lower, upper)
    denominator = _denominator(scale_denominator)
    return (
        None if low is None else float(low / denominator),
        None if high is None else float(high / denominator),
    )


def full_size(length: float, scale_denominator: float) -> float:
    """What a length measured on the model stands for at full size, same unit. Raises InputError: see gap_at_scale."""
    return float(exact(length, "length") * _denominator(scale_denominator))


# What a figure can be: its power of the scale, and of the ratios (full size over model) of density, elastic modulus and
# applied force.
POWERS: dict[str, tuple[float, float, float, float]] = {
    "length": (1, 0, 0, 0),
    "area": (2, 0, 0, 0),
    "volume": (3, 0, 0, 0),
    "mass": (3, 1, 0, 0),
    "weight": (3, 1, 0, 0),
    "time": (0.5, 0, 0, 0),
    "speed": (0.5, 0, 0, 0),
    "work time": (0, 0, 0, 0),
    "own-weight stress": (1, 1, 0, 0),
    "own-weight deflection": (2, 1, -1, 0),
    "load stress": (-2, 0, 0, 1),
    "load deflection": (-1, 0, -1, 1),
}


def factor(
    kind: str, scale_denominator: float, density: float = 1.0, stiffness: float = 1.0, force: float = 1.0
) -> float:
    """Full size over model of a figure of that kind. density, stiffness, force: ratios, full size over model.

    Raises InputError: bad-scale, bad-ratio, unknown-kind.
    """
    power = POWERS.get(kind)
    if power is None:
        raise InputError("unknown-kind", f"“{kind}” is not scaled here. Choose one of {', '.join(POWERS)}.")
    if min(density, stiffness, force) <= 0:
        raise InputError("bad-ratio", "A ratio of full size to model must be above zero.")
    scale = float(_denominator(scale_denominator))
    return float(scale ** power[0] * density ** power[1] * stiffness ** power[2] * force ** power[3])


@dataclass(frozen=True)
class ModelSight:
    """What a gap read on a model tells at full size, mm. gap: scaled up. uncertainty: expanded, at full size.
    reading, printing: the two parts of it. narrowest: limits nearer together than this cannot be judged at all."""

    gap: float
    uncertainty: float
    reading: float
    printing: float
    narrowest: float


def seen_on_model(
    gap: float, scale_denominator: float, reading: float, printing: float, coverage: float = 2.0
) -> ModelSight:
    """gap: mm on the model. reading: resolution of the reading, mm; a rectangular distribution of that width. printing:
    how far a printed face may be off, ± mm, rectangular, for each of the two faces. coverage: k.

    Raises InputError: bad-scale, not-a-number, negative-uncertainty.
    """
    scale = float(_denominator(scale_denominator))
    if reading < 0 or printing < 0:
        raise InputError("negative-uncertainty", "Resolution and print accuracy are zero or more.")
    read = coverage * scale * reading / sqrt(12)
    printed = coverage * scale * printing * sqrt(2 / 3)
    both = sqrt(read**2 + printed**2)
    return ModelSight(full_size(gap, scale_denominator), both, read, printed, 2 * both)


def _denominator(scale_denominator: float) -> Decimal:
    denominator = exact(scale_denominator, "scale")
    if denominator <= 0:
        raise InputError(
            "bad-scale", f"A scale of 1:{denominator} is not possible. Enter a number above zero, such as 10."
        )
    return denominator
