"""What a fitted element is, and what its parameters do to it: shared by the five kinds of `metrology.features.fit`."""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from metrology.bodies import Floats
from metrology.errors import InputError

Kind = Literal["plane", "line", "circle", "cylinder", "sphere"]

# Spread across less than this share of the spread along: the points lie on one line, or at one place.
THIN = 1e-7
# A radius whose standard uncertainty is more than this share of it is not known from these points.
_VAGUE = 1 / 3


class FeatureError(InputError):
    """Points that do not determine the element asked for. Codes: too-few-points, at-one-place, on-one-line, in-a-plane,
    no-plane, no-line, short-arc, not-converged, not-a-number."""


@dataclass(frozen=True)
class Fitted:
    """An element fitted to n points. point: (3,) mm on it: the foot of the points' middle on a plane, line or axis; the
    centre of a circle or sphere. direction: (3,) unit, normal or axis; None for a sphere. radius: mm, None if straight.

    residuals: (n,) signed mm; for a line in space the distances. form: mm, range of the residuals about this element
    (for a line in space the width of the round zone about it). rms: mm. spread: mm, standard deviation of the residuals
    with the parameters taken off. arc_deg: how far round the points go; 360 for what is straight or a sphere.

    Uncertainty: covariance (k, k) of the k parameters, in mm and rad, from the spread alone. influence (k, n, q): what
    an error of 1 mm of each point, along each of q directions, does to each parameter. d_point (3, k), d_direction
    (3, k) and d_radius (k,): what the parameters do to the element.

    iterations, last_step_mm, converged: of the fit; an element found in closed form has 0 and 0.
    """

    kind: Kind
    point: Floats
    direction: Floats | None
    radius: float | None
    residuals: Floats
    form: float
    rms: float
    spread: float
    arc_deg: float
    covariance: Floats
    influence: Floats
    d_point: Floats
    d_direction: Floats
    d_radius: Floats
    iterations: int
    last_step_mm: float
    converged: bool

    @property
    def diameter(self) -> float | None:
        return None if self.radius is None else 2 * self.radius

    def turned_to(self, way: Floats) -> "Fitted":
        """The same element with its direction within 90° of `way`; the residuals of a plane follow its normal."""
        if self.direction is None or float(self.direction @ way) >= 0:
            return self
        sign = -1.0 if self.kind == "plane" else 1.0
        return replace(self, direction=-self.direction, d_direction=-self.d_direction, residuals=sign * self.residuals)


def checked(points: Floats, weights: Floats | None, kind: Kind, least: int) -> tuple[Floats, Floats]:
    points = np.asarray(points, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 3 or len(points) < least:
        count = len(points) if points.ndim == 2 else 0
        raise FeatureError(
            "too-few-points", f"A {kind} needs at least {least} points and {count} are there. Scan more of the region."
        )
    if not np.isfinite(points).all():
        raise FeatureError("not-a-number", "Some points have coordinates that are not numbers. Export the scan again.")
    share = np.ones(len(points)) if weights is None else np.asarray(weights, dtype=np.float64)
    if share.shape != (len(points),) or not np.isfinite(share).all() or (share <= 0).any():
        raise FeatureError("not-a-number", "The weights of the points must be numbers above 0, one for each point.")
    return points, share / share.sum()


def spreads(away: Floats, share: Floats) -> tuple[Floats, Floats]:
    """Root mean square extents along the principal directions, ascending (3,), and these as columns (3, 3)."""
    scale = max(float(np.abs(away).max()), 1e-300)
    _, values, ways = np.linalg.svd(away / scale * np.sqrt(share)[:, None], full_matrices=False)
    if len(values) < 3:
        _, values, ways = np.linalg.svd(np.vstack([away / scale * np.sqrt(share)[:, None], np.zeros((3, 3))]))
        values, ways = values[:3], ways[:3]
    ways = ways[::-1].T
    for column in ways.T:
        # The sign is free: always the same one.
        if column[int(np.argmax(np.abs(column)))] < 0:
            column *= -1
    return values[::-1] * scale, ways


def refuse_flat(values: Floats, kind: Kind, line: str | None) -> None:
    """values: root mean square extents, ascending, (3,)."""
    if not values[2] > 0:
        raise FeatureError("at-one-place", f"All points lie at one place, so no {kind} is determined by them.")
    if line and values[1] <= THIN * values[2]:
        raise FeatureError(line, f"The points lie on one straight line, so no {kind} is determined by them.")


def unit(way: Floats | None) -> Floats:
    given = np.asarray(way, dtype=np.float64)
    way_of: Floats = given / np.linalg.norm(given)
    return way_of


def arc_of(flat: Floats) -> float:
    """How far points (n, 2) about a centre go round it: 360° less the widest gap. A gap as wide as points usually lie
    apart is none."""
    turn = np.sort(np.degrees(np.arctan2(flat[:, 1], flat[:, 0])))
    gaps = np.append(np.diff(turn), turn[0] + 360.0 - turn[-1])
    widest = float(gaps.max())
    return 360.0 if widest < 2.5 * 360.0 / len(turn) else 360.0 - widest


def fitted_element(
    kind: Kind,
    point: Floats,
    direction: Floats | None,
    radius: float | None,
    residuals: Floats,
    jacobian: Floats,
    share: Floats,
    moves: Floats,
    tilts: Floats,
    d_radius: Floats,
    *,
    arc: float = 360.0,
    steps: tuple[int, float, bool] = (0, 0.0, True),
    off: Floats | None = None,
) -> Fitted:
    """jacobian: (n, k, q) of the residuals along q directions at each point. off: (n, q) these, if not the residuals.
    moves, tilts: (3, k) what the parameters do to the point and to the direction."""
    count, known, ways = jacobian.shape
    rows = jacobian.transpose(0, 2, 1).reshape(count * ways, known)
    weights = np.repeat(share * count, ways)
    size = np.sqrt(np.einsum("nk,nk->k", rows, rows * weights[:, None]))
    scaled = rows / size
    normal = np.einsum("ni,nj->ij", scaled, scaled * weights[:, None])
    influence = -(np.linalg.pinv(normal, hermitian=True) @ (scaled * weights[:, None]).T) / size[:, None]
    squares = float((share * (residuals**2 if off is None else (off**2).sum(axis=1))).sum())
    freedom = max(count * ways - known, 1)
    spread = float(np.sqrt(squares * count / freedom))
    in_space = kind == "line" and ways == 2
    return Fitted(
        kind=kind,
        point=point,
        direction=direction,
        radius=radius,
        residuals=residuals,
        form=float(2 * residuals.max() if in_space else np.ptp(residuals)),
        rms=float(np.sqrt((share * residuals**2).sum())),
        spread=spread,
        arc_deg=arc,
        covariance=spread**2 * np.einsum("in,jn->ij", influence, influence),
        influence=influence.reshape(known, count, ways),
        d_point=moves,
        d_direction=tilts,
        d_radius=d_radius,
        iterations=steps[0],
        last_step_mm=steps[1],
        converged=steps[2],
    )


def sound(fitted: Fitted) -> Fitted:
    """Refuse what is round only in name: no end of steps, or too short an arc for a radius."""
    radius = fitted.radius or 0.0
    vague = float(np.sqrt(fitted.d_radius @ fitted.covariance @ fitted.d_radius))
    if not np.isfinite(radius) or radius <= 0 or vague > _VAGUE * radius:
        raise FeatureError(
            "short-arc",
            f"The points bend too little for their scatter to tell the radius of a {fitted.kind}. "
            "Take a longer arc, or measure the part of it as a plane or a line.",
        )
    if not fitted.converged:
        raise FeatureError(
            "not-converged",
            f"No {fitted.kind} settled among these points. Check that the region holds one {fitted.kind} and no more.",
        )
    return fitted
