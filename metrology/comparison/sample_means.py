"""From deviations of points to deviations of surface samples, each of which stands for the same area."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from metrology.bodies import Floats, Ints
from metrology.surfaces.surface import Flags, Samples

# A sample with fewer points of its own shares its neighbours' points; with fewer than _SEEN in all it is not measured.
_ENOUGH, _SEEN = 8, 3
# Neighbours on the same side, within this many spacings.
_NEIGHBOURS, _NEAR = 7, 1.6
# Own points that lie so many standard deviations of their mean off their neighbours' are a defect, and keep their own.
_OFF = 3.5


@dataclass(frozen=True)
class SampleMeans:
    """deviation: (s,) mm, NaN where not measured. points: (s,) used. noise_mm: of single points, NaN if unknown."""

    deviation: Floats
    points: Ints
    noise_mm: float


def sample_means(
    samples: Samples, values: Floats, owners: npt.NDArray[np.integer[Any]], used: Flags, undecided: Flags
) -> SampleMeans:
    """Mean deviation of the used points of each sample.

    values, owners, used: (n,) deviation in mm, sample, and whether it counts, of each point. undecided: (s,) samples
    whose points cannot be told apart: not measured.

    A sample with few points takes in those of its neighbours, which evens out noise; not where its own say that the
    surface there is another, so that a small defect shows in full. One without a point of its own, or with fewer than
    three in all, is not measured.
    """
    count = len(samples.points)
    if not used.all():
        values, owners = values[used], owners[used]
    points = np.bincount(owners, minlength=count)
    sums = np.bincount(owners, values, count)
    squares = np.bincount(owners, values**2, count)
    own = np.divide(sums, points, out=np.zeros(count), where=points > 0)
    about_own = squares - points * own**2
    noise = _noise(points, about_own)
    seen, deviation = points >= _SEEN, own.copy()
    thin = np.flatnonzero((points > 0) & (points < _ENOUGH))
    if len(thin):
        away, near = samples.nearest(samples.points[thin], samples.normals[thin], min(_NEIGHBOURS, count))
        close = (away <= _NEAR * samples.spacing).reshape(len(thin), -1)
        near = near.reshape(len(thin), -1)
        pooled = (points[near] * close).sum(axis=1)
        mean = (sums[near] * close).sum(axis=1) / pooled
        spread = noise if np.isfinite(noise) else _pooled_noise(points, about_own)
        other = np.abs(own[thin] - mean) > _OFF * spread / np.sqrt(points[thin])
        keeps = other & (points[thin] >= _SEEN)
        deviation[thin] = np.where(keeps, own[thin], mean)
        seen[thin] = pooled >= _SEEN
    deviation[~seen | undecided] = np.nan
    return SampleMeans(deviation, points, noise)


def _noise(points: Ints, squares: Floats) -> float:
    """Standard deviation of points about their sample, mm: from the median variance, so that steps do not count.

    squares: (s,) sums of squares about the mean. The median of a chi-squared variable of f degrees of freedom is
    f (1 - 2 / 9f)³ (Wilson and Hilferty 1931, from memory). NaN when no sample has enough points.
    """
    held = points >= _ENOUGH
    if not held.any():
        return float("nan")
    freedom = points[held] - 1.0
    median = float(np.median(squares[held] / (freedom * (1 - 2 / (9 * freedom)) ** 3)))
    return float(np.sqrt(max(median, 0.0)))


def _pooled_noise(points: Ints, squares: Floats) -> float:
    """The same where every sample has few points, mm: all variances together, steps included."""
    held = points >= 2
    freedom = int((points[held] - 1).sum())
    return float(np.sqrt(max(float(squares[held].sum()), 0.0) / freedom)) if freedom else 0.0
