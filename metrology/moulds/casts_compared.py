"""Several casts of one nominal, place by place: their mean is what the mould does, their scatter what the process does.

All casts are compared in the nominal's coordinates, as their scans were aligned. Deviation in mm, positive = material
outside nominal. The scatter holds the scanner's own repeatability too: scans cannot tell the two apart.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree
from scipy.special import stdtrit

from metrology.bodies import Floats, Ints
from metrology.errors import InputError
from metrology.surfaces.surface import Flags, Samples, Surface, sample

# Fewer casts than this at one place do not say how they scatter there.
ENOUGH = 3
CONFIDENCE = 0.95
# Neighbours of a place whose samples count for it, and how far they may lie, in spacings of the places.
_NEAR, _REACH = 9, 1.6
# Samples of a scan that lie this near a place, in spacings, are the place's own.
_OWN = 1e-3
_FEWEST = 200


@dataclass(frozen=True)
class CastDeviations:
    """What is kept of a cast's scan. name: its serial. pour: its number in the order of pours into its mould, from 1.

    points, normals: (s, 3) samples of the nominal, mm and unit. deviation: (s,) mm, NaN where not measured.
    """

    name: str
    pour: int
    points: Floats
    normals: Floats
    deviation: Floats


@dataclass(frozen=True)
class CastsCompared:
    """Casts at common places of the nominal, each standing for the same area.

    values: (n, p) mm, NaN where a cast was not measured. counted: (p,) casts measured there. mean: (p,) mm. scatter:
    (p,) mm, standard deviation with n − 1. half_width: (p,) mm, of the confidence interval of the mean (Student's t).
    With three casts or more, mean, scatter and half_width are NaN at places that fewer than three of them cover; with
    one or two, mean is of what there is and the others are NaN throughout.

    formed: (p,) places that the mould forms: all but a fill face, which is struck by hand. The figures are over formed
    places with a mean: mean_error the mean of the mean. worst_mean: the mean farthest from nominal, at worst_at (3,),
    with normal worst_normal (3,). mould_rms: of the mean, freed of what the scatter adds to it (mean² − s²/n, not
    below 0). process_sd: of one cast about the mean. mould_share: of the mean square deviation of a cast. told_share:
    of the area, where the mean differs from nominal by more than half_width. NaN without any scatter, or any place.
    """

    names: tuple[str, ...]
    pours: Ints
    places: Samples
    values: Floats
    counted: Ints
    mean: Floats
    scatter: Floats
    half_width: Floats
    formed: Flags
    confidence: float
    mean_error: float
    worst_mean: float
    worst_at: Floats
    worst_normal: Floats
    mould_rms: float
    process_sd: float
    mould_share: float
    told_share: float

    @property
    def casts(self) -> int:
        return len(self.names)


def compare_casts(
    surface: Surface,
    casts: Sequence[CastDeviations],
    *,
    filled: Flags | None = None,
    confidence: float = CONFIDENCE,
    places: Samples | None = None,
) -> CastsCompared:
    """Mean and scatter over casts of one mould, at places common to all of them.

    surface: the nominal. casts: at least one; the order does not matter, they are put in the order of pouring.
    filled: (m,) true for faces of the surface that the mould does not form. places: where to compare; None takes as
    many as the scan with the fewest has.

    Raises InputError: no-casts, cast-twice, no-samples (a scan without any), confidence.
    """
    if not casts:
        raise InputError("no-casts", "No cast was scanned yet. Scan at least one.")
    if not 0.5 <= confidence < 1:
        raise InputError("confidence", "The confidence must be at least 50 % and less than 100 %.")
    if len({cast.name for cast in casts}) < len(casts):
        raise InputError("cast-twice", "A cast was given twice. Take the newest scan of each cast.")
    if any(not len(cast.deviation) for cast in casts):
        raise InputError("no-samples", "A scan has no measured places on file. Run it again.")
    ordered = sorted(casts, key=lambda cast: (cast.pour, cast.name))
    if places is None:
        places = sample(surface, max(min(len(cast.deviation) for cast in ordered), _FEWEST))
    values = np.array([at_places(places, cast) for cast in ordered])
    formed = np.ones(len(places.points), dtype=np.bool_) if filled is None else ~filled[places.faces]
    return _summed_up(ordered, places, values, formed, confidence)


def at_places(places: Samples, cast: CastDeviations) -> Floats:
    """A cast's deviation at places of the nominal, (p,) mm; NaN where it was not measured.

    Where the scan was measured at the very same places, its values themselves; elsewhere a linear function through the
    measured samples near by on the same side. A place counts as measured when the nearest sample was.
    """
    count = min(_NEAR, len(cast.deviation))
    side = 0.5 * Samples.SIDE * places.spacing
    tree = cKDTree(np.hstack([cast.points, side * cast.normals]))
    away, rows = (
        np.reshape(found, (len(places.points), count))
        for found in tree.query(np.hstack([places.points, side * places.normals]), k=count, workers=-1)
    )
    measured = np.isfinite(cast.deviation)
    own = cast.deviation[rows[:, 0]]
    if bool((away[:, 0] <= _OWN * places.spacing).all()):
        return np.asarray(own, dtype=np.float64)
    offset = (cast.points[rows] - places.points[:, None]) / places.spacing
    weight = np.clip(_REACH - away / places.spacing, 0.0, None) * measured[rows]
    value = np.where(measured, cast.deviation, 0.0)[rows]
    level = local_level(offset, weight, value[:, :, None])[:, 0]
    seen = measured[rows[:, 0]] & (away[:, 0] < _REACH * places.spacing)
    low = np.where(weight > 0, value, np.inf).min(axis=1)
    high = np.where(weight > 0, value, -np.inf).max(axis=1)
    found_here: Floats = np.where(seen, np.clip(level, low, high), np.nan)
    return found_here


def local_level(offset: Floats, weight: Floats, value: Floats) -> Floats:
    """Level at the origin of a linear function fitted to k neighbours of each of q places, (q, r).

    offset: (q, k, 3) in units of the reach. weight: (q, k). value: (q, k, r). Across the surface nothing is known: a
    touch of stiffness keeps the slope there, and with few neighbours everywhere, at nothing. 0 where no weight is.
    """
    unknowns = np.concatenate([offset, np.ones((*offset.shape[:2], 1))], axis=2)
    total = np.maximum(weight.sum(axis=1), 1e-300)
    weighted = unknowns * (weight / total[:, None])[:, :, None]
    left = weighted.transpose(0, 2, 1) @ unknowns + np.diag([1e-3, 1e-3, 1e-3, 1e-9])
    right = weighted.transpose(0, 2, 1) @ value
    level: Floats = np.linalg.solve(left, right)[:, 3, :]
    return level


def t_factor(confidence: float, freedom: npt.ArrayLike) -> Floats:
    """Student's t of a two-sided interval; NaN without freedom."""
    degrees = np.asarray(freedom, dtype=np.float64)
    factor: Floats = np.where(degrees >= 1, stdtrit(np.maximum(degrees, 1), 0.5 + confidence / 2), np.nan)
    return factor


def _summed_up(
    casts: Sequence[CastDeviations], places: Samples, values: Floats, formed: Flags, confidence: float
) -> CastsCompared:
    seen = np.isfinite(values)
    counted = seen.sum(axis=0)
    known = counted >= min(ENOUGH, len(casts))
    told = known & (counted >= ENOUGH)
    scatter, half_width = (np.full(len(counted), np.nan) for _ in range(2))
    some = np.maximum(counted, 1)
    sums = np.where(seen, values, 0.0).sum(axis=0) / some
    mean = np.where(known, sums, np.nan)
    squares = np.where(seen, (values - sums) ** 2, 0.0).sum(axis=0)
    scatter[told] = np.sqrt(squares[told] / (counted[told] - 1))
    half_width[told] = t_factor(confidence, counted[told] - 1) * scatter[told] / np.sqrt(counted[told])
    split = split_square(mean[formed], scatter[formed], counted[formed])
    rows = np.flatnonzero(formed & known)
    at = rows[np.argmax(np.abs(mean[rows]))] if len(rows) else 0
    told_rows = np.flatnonzero(formed & told)
    return CastsCompared(
        names=tuple(cast.name for cast in casts),
        pours=np.array([cast.pour for cast in casts], dtype=np.int64),
        places=places,
        values=values,
        counted=counted.astype(np.int64),
        mean=mean,
        scatter=scatter,
        half_width=half_width,
        formed=formed,
        confidence=confidence,
        mean_error=float(mean[rows].mean()) if len(rows) else float("nan"),
        worst_mean=float(mean[at]) if len(rows) else float("nan"),
        worst_at=places.points[at],
        worst_normal=places.normals[at],
        mould_rms=split[0],
        process_sd=split[1],
        mould_share=split[2],
        told_share=float((np.abs(mean) > half_width)[told_rows].mean()) if len(told_rows) else float("nan"),
    )


def split_square(mean: Floats, scatter: Floats, counted: Ints) -> tuple[float, float, float]:
    """The mean square deviation of a cast, split: rms of what all casts share, sd of one cast about it, share of the
    first in the square. mean, scatter: (p,) mm, counted: (p,); places without scatter do not count, and without any
    all three are NaN.

    The mean of n casts holds s²/n of their scatter by chance: taken off, so that the split does not lean either way
    (analysis of variance with one factor).
    """
    told = np.isfinite(scatter) & np.isfinite(mean)
    if not told.any():
        return float("nan"), float("nan"), float("nan")
    variance = scatter[told] ** 2
    process = float(variance.mean())
    mould = max(float((mean[told] ** 2 - variance / counted[told]).mean()), 0.0)
    return mould**0.5, process**0.5, mould / (mould + process) if mould + process > 0 else float("nan")
