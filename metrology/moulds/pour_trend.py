"""What changes from pour to pour of one mould: its wear, if any can be told from the scatter."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import permutations

import numpy as np

from metrology.bodies import Floats, Ints
from metrology.errors import InputError
from metrology.moulds.casts_compared import CastsCompared, t_factor
from metrology.surfaces.surface import Surface, sample

# Fewer pours than this leave a line through them without a trustworthy interval.
FEWEST = 4
# Places are looked at in this many patches: one place alone is mostly noise.
_PATCHES = 60
# Up to this many orders of pouring are all tried; beyond, this many drawn from a seed.
_ALL_ORDERS, _DRAWN, _SEED = 5040, 1999, 7


@dataclass(frozen=True)
class Slope:
    """A straight line by least squares. value: per pour; low, high: its confidence interval (Student's t, n − 2);
    NaN with fewer than three points. told: the interval leaves out 0."""

    value: float
    low: float
    high: float
    points: int

    @property
    def told(self) -> bool:
        return self.low > 0 or self.high < 0


@dataclass(frozen=True)
class PourTrend:
    """Change over the pours of one mould, mm a pour; positive: the part grows there.

    level: (n,) mm, mean deviation of each cast over the formed places, freed of which places it was measured at.
    whole: its slope. slope, half_width: (p,) of each place, NaN with fewer than FEWEST casts there. patch: the slope of
    the patch of the surface that follows the pours most closely, at patch_at (3,) with patch_normal (3,) and the casts'
    mean deviations patch_level (n,). chance: how often pours in another order would show one that follows as closely.
    """

    pours: Ints
    level: Floats
    whole: Slope
    slope: Floats
    half_width: Floats
    patch: Slope
    patch_at: Floats
    patch_normal: Floats
    patch_level: Floats
    chance: float
    confidence: float

    @property
    def patch_told(self) -> bool:
        """Whether some patch changes beyond what so many patches show by chance."""
        return self.chance <= 1 - self.confidence


def slope_of(x: Floats, y: Floats, confidence: float) -> Slope:
    """The line through points x, y, (n,). Raises InputError (no-slope) with fewer than two different x."""
    n = len(x)
    if n < 2 or np.ptp(x) == 0:
        raise InputError("no-slope", "A trend needs casts of at least two pours.")
    off = x - x.mean()
    spread = float(off @ off)
    value = float(off @ y) / spread
    if n < 3:
        return Slope(value, float("nan"), float("nan"), n)
    rest = y - y.mean() - value * off
    half = float(t_factor(confidence, n - 2)) * float(np.sqrt(rest @ rest / (n - 2) / spread))
    return Slope(value, value - half, value + half, n)


def pour_trend(surface: Surface, compared: CastsCompared) -> PourTrend | None:
    """The trend over the pours of one mould; None with fewer than FEWEST casts. surface: the nominal.

    The patch's chance is found by putting the pours in other orders (a permutation test with the largest of all
    correlations, Westfall and Young 1993, from memory): it takes account of how many patches were looked at.
    """
    if compared.casts < FEWEST or np.ptp(compared.pours) == 0:
        return None
    pours = compared.pours.astype(np.float64)
    formed = compared.formed & np.isfinite(compared.mean)
    off = compared.values - compared.mean
    level = np.array([_mean(row[formed]) for row in off]) + compared.mean_error
    slope, half_width = _slopes(pours, compared)
    patches, at, normals = _in_patches(surface, compared, formed)
    whole = slope_of(pours, level, compared.confidence)
    row, chance = _closest(pours, patches)
    return PourTrend(
        pours=compared.pours,
        level=level,
        whole=whole,
        slope=slope,
        half_width=half_width,
        patch=slope_of(pours, patches[:, row], compared.confidence),
        patch_at=at[row],
        patch_normal=normals[row],
        patch_level=patches[:, row],
        chance=chance,
        confidence=compared.confidence,
    )


def _mean(values: Floats) -> float:
    found = values[np.isfinite(values)]
    return float(found.mean()) if len(found) else float("nan")


def _slopes(pours: Floats, compared: CastsCompared) -> tuple[Floats, Floats]:
    """Slope and half width of its interval at every place, over the casts measured there."""
    seen = np.isfinite(compared.values)
    n = seen.sum(axis=0)
    some = np.maximum(n, 1)
    y = np.where(seen, compared.values, 0.0)
    x = np.where(seen, pours[:, None], 0.0)
    dx = np.where(seen, pours[:, None] - x.sum(axis=0) / some, 0.0)
    dy = np.where(seen, compared.values - y.sum(axis=0) / some, 0.0)
    spread = (dx**2).sum(axis=0)
    enough = (n >= FEWEST) & (spread > 0)
    slope = np.where(enough, (dx * dy).sum(axis=0) / np.where(enough, spread, 1.0), np.nan)
    rest = (np.where(seen, dy - slope * dx, 0.0) ** 2).sum(axis=0)
    freedom = np.where(enough, n - 2, 1)
    half = t_factor(compared.confidence, freedom) * np.sqrt(rest / freedom / np.where(enough, spread, 1.0))
    return slope, np.where(enough, half, np.nan)


def _in_patches(surface: Surface, compared: CastsCompared, formed: np.ndarray) -> tuple[Floats, Floats, Floats]:
    """Mean deviation of each cast in patches of the surface that all casts cover, (n, q); where, (q, 3); normals."""
    places = compared.places
    rows = np.flatnonzero(formed & np.isfinite(compared.values).all(axis=0))
    if not len(rows):
        rows = np.flatnonzero(formed & np.isfinite(compared.mean))
    patches = sample(surface, _PATCHES)
    owner = patches.nearest(places.points[rows], places.normals[rows])[1]
    used, owner = np.unique(owner, return_inverse=True)
    size = np.bincount(owner, minlength=len(used)).astype(np.float64)
    found = np.where(np.isfinite(compared.values), compared.values, compared.mean)[:, rows]
    means = np.array([np.bincount(owner, row, len(used)) for row in found]) / size
    return means, patches.points[used], patches.normals[used]


def _closest(pours: Floats, patches: Floats) -> tuple[int, float]:
    """The patch that follows the pours most closely, and how often another order of pours finds one as close."""
    away = patches - patches.mean(axis=0)
    length = np.linalg.norm(away, axis=0)
    away = np.divide(away, length, out=np.zeros_like(away), where=length > 1e-9)
    order = pours - pours.mean()
    order /= np.linalg.norm(order)
    close = np.abs(order @ away)
    row = int(np.argmax(close))
    as_close = tried = 0
    for piece in _orders(order):
        most = np.abs(piece @ away).max(axis=1)
        as_close += int((most >= close[row] - 1e-9).sum())
        tried += len(piece)
    return row, as_close / tried


def _orders(order: Floats) -> Iterator[Floats]:
    """Other orders of the pours, the true one among them, some hundred rows at a time."""
    n = len(order)
    many = int(np.prod(np.arange(1, n + 1), dtype=np.float64)) if n < 20 else _ALL_ORDERS + 1
    if many <= _ALL_ORDERS:
        rows = order[np.array(list(permutations(range(n))))]
    else:
        rng = np.random.default_rng(_SEED)
        rows = np.concatenate([order[None], [order[rng.permutation(n)] for _ in range(_DRAWN)]])
    for start in range(0, len(rows), 500):
        yield rows[start : start + 500]
