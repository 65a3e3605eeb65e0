"""What a fitted feature says: form, diameter, position, and distance and angle to another, each with its uncertainty.

Every value is sure to U, k = 2: the root of the sum of squares of three parts.
Statistical: the scatter of the points about the element; neighbours that err alike are counted once (`effect`).
Instrument: its U at every point of a feature in the pattern that changes the value most, the largest that errors of
that size can do together; two features err apart from each other.
Alignment: how surely the scan was placed, for positions only: size, form, distance and angle do not rest on it.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from metrology.bodies import Floats
from metrology.errors import InputError
from metrology.features.fitted import Fitted, Kind

Gives = Literal["form", "diameter", "position", "distance", "angle"]
GIVES: dict[Kind, tuple[Gives, ...]] = {
    "plane": ("form", "distance", "angle"),
    "line": ("form", "distance", "angle"),
    "circle": ("form", "diameter", "position", "distance", "angle"),
    "cylinder": ("form", "diameter", "position", "distance", "angle"),
    "sphere": ("form", "diameter", "position", "distance"),
}
# Directions that make an angle within 20° of 0 or 180° are compared by the length of their cross product.
_NEARLY_PARALLEL = np.cos(np.radians(20.0))
# Axes within 10° of parallel are as far apart as at the middle of the first; others as their nearest places are.
_LEVEL = np.cos(np.radians(10.0))
_RANK = {"centre": 0, "axis": 1, "plane": 2}


@dataclass(frozen=True)
class Found:
    """A feature found on a part. fitted: to the measured points, its direction turned as the nominal's. nominal: the
    same kind fitted to the nominal surface. middle: (3,) mm, of the nominal region. reach: half the length of the
    region along the nominal direction, mm. effect: see `region_motion.design_effect`. instrument_mm: U, k = 2."""

    fitted: Fitted
    nominal: Fitted
    middle: Floats
    reach: float
    effect: float
    instrument_mm: float
    alignment: tuple[Floats, Floats] | None = None


@dataclass(frozen=True)
class Figure:
    """One value of a feature, or of two. unit: "mm" or "°". nominal: the same on the nominal surface. uncertainty and
    its three parts: k = 2."""

    gives: Gives
    value: float
    nominal: float
    unit: str
    uncertainty: float
    statistical: float
    instrument: float
    alignment: float


class ValueOfFeatureError(InputError):
    """A value that these features do not have. Code: no-such-value."""


def form(found: Found, low: tuple[float, float], high: tuple[float, float]) -> Figure:
    """Flatness, straightness, roundness, cylindricity or departure from the sphere: the range of the local means about
    the least-squares element (not the least zone, which is never wider).

    low, high: value and standard uncertainty of the lowest and the highest local mean, mm.
    """
    statistical = 2 * float(np.hypot(low[1], high[1]))
    # Two places, each off by U and away from each other.
    return _figure("form", high[0] - low[0], found.nominal.form, "mm", statistical, 2 * found.instrument_mm, 0.0)


def diameter(found: Found) -> Figure:
    radius, nominal = found.fitted.radius, found.nominal.radius
    if radius is None or nominal is None:
        raise _without("diameter", found)
    statistical, instrument = _sure(2 * found.fitted.d_radius[None], found)
    return _figure("diameter", 2 * radius, 2 * nominal, "mm", statistical, instrument, 0.0)


def position(found: Found) -> Figure:
    """Diameter of the round zone about the nominal axis (or centre) that just holds the measured one, over the length
    of the region: twice the distance, at the end where it is greater. Rests on the alignment."""
    fitted, nominal = found.fitted, found.nominal
    if fitted.radius is None:
        raise _without("position", found)
    if fitted.direction is None or nominal.direction is None:
        off, spread = fitted.point - nominal.point, 2 * fitted.d_point
        return _length("position", 2 * off, spread, found, at=fitted.point, moves=2 * np.eye(3))
    ends: Sequence[float] = (0.0,) if fitted.kind == "circle" else (-found.reach, found.reach)
    figures = []
    for end in ends:
        at = found.middle + end * nominal.direction
        place, spread = _place(fitted, at)
        foot = nominal.point + nominal.direction * float((at - nominal.point) @ nominal.direction)
        twice = 2 * (np.eye(3) - np.outer(nominal.direction, nominal.direction))
        figures.append(_length("position", twice @ (place - foot), twice @ spread, found, at=place, moves=twice))
    return max(figures, key=lambda figure: figure.value)


def distance(one: Found, other: Found) -> Figure:
    """How far two features lie apart: the middle of one, at right angles from the other's plane or axis, or from its
    centre. The other is the plane, if there is one, or else the axis, or else the second. Two axes more than 10° from
    parallel: the shortest way between them."""
    if _RANK[_sort(one)] > _RANK[_sort(other)]:
        one, other = other, one
    one_axis, other_axis = one.fitted.direction, other.fitted.direction
    crossed = _sort(one) == _sort(other) == "axis"
    if crossed and one_axis is not None and other_axis is not None and abs(float(one_axis @ other_axis)) < _LEVEL:
        return _between_axes(one, other)

    def apart(first: Fitted, second: Fitted) -> Floats:
        place, _ = _place(first, one.middle)
        if _sort(other) == "plane" and second.direction is not None:
            return np.array([float((place - second.point) @ second.direction)])
        away = place - second.point
        if _sort(other) == "axis" and second.direction is not None:
            away = away - float(away @ second.direction) * second.direction
        return np.asarray(away)

    return _of_two("distance", apart, one, other, "mm")


def angle(one: Found, other: Found) -> Figure:
    """Angle between two directions, 0 to 90° on the nominal and unfolded from there; of a plane that of the plane
    itself, not of its normal, when the other is an axis. Degrees."""
    a, b = one.nominal.direction, other.nominal.direction
    if a is None or b is None:
        raise _without("angle", one if a is None else other)
    sign = 1.0 if float(a @ b) >= 0 else -1.0
    mixed = (_sort(one) == "plane") != (_sort(other) == "plane")
    level = abs(float(a @ b)) > _NEARLY_PARALLEL

    def turned(first: Fitted, second: Fitted) -> Floats:
        u = np.asarray(first.direction)
        v = sign * np.asarray(second.direction)
        if level:
            return np.asarray(np.degrees(np.cross(u, v)))
        return np.array([float(np.degrees(np.arccos(np.clip(u @ v, -1.0, 1.0))))])

    figure = _of_two("angle", turned, one, other, "°")
    value, nominal = figure.value, figure.nominal
    if level:
        # The cross product is the sine; for the angle itself take it back.
        value, nominal = (float(np.degrees(np.arcsin(min(np.radians(x), 1.0)))) for x in (value, nominal))
    if mixed:
        value, nominal = 90.0 - value, 90.0 - nominal
    parts = (figure.statistical, figure.instrument, figure.alignment)
    return Figure("angle", value, nominal, "°", figure.uncertainty, *parts)


def _between_axes(one: Found, other: Found) -> Figure:
    """Shortest way between two axes that are not parallel, signed by the nominal."""

    def apart(first: Fitted, second: Fitted) -> Floats:
        way = np.cross(np.asarray(first.direction), np.asarray(second.direction))
        return np.array([float((first.point - second.point) @ way) / float(np.linalg.norm(way))])

    return _of_two("distance", apart, one, other, "mm")


def _of_two(gives: Gives, value_of: Callable[[Fitted, Fitted], Floats], one: Found, other: Found, unit: str) -> Figure:
    """A length that two features make, from a signed number or a vector; its nominal; and what it is sure to."""
    value, nominal = value_of(one.fitted, other.fitted), value_of(one.nominal, other.nominal)
    parts = []
    for found, moved in ((one, lambda f: value_of(f, other.fitted)), (other, lambda f: value_of(one.fitted, f))):
        slope = _slope(found.fitted, moved)
        parts.append((slope, found))
    way = _way(value, [_covariance(slope, found) for slope, found in parts])
    sure = [_sure(way @ slope, found) for slope, found in parts]
    statistical, instrument = (float(np.sqrt(sum(part[k] ** 2 for part in sure))) for k in (0, 1))
    return _figure(
        gives, float(np.linalg.norm(value)), float(np.linalg.norm(nominal)), unit, statistical, instrument, 0.0
    )


def _slope(fitted: Fitted, value_of: Callable[[Fitted], Floats]) -> Floats:
    """How the value changes with each parameter, (m, k), by central differences."""
    columns = []
    for k in range(fitted.d_point.shape[1]):
        # A step of a micrometre, or of a microradian.
        step = 1e-3 if np.abs(fitted.d_point[:, k]).max() > 0 or fitted.d_radius[k] else 1e-6
        ends = [value_of(_nudged(fitted, k, sign * step)) for sign in (1.0, -1.0)]
        columns.append((ends[0] - ends[1]) / (2 * step))
    return np.stack(columns, axis=1)


def _nudged(fitted: Fitted, k: int, by: float) -> Fitted:
    direction = fitted.direction
    if direction is not None:
        direction = direction + by * fitted.d_direction[:, k]
        direction = direction / np.linalg.norm(direction)
    return replace(fitted, point=fitted.point + by * fitted.d_point[:, k], direction=direction)


def _place(fitted: Fitted, at: Floats) -> tuple[Floats, Floats]:
    """The place of an element nearest to a point, and how its parameters move it, (3, k)."""
    if fitted.direction is None or fitted.kind == "circle":
        return fitted.point, fitted.d_point
    away = at - fitted.point
    if fitted.kind == "plane":
        height = float(away @ fitted.direction)
        place = at - height * fitted.direction
        lever = -np.outer(fitted.direction, (place - fitted.point) @ fitted.d_direction)
        return place, fitted.d_point + lever
    along = float(away @ fitted.direction)
    return fitted.point + along * fitted.direction, fitted.d_point + along * fitted.d_direction


def _length(gives: Gives, off: Floats, slope: Floats, found: Found, *, at: Floats, moves: Floats) -> Figure:
    """The length, nothing on the nominal, of a vector (3,) that parameters move by `slope` (3, k). at: (3,) the place
    that the alignment moves. moves: (3, 3) what moving it does to the vector."""
    covariances = [_covariance(slope, found)]
    if found.alignment is not None:
        covariance, about = found.alignment
        x, y, z = at - about
        turns = np.array([[0.0, z, -y], [-z, 0.0, x], [y, -x, 0.0]])
        lever = moves @ np.hstack([np.eye(3), turns])
        covariances.append(lever @ covariance @ lever.T)
    known = bool(np.isfinite(covariances[-1]).all())
    way = _way(off, covariances if known else covariances[:1])[0]
    statistical, instrument = _sure((way @ slope)[None], found)
    unsure = 0.0
    if found.alignment is not None:
        unsure = 2 * float(np.sqrt(max(float(way @ covariances[-1] @ way), 0.0))) if known else float("inf")
    return _figure(gives, float(np.linalg.norm(off)), 0.0, "mm", statistical, instrument, unsure)


def _way(value: Floats, covariances: Sequence[Floats]) -> Floats:
    """The direction (1, m) in which the length of a vector is unsure: its own, or the least sure one near nothing."""
    total = np.sum(covariances, axis=0)
    size = float(np.linalg.norm(value))
    if len(value) == 1:
        return np.ones((1, 1))
    variances, ways = np.linalg.eigh(total)
    if size > 3 * float(np.sqrt(max(variances[-1], 0.0))) and size > 0:
        return (value / size)[None]
    return np.asarray(ways[:, -1:].T)


def _covariance(slope: Floats, found: Found) -> Floats:
    covariance: Floats = found.effect * (slope @ found.fitted.covariance @ slope.T)
    return covariance


def _sure(slope: Floats, found: Found) -> tuple[float, float]:
    """Statistical and instrument part, k = 2, of a value with this slope (1, k)."""
    statistical = 2 * float(np.sqrt(max(_covariance(slope, found)[0, 0], 0.0)))
    each = np.einsum("k,knq->nq", slope[0], found.fitted.influence)
    return statistical, found.instrument_mm * float(np.sqrt((each**2).sum(axis=1)).sum())


def _sort(found: Found) -> str:
    return {"plane": "plane", "line": "axis", "cylinder": "axis"}.get(found.fitted.kind, "centre")


def _figure(
    gives: Gives, value: float, nominal: float, unit: str, statistical: float, instrument: float, alignment: float
) -> Figure:
    total = float(np.sqrt(statistical**2 + instrument**2 + alignment**2))
    return Figure(gives, float(value), float(nominal), unit, total, statistical, instrument, alignment)


def _without(gives: Gives, found: Found) -> ValueOfFeatureError:
    return ValueOfFeatureError("no-such-value", f"A {found.fitted.kind} has no {gives}.")
