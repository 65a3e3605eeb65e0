"""Shrinkage of a part on its mould, per direction, and the pattern scale that makes up for it.

Measured on this mix in this mould, never taken from a table: handbooks disagree. Shrinkage is the share by which the
part is smaller than the mould it was cast in. A wanted length needs a pattern of length / (1 − shrinkage).
"""

from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats
from metrology.errors import InputError
from metrology.moulds.casts_compared import t_factor
from metrology.surfaces.surface import Flags

AXES = ("x", "y", "z")
# Places must tell a growth along an axis from every shift and turn by this share of the half length, as a root mean
# square; below, all surface that faces along the axis lies at one height.
_LEVER = 0.02
# Residuals beyond this many robust standard deviations lose weight (Huber 1964, from memory).
_HUBER, _ROUNDS = 1.5, 20
# Motions less stiff than this share of the stiffest change no deviation.
_UNNOTICED = 1e-9


@dataclass(frozen=True)
class Fit:
    """Small motion and growth that explain deviations best: d = n · (shift + turn × r + growth r), r = place − centre.

    shift: (3,) mm. turn: (3,) radians. growth: (3,), share along each axis, NaN where the places cannot tell.
    """

    shift: Floats
    turn: Floats
    growth: Floats


@dataclass(frozen=True)
class Shrinkage:
    """Along one axis of the part. value: share, positive when the part is smaller than its mould; NaN when the surface
    cannot tell. low, high: its interval; NaN with one cast. casts: how many it rests on. per_cast: (n,).

    mould_scale: length of the mould / nominal. pattern_scale: 1 / (1 − value), what the next pattern must be of
    nominal; pattern_low, pattern_high: with the interval.
    """

    axis: str
    value: float
    low: float
    high: float
    casts: int
    per_cast: Floats
    mould_scale: float
    confidence: float

    @property
    def known(self) -> bool:
        return bool(np.isfinite(self.value))

    @property
    def told(self) -> bool:
        """Whether the interval leaves out no shrinkage at all."""
        return self.low > 0 or self.high < 0

    @property
    def pattern_scale(self) -> float:
        return pattern_scale(self.value)

    @property
    def pattern_low(self) -> float:
        return pattern_scale(self.low)

    @property
    def pattern_high(self) -> float:
        return pattern_scale(self.high)


def pattern_scale(shrinkage: float) -> float:
    """What to multiply a wanted length by: 1 / (1 − shrinkage). Raises InputError (shrinkage) at 1 and beyond."""
    if shrinkage >= 1:
        raise InputError("shrinkage", "A part cannot shrink by all its length. Check the shrinkage.")
    return 1.0 / (1.0 - shrinkage)


def shrinkage(
    points: Floats,
    normals: Floats,
    values: Floats,
    mould: Floats,
    *,
    scanner_mm: float = 0.0,
    confidence: float = 0.95,
    used: Flags | None = None,
) -> tuple[Shrinkage, Shrinkage, Shrinkage]:
    """Shrinkage along x, y and z over n casts of one mould.

    points, normals: (p, 3) places of the nominal. values: (n, p) deviation of the casts from nominal, mm, NaN where not
    measured. mould: (p,) mm, how far the mould's surface lies outside nominal there; 0 for a mould of nominal size.
    scanner_mm: expanded uncertainty (k = 2) of a deviation: what the scanner's own scale may be off by at either end.
    used: (p,) places that the mould forms.

    Each cast is fitted by itself, and the interval is that of the mean of n casts (Student's t), widened by the
    scanner's part (Welch and Satterthwaite, JCGM 100 G.4, from memory): places of one cast are not independent.

    Raises InputError: no-casts, too-few-places.
    """
    if not len(values):
        raise InputError("no-casts", "No cast was scanned yet. Scan at least one.")
    here = np.ones(len(points), dtype=np.bool_) if used is None else used
    mould_scale = 1.0 + fit_growth(points[here], normals[here], mould[here], robust=False).growth
    growths = np.array([fit_growth(points[here], normals[here], row[here]).growth for row in values])
    # Length of the part / length of the mould, each against nominal.
    per_cast = 1.0 - (1.0 + growths) / mould_scale
    reach = np.ptp(points[here], axis=0)
    return tuple(  # type: ignore[return-value]
        of_casts(axis, per_cast[:, k], float(mould_scale[k]), scanner_mm / max(float(reach[k]), 1e-9), confidence)
        for k, axis in enumerate(AXES)
    )


def fit_growth(points: Floats, normals: Floats, deviation: Floats, *, robust: bool = True) -> Fit:
    """The fit over measured places: (p, 3), (p, 3), (p,) mm, NaN where not measured. About the middle of their box.

    robust: places that something else has moved lose weight. Raises InputError (too-few-places) below 20.
    """
    measured = np.isfinite(deviation)
    if measured.sum() < 20:
        raise InputError("too-few-places", "Too few places were measured. Scan more of the surface.")
    at, way, d = points[measured], normals[measured], deviation[measured]
    centre = (points.max(axis=0) + points.min(axis=0)) / 2
    half = np.maximum(np.ptp(points, axis=0) / 2, 1e-9)
    r = at - centre
    columns = np.hstack([way, np.cross(r, way) / half.max(), way * r / half])
    solved = _solve(columns, d, robust)
    growth = solved[6:] / half
    growth[_lever(columns) < _LEVER] = np.nan
    return Fit(solved[:3], solved[3:6] / half.max(), growth)


def _solve(columns: Floats, d: Floats, robust: bool) -> Floats:
    weight = np.ones(len(d))
    solved = np.zeros(columns.shape[1])
    for _ in range(_ROUNDS if robust else 1):
        fresh = _least_squares(columns, d, weight)
        step = float(np.abs(fresh - solved).max())
        solved = fresh
        off = np.abs(d - columns @ solved)
        sigma = 1.4826 * float(np.median(off))
        if sigma < 1e-9 or step < 1e-9:
            break
        weight = np.asarray(np.minimum(1.0, _HUBER * sigma / np.maximum(off, 1e-300)), dtype=np.float64)
    return solved


def _least_squares(columns: Floats, d: Floats, weight: Floats) -> Floats:
    """Motions that the surface does not notice are left at nothing."""
    weighted = columns * weight[:, None]
    stiff, ways = np.linalg.eigh(weighted.T @ columns)
    kept = stiff > _UNNOTICED * stiff[-1]
    solved: Floats = ways[:, kept] @ ((ways[:, kept].T @ (weighted.T @ d)) / stiff[kept])
    return solved


def _lever(columns: Floats) -> Floats:
    """What of each growth no shift, turn or other growth can imitate, (3,): a share of the half length, rms."""
    levers = []
    for k in range(6, 9):
        others = np.delete(columns, k, axis=1)
        rest = columns[:, k] - others @ _least_squares(others, columns[:, k], np.ones(len(columns)))
        levers.append(float(np.sqrt((rest**2).mean())))
    return np.array(levers)


def of_casts(axis: str, per_cast: Floats, mould_scale: float, scanner: float, confidence: float) -> Shrinkage:
    """Shrinkage along one direction from that of each cast, (n,). scanner: standard uncertainty, as a share of the
    length, of what measures them all alike (of a scanner's scale: U / 2 at half the length)."""
    found = per_cast[np.isfinite(per_cast)]
    n = len(found)
    value = float(found.mean()) if n else float("nan")
    low = high = float("nan")
    if n >= 2:
        by_chance = float(found.std(ddof=1)) / n**0.5
        combined = float(np.hypot(by_chance, scanner))
        freedom = (n - 1) * (combined / by_chance) ** 4 if by_chance > 1e-12 * combined else 1e9
        half = float(t_factor(confidence, min(freedom, 1e9))) * combined if combined else 0.0
        low, high = value - half, value + half
    return Shrinkage(axis, value, low, high, n, per_cast, mould_scale, confidence)
