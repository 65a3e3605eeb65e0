"""Starts and steps for least-squares elements: algebra that comes near, and damped Gauss-Newton steps that arrive."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats

MOST_STEPS = 200
# A step shorter than this share of the points' spread moves nothing that anybody could measure.
_STILL = 1e-12
_FIRST_DAMPING, _LEAST_DAMPING = 1e-4, 1e-14


@dataclass(frozen=True)
class Solved:
    """parameters: (k,). residuals: (n,). jacobian: (n, k), of the residuals, at the end. last_step: length of the last
    step taken, in the parameters' own units. converged: it was too short to matter."""

    parameters: Floats
    residuals: Floats
    jacobian: Floats
    iterations: int
    last_step: float
    converged: bool


# Residuals (n,) and their jacobian (n, k) at some parameters (k,).
Model = Callable[[Floats], tuple[Floats, Floats]]


def solve(model: Model, start: Floats, roots: Floats, most: int = MOST_STEPS) -> Solved:
    """The parameters with the least sum of (root × residual)², from a start nearby (Levenberg-Marquardt, from memory).

    roots: (n,) square roots of the weights. Parameters should be scaled so that a step of one is large. The damping
    falls to nothing where steps succeed, so that the last ones are those of Gauss and Newton.
    """
    at = np.array(start, dtype=np.float64)
    residuals, jacobian = model(at)
    cost = float(((roots * residuals) ** 2).sum())
    damping, moved, done, converged = _FIRST_DAMPING, np.inf, 0, False
    while done < most and not converged:
        done += 1
        weighted = jacobian * roots[:, None]
        size = np.sqrt(np.einsum("ij,ij->j", weighted, weighted))
        size = np.where(size > 0, size, 1.0)
        stacked = np.vstack([weighted / size, np.sqrt(damping) * np.eye(len(at))])
        wanted = np.concatenate([-roots * residuals, np.zeros(len(at))])
        step = np.linalg.lstsq(stacked, wanted, rcond=None)[0] / size
        length = float(np.linalg.norm(step))
        tried = at + step
        new_residuals, new_jacobian = model(tried)
        new_cost = float(((roots * new_residuals) ** 2).sum())
        if np.isfinite(new_cost) and new_cost <= cost:
            at, residuals, jacobian, cost = tried, new_residuals, new_jacobian, new_cost
            damping, moved = max(damping / 20, _LEAST_DAMPING), length
            converged = length <= _STILL * max(1.0, float(np.linalg.norm(at)))
        elif length <= 1e-9 * max(1.0, float(np.linalg.norm(at))):
            # Rounding alone stands in the way: there is nothing left to gain.
            moved, converged = length, True
        else:
            damping *= 10
            if damping > 1e12:
                break
    return Solved(at, residuals, jacobian, done, moved, converged)


def round_start(points: Floats, weights: Floats) -> tuple[Floats, float] | None:
    """Centre and radius of a circle (n, 2) or sphere (n, 3) near the points; None where they are flat.

    Algebraic, with the gradient held to unit mean (Taubin 1991, from memory): it leans less to small radii on short
    arcs than the plainest algebra does.
    """
    share = weights / weights.sum()
    middle = share @ points
    away = points - middle
    squares = np.einsum("ij,ij->i", away, away)
    mean = float(share @ squares)
    if not mean > 0:
        return None
    scaled = np.hstack([((squares - mean) / (2 * np.sqrt(mean)))[:, None], away]) * np.sqrt(share)[:, None]
    values, ways = np.linalg.eigh(scaled.T @ scaled)
    found = ways[:, 0].copy()
    found[0] /= 2 * np.sqrt(mean)
    if abs(found[0]) * np.sqrt(mean) < 1e-9 * float(np.linalg.norm(found[1:])):
        return None
    constant = -mean * found[0]
    centre = -found[1:] / (2 * found[0])
    radius = float(np.sqrt(max(found[1:] @ found[1:] - 4 * found[0] * constant, 0.0)) / (2 * abs(found[0])))
    return middle + centre, radius


def across(direction: Floats) -> Floats:
    """Two unit directions at right angles to a unit direction and to each other, (2, 3); always the same ones."""
    helper = np.zeros(3)
    helper[int(np.argmin(np.abs(direction)))] = 1.0
    first = np.cross(direction, helper)
    first /= np.linalg.norm(first)
    return np.stack([first, np.cross(direction, first)])


def round_model(points: Floats) -> Model:
    """Circle (n, 2) or sphere (n, 3): parameters centre and radius, residual positive outside."""

    def model(parameters: Floats) -> tuple[Floats, Floats]:
        away = points - parameters[:-1]
        distance = np.sqrt(np.einsum("ij,ij->i", away, away))
        slope = -away / np.maximum(distance, 1e-300)[:, None]
        return distance - parameters[-1], np.hstack([slope, -np.ones((len(points), 1))])

    return model


def cylinder_model(points: Floats, frame: Floats) -> Model:
    """Parameters: axis offset along frame[0] and frame[1] at the origin, slopes of the axis along them, radius.

    frame: (3, 3) rows; frame[2] is the axis about which the slopes are counted. The axis is frame[2] + s·frame[0] +
    t·frame[1], not of unit length; the residual is the exact distance from it less the radius.
    """
    u, v, w = points @ frame.T[:, 0], points @ frame.T[:, 1], points @ frame.T[:, 2]

    def model(parameters: Floats) -> tuple[Floats, Floats]:
        a, b, s, t, radius = parameters
        size = 1.0 + s * s + t * t
        along = (s * (u - a) + t * (v - b) + w) / size
        du, dv, dw = u - a - s * along, v - b - t * along, w - along
        distance = np.maximum(np.sqrt(du * du + dv * dv + dw * dw), 1e-300)
        # The foot on the axis moves along the axis only, which changes no distance to first order.
        columns = [-du / distance, -dv / distance, -du * along / distance, -dv * along / distance]
        return distance - radius, np.stack([*columns, -np.ones_like(distance)], axis=1)

    return model


def directions(count: int) -> Floats:
    """Directions spread evenly over half a sphere, (count, 3), always the same ones."""
    height = (np.arange(count) + 0.5) / count
    turn = np.arange(count) * np.pi * (3.0 - np.sqrt(5.0))
    flat = np.sqrt(1.0 - height**2)
    return np.stack([flat * np.cos(turn), flat * np.sin(turn), height], axis=1)
