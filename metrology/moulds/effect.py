"""What a mould correction should bring, and what it brought: the systematic error before, foretold, and after."""

from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats
from metrology.moulds.casts_compared import CastsCompared, t_factor
from metrology.moulds.smoothing import Places
from metrology.surfaces.surface import Flags, Samples


@dataclass(frozen=True)
class Systematic:
    """The error that all casts of a mould share, over the formed places that were measured, mm.

    rms: freed of what the scatter adds by chance. low, high: between which it lies, at `confidence`: the rms as it
    shows, less and more what the mean of n casts may be off; NaN with one or two casts. worst: the largest deviation
    of the mean; profile: twice that, the width of the zone about nominal that holds the mean surface (ISO 1101).
    casts: n. process_sd: of one cast about the mean; NaN with one or two casts.
    """

    rms: float
    low: float
    high: float
    worst: float
    profile: float
    process_sd: float
    casts: int


@dataclass(frozen=True)
class Brought:
    """What the casts of the corrected mould show beside what was foretold.

    after: their systematic error. gain: how much of each intended change the parts took, by least squares over the
    places; 1 is all of it. mean: (p,) mm, of the new casts at the places of the correction, freed of rigid motion.
    removed_share: 1 − after.rms / before.rms.
    """

    before: Systematic
    foretold: Systematic
    after: Systematic
    gain: float
    removed_share: float
    mean: Floats


def without_motion(places: Samples | Places, values: Floats, used: Flags) -> Floats:
    """Deviations (n, p) freed of the small rigid motion that explains most of them over `used` places: wherever the
    alignment put a cast, and however a mould stands, its shape is judged. NaN stays."""
    points = places.points[used]
    centre = (points.max(axis=0) + points.min(axis=0)) / 2
    half = max(float(np.ptp(points, axis=0).max()) / 2, 1e-9)
    columns = np.hstack([places.normals, np.cross(places.points - centre, places.normals) / half])
    freed = values.copy()
    for row in freed:
        seen = used & np.isfinite(row)
        some = columns[seen]
        stiff, ways = np.linalg.eigh(some.T @ some)
        kept = stiff > 1e-9 * max(float(stiff[-1]), 1e-300)
        row -= columns @ (ways[:, kept] @ ((ways[:, kept].T @ (some.T @ row[seen])) / stiff[kept]))
    return freed


def mean_of(values: Floats, known: Flags) -> Floats:
    """Mean over the casts, (p,); NaN where not known."""
    seen = np.isfinite(values)
    mean = np.where(seen, values, 0.0).sum(axis=0) / np.maximum(seen.sum(axis=0), 1)
    return np.where(known, mean, np.nan)


def systematic(values: Floats, used: Flags, confidence: float) -> Systematic:
    """The systematic error of casts (n, p) over `used` places that enough of them cover."""
    n = len(values)
    seen = np.isfinite(values)
    counted = seen.sum(axis=0)
    rows = used & (counted >= min(3, n))
    if not rows.any():
        nan = float("nan")
        return Systematic(nan, nan, nan, nan, nan, nan, n)
    mean = mean_of(values, rows)[rows]
    square = float((mean**2).mean())
    worst = float(np.abs(mean).max())
    if n < 3:
        return Systematic(square**0.5, float("nan"), float("nan"), worst, 2 * worst, float("nan"), n)
    off = np.where(seen, values - mean_of(values, rows), 0.0)[:, rows]
    variance = (off**2).sum(axis=0) / (counted[rows] - 1)
    of_mean = float((variance / counted[rows]).mean())
    margin = float(t_factor(confidence, n - 1)) * of_mean**0.5
    return Systematic(
        rms=max(square - of_mean, 0.0) ** 0.5,
        low=max(square**0.5 - margin, 0.0),
        high=square**0.5 + margin,
        worst=worst,
        profile=2 * worst,
        process_sd=float(variance.mean()) ** 0.5,
        casts=n,
    )


def foretold(values: Floats, smoothed_rest: Floats, step: Floats, used: Flags, confidence: float) -> Systematic:
    """The systematic error that the corrected mould should leave.

    values: (n, p) of the casts before. step: (p,) mm, how far the correction moves the mould's surface outward, which
    the part is taken to follow. smoothed_rest: (n, p), what the correction would make of each cast's own departure
    from the mean, times −1: a part of the scatter went into the correction and stays in the mould.

    rms: from the mean square of mean + step, less the scatter's own part of it, plus twice what it shares with the
    correction (as in Mallows' Cp, 1973, from memory). low, high: rms of mean + step, less and more what the mean may
    be off: by the triangle inequality no arrangement of the scatter can go beyond.
    """
    n = len(values)
    moved = values + step
    plain = systematic(moved, used, confidence)
    if n < 3:
        return plain
    counted = np.isfinite(values).sum(axis=0)
    rows = used & (counted >= 3)
    off = np.where(np.isfinite(values), values - mean_of(values, rows), 0.0)[:, rows]
    freedom = (counted[rows] - 1) * counted[rows]
    shared = float(((off * smoothed_rest[:, rows]).sum(axis=0) / freedom).mean())
    of_mean = float(((off**2).sum(axis=0) / freedom).mean())
    left = float((mean_of(moved, rows)[rows] ** 2).mean())
    return Systematic(
        max(left - of_mean + 2 * shared, 0.0) ** 0.5,
        plain.low,
        plain.high,
        plain.worst,
        plain.profile,
        plain.process_sd,
        n,
    )


def worth_taking(mean: Floats, smoothed: Floats, off: Floats, off_smoothed: Floats, used: Flags) -> float:
    """The share, 0 to 1, of the smoothed mean deviation to take out that leaves the least to be expected.

    mean, smoothed: (p,) mm. off: (n, p), each cast's departure from the mean, 0 where not measured. off_smoothed: the
    same smoothed. The mean square foretold is a parabola in the share; with little scatter its lowest point is at 1,
    where the casts show nothing but scatter at 0 (shrinkage of an estimate in the manner of James and Stein 1961, from
    memory). With one or two casts nothing is known of the scatter: 1.
    """
    n = len(off)
    if n < 3 or not used.any():
        return 1.0
    square = float((smoothed[used] ** 2).mean())
    shared = float((off[:, used] * off_smoothed[:, used]).sum(axis=0).mean()) / (n - 1) / n
    if square == 0:
        return 0.0
    return float(np.clip((float((mean[used] * smoothed[used]).mean()) - shared) / square, 0.0, 1.0))


def brought(
    before: Systematic, told: Systematic, before_mean: Floats, step: Floats, used: Flags, after: CastsCompared
) -> Brought:
    """Casts of the corrected mould, compared at the very places of the correction, against what was foretold.

    step: (p,) mm, what the casts were to show of the change, as `mould_correction.Correction.seen`.
    before_mean: (p,), as `mean_of` of the casts before, freed of rigid motion. used: (p,), the places the mould forms.
    """
    values = without_motion(after.places, after.values, used)
    now = systematic(values, used, after.confidence)
    mean = mean_of(values, np.isfinite(after.mean))
    both = used & np.isfinite(mean) & np.isfinite(before_mean)
    # A rigid part of the step moves nothing in the parts.
    intended = without_motion(after.places, step[None], both)[0][both]
    changed = (mean - before_mean)[both]
    square = float((intended**2).sum())
    gain = float((intended * changed).sum()) / square if square > 0 else float("nan")
    share = 1 - now.rms / before.rms if before.rms > 0 else float("nan")
    return Brought(before, told, now, gain, share, mean)
