"""Least-squares features: plane, line, circle, cylinder and sphere with the least sum of squared distances to points.

Distances are orthogonal to the element (the geometric fit): for a circle the distances from the circle itself, not the
algebraic measures that are easier to minimise and lean to other radii. Lengths in mm. Residuals are positive outside:
along the direction of a plane, away from the axis or centre of what is round.
"""

import numpy as np

from metrology.bodies import Floats
from metrology.features.fitted import (
    THIN,
    FeatureError,
    Fitted,
    Kind,
    arc_of,
    checked,
    fitted_element,
    refuse_flat,
    sound,
    spreads,
    unit,
)
from metrology.features.solve import across, cylinder_model, directions, round_model, round_start, solve

__all__ = [
    "FeatureError",
    "Fitted",
    "Kind",
    "fit_circle",
    "fit_cylinder",
    "fit_line",
    "fit_plane",
    "fit_sphere",
]

# Axes to try from scratch, on so many of the points.
_TRIES, _TRIED_ON, _FINALISTS = 24, 400, 4


def fit_plane(points: Floats, weights: Floats | None = None) -> Fitted:
    """points: (n, 3) mm, n ≥ 3. weights: (n,) relative area that each stands for; equal when not given.

    Raises FeatureError: too-few-points, at-one-place, on-one-line, no-plane, not-a-number.
    """
    points, share = checked(points, weights, "plane", 3)
    middle = share @ points
    away = points - middle
    values, ways = spreads(away, share)
    refuse_flat(values, "plane", "on-one-line")
    if values[0] > 0.25 * values[1]:
        raise FeatureError("no-plane", "The points lie in no plane: they spread as far across it as along it.")
    normal = ways[:, 0]
    u, v = ways[:, 2], ways[:, 1]
    residuals = away @ normal
    jacobian = np.stack([-np.ones(len(points)), away @ u, away @ v], axis=1)
    zero = np.zeros(3)
    return fitted_element(
        "plane", middle, normal, None, residuals, jacobian[:, :, None], share,
        np.stack([normal, zero, zero], axis=1), np.stack([zero, u, v], axis=1), np.zeros(3),
    )  # fmt: skip


def fit_line(points: Floats, weights: Floats | None = None, lateral: Floats | None = None) -> Fitted:
    """points: (n, 3) mm, n ≥ 2. lateral: (3,) a direction along which the points' scatter does not count, as across a
    narrow strip of a face; None for a line in space.

    Raises FeatureError: too-few-points, at-one-place, no-line, not-a-number.
    """
    points, share = checked(points, weights, "line", 2)
    middle = share @ points
    away = points - middle
    side = None
    if lateral is not None:
        side = np.asarray(lateral, dtype=np.float64) / np.linalg.norm(lateral)
        away = away - np.outer(away @ side, side)
    values, ways = spreads(away, share)
    refuse_flat(values, "line", None)
    if values[1] > 0.25 * values[2]:
        raise FeatureError("no-line", "The points lie on no line: they spread nearly as far across it as along it.")
    direction = ways[:, 2]
    along, zero = away @ direction, np.zeros(3)
    if side is not None:
        normal = np.cross(direction, side)
        residuals = away @ normal
        jacobian = np.stack([-np.ones(len(points)), -along], axis=1)[:, :, None]
        moves, tilts = np.stack([normal, zero], axis=1), np.stack([zero, normal], axis=1)
        return fitted_element("line", middle, direction, None, residuals, jacobian, share, moves, tilts, np.zeros(2))
    frame = across(direction)
    off = away @ frame.T
    jacobian = np.zeros((len(points), 4, 2))
    jacobian[:, 0, 0] = jacobian[:, 1, 1] = -1.0
    jacobian[:, 2, 0] = jacobian[:, 3, 1] = -along
    distances = np.hypot(off[:, 0], off[:, 1])
    moves, tilts = np.stack([*frame, zero, zero], axis=1), np.stack([zero, zero, *frame], axis=1)
    return fitted_element("line", middle, direction, None, distances, jacobian, share, moves, tilts, np.zeros(4))


def fit_circle(points: Floats, weights: Floats | None = None, axis: Floats | None = None) -> Fitted:
    """The least-squares geometric circle. points: (n, 2) or (n, 3) mm, n ≥ 3. axis: (3,) the direction at right angles
    to its plane; without one the plane is fitted to the points first.

    Raises FeatureError: too-few-points, at-one-place, on-one-line, no-plane, short-arc, not-converged, not-a-number.
    """
    points = np.asarray(points, dtype=np.float64)
    if points.ndim == 2 and points.shape[1:] == (2,):
        points, axis = np.hstack([points, np.zeros((len(points), 1))]), np.array([0.0, 0.0, 1.0])
    points, share = checked(points, weights, "circle", 3)
    middle = share @ points
    away = points - middle
    plane = fit_plane(points, share) if axis is None else None
    normal = unit(plane.direction if plane is not None and plane.direction is not None else axis)
    frame = across(normal)
    flat = away @ frame.T
    values = np.linalg.eigvalsh(np.einsum("n,ni,nj->ij", share, flat, flat))
    refuse_flat(np.sqrt(np.maximum(np.concatenate([[0.0], values]), 0.0)), "circle", "on-one-line")
    scale = float(np.sqrt(values.sum()))
    begun = round_start(flat / scale, share)
    if begun is None:
        raise FeatureError("on-one-line", "The points lie on one straight line, so no circle goes through them.")
    found = solve(round_model(flat / scale), np.append(*begun), np.sqrt(share))
    u, v, radius = found.parameters * scale
    centre = middle + u * frame[0] + v * frame[1]
    zero = np.zeros(3)
    moves, tilts = np.stack([*frame, zero], axis=1), np.zeros((3, 3))
    jacobian = found.jacobian[:, :, None]
    if plane is not None:
        # Height and tilt of the plane rest on what the points stand off it, a second direction at each point.
        wide = np.zeros((len(points), 6, 2))
        wide[:, :3, 0] = found.jacobian
        wide[:, 3, 1] = -1.0
        wide[:, 4:, 1] = (points - centre) @ frame.T
        jacobian = wide
        moves = np.hstack([moves, np.stack([normal, zero, zero], axis=1)])
        tilts = np.hstack([tilts, np.stack([zero, *frame], axis=1)])
        centre = centre + ((middle - centre) @ normal) * normal
    d_radius = np.array([0.0, 0.0, 1.0, 0.0, 0.0, 0.0])[: moves.shape[1]]
    off = np.stack([found.residuals * scale, away @ normal], axis=1)
    fitted = fitted_element(
        "circle", centre, normal, float(radius), found.residuals * scale, jacobian, share, moves, tilts, d_radius,
        arc=arc_of(flat - [u, v]), steps=(found.iterations, found.last_step * scale, found.converged),
        off=off if plane is not None else None,
    )  # fmt: skip
    return sound(fitted)


def fit_sphere(points: Floats, weights: Floats | None = None) -> Fitted:
    """points: (n, 3) mm, n ≥ 4. Raises FeatureError: too-few-points, at-one-place, on-one-line, in-a-plane, short-arc,
    not-converged, not-a-number."""
    points, share = checked(points, weights, "sphere", 4)
    middle = share @ points
    away = points - middle
    values, _ = spreads(away, share)
    refuse_flat(values, "sphere", "on-one-line")
    if values[0] <= THIN * values[2]:
        raise FeatureError("in-a-plane", "The points lie in one plane, so no sphere is determined by them.")
    scale = float(np.sqrt((values**2).sum()))
    begun = round_start(away / scale, share)
    if begun is None:
        raise FeatureError("in-a-plane", "The points lie in one plane, so no sphere is determined by them.")
    found = solve(round_model(away / scale), np.append(*begun), np.sqrt(share))
    moves = np.hstack([np.eye(3), np.zeros((3, 1))])
    fitted = fitted_element(
        "sphere", middle + found.parameters[:3] * scale, None, float(found.parameters[3] * scale),
        found.residuals * scale, found.jacobian[:, :, None], share, moves, np.zeros((3, 4)),
        np.array([0.0, 0.0, 0.0, 1.0]), steps=(found.iterations, found.last_step * scale, found.converged),
    )  # fmt: skip
    return sound(fitted)


def fit_cylinder(points: Floats, weights: Floats | None = None, axis: Floats | None = None) -> Fitted:
    """points: (n, 3) mm, n ≥ 5. axis: (3,) about the direction of the axis, to begin from; many are tried without.

    Raises FeatureError: too-few-points, at-one-place, on-one-line, in-a-plane, short-arc, not-converged, not-a-number.
    """
    points, share = checked(points, weights, "cylinder", 5)
    middle = share @ points
    away = points - middle
    values, ways = spreads(away, share)
    refuse_flat(values, "cylinder", "on-one-line")
    if values[0] <= THIN * values[2]:
        raise FeatureError("in-a-plane", "The points lie in one plane, so no cylinder is determined by them.")
    scale = float(np.sqrt((values**2).sum()))
    scaled = away / scale
    given = [unit(axis)] if axis is not None else []
    starts = np.array(given or [*ways.T, *directions(_TRIES)])
    frame, begun = _cylinder_start(scaled, share, starts)
    found = solve(cylinder_model(scaled, frame), begun, np.sqrt(share))
    # The same once more about the axis found, so that the slopes stand for small turns.
    a, b, s, t, radius = found.parameters
    way = unit(frame[2] + s * frame[0] + t * frame[1])
    foot = a * frame[0] + b * frame[1]
    foot = foot - (foot @ way) * way
    frame = np.vstack([across(way), way])
    start = np.array([*(frame[:2] @ foot), 0.0, 0.0, radius])
    steps = found
    found = solve(cylinder_model(scaled, frame), start, np.sqrt(share))
    a, b, s, t, radius = found.parameters
    way = unit(frame[2] + s * frame[0] + t * frame[1])
    foot = a * frame[0] + b * frame[1]
    zero = np.zeros(3)
    moves, tilts = np.stack([*frame[:2], zero, zero, zero], axis=1), np.stack([zero, zero, *frame[:2], zero], axis=1)
    # Slopes are counted in mm of offset for each mm along, whatever the scale.
    jacobian = found.jacobian * np.array([1.0, 1.0, scale, scale, 1.0])
    fitted = fitted_element(
        "cylinder", middle + foot * scale, way, float(radius * scale), found.residuals * scale,
        jacobian[:, :, None], share, moves, tilts, np.array([0.0, 0.0, 0.0, 0.0, 1.0]),
        arc=arc_of((scaled - foot) @ frame[:2].T),
        steps=(steps.iterations + found.iterations, found.last_step * scale, found.converged),
    )  # fmt: skip
    return sound(fitted)


def _cylinder_start(points: Floats, share: Floats, axes: Floats) -> tuple[Floats, Floats]:
    """Frame and parameters of the best of several axes, each with the best circle across it. points: about 0."""
    some = np.linspace(0, len(points) - 1, min(len(points), _TRIED_ON)).astype(np.int64)
    few, roots = points[some], np.sqrt(share[some])
    begun: list[tuple[float, int, Floats, Floats]] = []
    for way in axes:
        frame = np.vstack([across(way), way])
        circle = round_start(few @ frame[:2].T, share[some])
        if circle is not None:
            model = cylinder_model(few, frame)
            start = np.array([*circle[0], 0.0, 0.0, circle[1]])
            begun.append((float(((roots * model(start)[0]) ** 2).sum()), len(begun), frame, start))
    if not begun:
        raise FeatureError("in-a-plane", "The points lie in one plane, so no cylinder is determined by them.")
    refined = []
    for _, place, frame, start in sorted(begun, key=lambda one: one[:2])[:_FINALISTS]:
        found = solve(cylinder_model(few, frame), start, roots, 40)
        refined.append((float(((roots * found.residuals) ** 2).sum()), place, frame, found.parameters))
    _, _, frame, parameters = min(refined, key=lambda one: one[:2])
    return frame, parameters
