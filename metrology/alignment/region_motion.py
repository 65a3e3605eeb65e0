"""How a region stands off as a whole: the small rigid motion that explains its deviations best, in the part's axes.

Only motions that the region determines are given. A flat top face tells high or low and its two tilts; it cannot tell
how far it slid along itself.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from metrology.bodies import Floats, Ints
from metrology.statistics.conformity import decide

# Names, axes and the words for either way. Turns are right-handed about the axis, in degrees.
Name = Literal["high/low", "forward/back", "left/right", "turned about left", "turned about forward", "turned about up"]
_WAYS: tuple[tuple[Name, int, str, str], ...] = (
    ("high/low", 2, "high", "low"),
    ("forward/back", 0, "forward", "back"),
    ("left/right", 1, "left", "right"),
    ("turned about forward", 3, "left side up", "right side up"),
    ("turned about left", 4, "front down", "front up"),
    ("turned about up", 5, "front to the left", "front to the right"),
)
# A motion is determined when it moves the surface along its normals by a fifth of itself or more (root mean square),
# and lies within about 10° of what the region determines; slides it hardly determines are taken as none.
_STIFF, _OWN = 0.04, 0.97
# About so many patches tell how far neighbours err alike.
PATCHES = 30


@dataclass(frozen=True)
class Motion:
    """One motion of a region. value: mm along, or degrees about, an axis of the part; None when not determined.

    way: in words ("high", "left side up"); empty for none. uncertainty: k = 2, the root of the squares of its parts:
    statistical (the scatter that the motion leaves, neighbours that err alike counted once), instrument (as if it
    erred by its whole U everywhere, in the pattern that matters most), alignment (0 when not given). lower, upper: what
    the limits of the region allow this motion alone, or the limits given for it. result: "conforms", "does not
    conform", "inconclusive", or "not determined".
    """

    name: Name
    unit: str
    value: float | None
    way: str
    uncertainty: float | None
    statistical: float | None
    instrument: float | None
    alignment: float | None
    lower: float | None
    upper: float | None
    result: str


@dataclass(frozen=True)
class Limits:
    """Of a region: on deviation, mm; and on its motions when given: slides within ±moved_mm, turns within
    ±turned_deg."""

    lower_mm: float
    upper_mm: float
    moved_mm: float | None = None
    turned_deg: float | None = None


def motions(
    points: Floats,
    normals: Floats,
    deviation: Floats,
    limits: Limits,
    *,
    instrument_mm: float,
    whole: bool,
    alignment: tuple[Floats, Floats] | None = None,
) -> tuple[Motion, ...]:
    """The six motions of a region, in the order high/low, forward/back, left/right, and turned about forward, left, up.

    points, normals: (s, 3) samples of the region on the nominal, each of the same area. deviation: (s,) mm, NaN = not
    measured. instrument_mm: U of the instrument, k = 2. whole: enough of the region was measured; without that nothing
    is said to conform. alignment: covariance (6, 6) of the pose in mm and rad, and the place (3,) it is about.
    """
    seen = np.flatnonzero(np.isfinite(deviation))
    if len(seen) < 6:
        return tuple(_undetermined(name, axis) for name, axis, _, _ in _WAYS)
    middle = points.mean(axis=0)
    arm = max(float(np.sqrt(((points - middle) ** 2).sum(axis=1).mean())), 1e-9)
    rows = np.hstack([normals, np.cross((points - middle) / arm, normals)])
    own = _determined(rows[seen])
    value, covariance, influence = _fit(rows[seen][:, own], deviation[seen], points[seen])
    found = []
    for name, axis, positive, negative in _WAYS:
        place = np.flatnonzero(own == axis)
        if not len(place):
            found.append(_undetermined(name, axis))
            continue
        k = int(place[0])
        turned = axis >= 3
        size = float(np.degrees(1.0 / arm)) if turned else 1.0
        parts = (
            2 * float(np.sqrt(covariance[k, k])) * size,
            instrument_mm * float(np.abs(influence[k]).sum()) * size,
            _of_alignment(alignment, middle, axis),
        )
        sure = float(np.sqrt(sum(part**2 for part in parts)))
        lower, upper = _allowed(rows[:, axis] / size, limits, turned)
        one = float(value[k]) * size
        judged = lower is not None and np.isfinite(sure)
        result = decide(one, lower, upper, sure).result if judged else "inconclusive"
        if result == "conforms" and not whole:
            result = "inconclusive"
        way = positive if one > 0 else negative if one < 0 else ""
        unit = "°" if turned else "mm"
        found.append(Motion(name, unit, one, way, sure, *parts, lower, upper, result))
    return tuple(found)


def _undetermined(name: Name, axis: int) -> Motion:
    unit = "°" if axis >= 3 else "mm"
    return Motion(name, unit, None, "", None, None, None, None, None, None, "not determined")


def _determined(rows: Floats) -> Ints:
    """Columns, of six, that belong to motions which the rows determine, ascending."""
    stiffness, ways = np.linalg.eigh(np.einsum("ni,nj->ij", rows, rows) / len(rows))
    firm = ways[:, stiffness >= _STIFF]
    own = np.flatnonzero((firm**2).sum(axis=1) >= _OWN)
    return own


def _fit(rows: Floats, deviation: Floats, points: Floats) -> tuple[Floats, Floats, Floats]:
    """Least squares: values (k,), their covariance (k, k), and what 1 mm at each sample does to each (k, s)."""
    if not rows.shape[1]:
        return np.empty(0), np.empty((0, 0)), np.empty((0, len(rows)))
    influence = np.asarray(np.linalg.pinv(rows), dtype=np.float64)
    value: Floats = influence @ deviation
    left = deviation - rows @ value
    spread = float(left @ left) / max(len(left) - rows.shape[1], 1)
    covariance: Floats = design_effect(left, patches(points)) * spread * np.einsum("in,jn->ij", influence, influence)
    return value, covariance, influence


def patches(points: Floats, count: int = PATCHES) -> Ints:
    """Numbers of about `count` patches that points (n, 3) on a surface fall into, (n,): cubes of one size."""
    low, size = points.min(axis=0), np.ptp(points, axis=0)
    widest = np.sort(size)[::-1]
    edge = max(float(np.sqrt(widest[0] * widest[1] / count)), float(widest[0]) / count, 1e-9)
    cell = np.minimum(np.floor((points - low) / edge), 1000).astype(np.int64)
    key = (cell[:, 0] * 1001 + cell[:, 1]) * 1001 + cell[:, 2]
    number: Ints = np.unique(key, return_inverse=True)[1].reshape(-1)
    return number


def design_effect(left: Floats, patch: Ints) -> float:
    """How many times the variance of a mean is what independent points would give: residuals (n,) summed over patches
    (n,) and squared, against their own squares. 1 or more."""
    own = float(left @ left)
    if not own > 0:
        return 1.0
    sums = np.bincount(patch, left)
    return max(1.0, float(sums @ sums) / own)


def _of_alignment(alignment: tuple[Floats, Floats] | None, middle: Floats, axis: int) -> float:
    """Half-width, k = 2, by which the pose is unsure along or about an axis at the middle of the region, mm or °."""
    if alignment is None:
        return 0.0
    covariance, about = alignment
    way = np.zeros(6)
    way[axis] = 1.0
    if axis < 3:
        way[3:] = np.cross(middle - about, way[:3])
    variance = float(way @ covariance @ way)
    known = np.isfinite(variance)
    return 2 * float(np.sqrt(max(variance, 0.0))) * (float(np.degrees(1.0)) if axis >= 3 else 1.0) if known else np.inf


def _allowed(rows: Floats, limits: Limits, turned: bool) -> tuple[float | None, float | None]:
    """The range of one motion that keeps all of the region, moved by it alone, within its limits of deviation.

    (None, None) where no motion does, for limits that leave out 0.

    rows: (s,) deviation in mm that one unit of the motion makes at each sample.
    """
    given = limits.turned_deg if turned else limits.moved_mm
    if given is not None:
        return -given, given
    least = 1e-6 * float(np.abs(rows).max())
    up, down = rows[rows > least], rows[rows < -least]
    lower = max(
        [float((limits.lower_mm / up).max(initial=-np.inf)), float((limits.upper_mm / down).max(initial=-np.inf))]
    )
    upper = min(
        [float((limits.upper_mm / up).min(initial=np.inf)), float((limits.lower_mm / down).min(initial=np.inf))]
    )
    return (lower, upper) if lower <= upper else (None, None)
