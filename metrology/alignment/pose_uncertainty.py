"""How surely a pose is known: from the residuals of the points it rests on, to a covariance, to millimetres."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.stats import t as student

from metrology.alignment.fine_fit import LOOSE, motions
from metrology.alignment.model import PoseUncertainty
from metrology.alignment.words import free_words
from metrology.bodies import Floats, Ints
from metrology.errors import AlignmentError
from metrology.surfaces.surface import Samples, Surface, sample

# Patches of the nominal in which neighbours may err alike, coarse and fine.
_PATCHES = (40, 160)
# Probability below k = 2 of a normal distribution: for few rows the factor is Student's with the same.
_TAIL = 0.97725
# From so many degrees of freedom on, residuals tell how noise differs from place to place.
_ENOUGH = 60


@dataclass(frozen=True)
class Equations:
    """What an estimated pose satisfies: the sum over all rows of asked · weight · residual is nothing.

    rows: (n, 6) how each distance grows with a motion (see `fine_fit.motions`). asked: (n, m) what each row is asked
    for; the rows themselves in a least-squares fit. open: (6, m) motions that were estimated. residuals: (n,) mm.
    weights: (n,). slope: (n,) how weight times residual grows with the residual. patches: for each size, (n,) the patch
    of each row. unseen: share of the surface asked that was not measured.
    """

    rows: Floats
    asked: Floats
    open: Floats
    residuals: Floats
    weights: Floats
    slope: Floats
    patches: tuple[npt.NDArray[np.integer[Any]], ...]
    unseen: float

    @property
    def used(self) -> int:
        return int((self.weights > 0).sum())


def patches_of(surface: Surface, owners: Ints) -> tuple[Ints, ...]:
    """The patch of the nominal that each point lies on, for each size. owners: (n,) its sample of `surface.coarse`."""
    places = surface.coarse
    return tuple(sample(surface, count).nearest(places.points, places.normals)[1][owners] for count in _PATCHES)


def pose_uncertainty(surface: Surface, equations: Equations, places: Samples) -> PoseUncertainty:
    """The uncertainty of a pose that satisfies the equations.

    The covariance is A⁻¹ B A⁻ᵀ for estimating equations (the sandwich form of M-estimation, from memory). B takes the
    larger of two views of the residuals, as equally noisy points and as they are, and adds what neighbours that err
    alike contribute: patch sums against sums of unrelated points, times the share of the surface that was not seen. If
    all of it was seen, errors of form are part of what is aligned and no chance.

    Raises AlignmentError (nothing-held).
    """
    arm = surface.diagonal / 2
    firm, loose = _firm(equations)
    if not firm.shape[1]:
        raise AlignmentError(
            "nothing-held",
            "Nothing that was scanned holds the part in any direction: the points lie in a few spots, or none of them "
            "on the surface. Scan more of its surface.",
        )
    asked = equations.asked @ (
        equations.open.T @ firm if equations.asked.shape[1] > firm.shape[1] else np.eye(firm.shape[1])
    )
    inner = np.einsum("ni,nj->ij", asked * equations.slope[:, None], equations.rows @ firm)
    solved = firm @ np.linalg.pinv(inner)
    free = equations.used - firm.shape[1]
    pulls = asked * (equations.weights * equations.residuals)[:, None]
    alike = _equal_noise(equations, asked, free)
    unrelated = alike
    if free >= _ENOUGH:  # of few rows, the residuals of each tell only chance
        unrelated = alike + _excess(_scatter(pulls) * _less(equations.used, free), alike)
    shared = _shared(equations.patches, pulls, unrelated, firm.shape[1])
    factor = float(student.ppf(_TAIL, max(free, 1)))
    covariance = solved @ (unrelated + equations.unseen * shared) @ solved.T
    alone = solved @ unrelated @ solved.T
    normal = _reach(covariance, places.points - surface.centroid, places.normals, arm)
    told = float(equations.weights.sum() ** 2 / max(float((equations.weights**2).sum()), 1e-300))
    share = float(np.trace(alone) / max(float(np.trace(covariance)), 1e-300)) if covariance.any() else 1.0
    scale = np.array([1.0] * 3 + [1.0 / arm] * 3)
    real = covariance * scale[:, None] * scale
    spread = factor * np.sqrt(np.maximum(np.diag(real), 0.0))
    spread[(np.abs(loose) > 1e-3).any(axis=1)] = np.inf
    return PoseUncertainty(
        covariance=real,
        at=surface.centroid,
        slide_mm=spread[:3],
        turn_deg=np.degrees(spread[3:]),
        deviation_mm=factor * normal,
        displacement_mm=factor * _farthest(covariance, places.points - surface.centroid, arm),
        free=free_words(loose),
        independent_points=told * share,
    )


def _firm(equations: Equations) -> tuple[Floats, Floats]:
    """The open motions that the rows determine, and those that they do not, as columns."""
    rows = equations.rows @ equations.open
    weighted = rows * np.maximum(equations.slope, 0.0)[:, None]
    stiffness, ways = np.linalg.eigh(np.einsum("ni,nj->ij", weighted, rows))
    firm = stiffness > LOOSE * max(float(stiffness[-1]), 1e-300)
    return equations.open @ ways[:, firm], equations.open @ ways[:, ~firm]


def _scatter(rows: Floats) -> Floats:
    scatter: Floats = np.einsum("ni,nj->ij", rows, rows)
    return scatter


def _less(count: int, free: int) -> float:
    return count / max(free, 1)


def _equal_noise(equations: Equations, asked: Floats, free: int) -> Floats:
    """As if all points were equally noisy: safe where few points decide, whose own residuals the fit makes small."""
    weights = equations.weights
    variance = float(weights @ equations.residuals**2 / max(float(weights.sum()), 1e-300)) * _less(equations.used, free)
    return variance * _scatter(asked * weights[:, None])


def _shared(
    patches: tuple[npt.NDArray[np.integer[Any]], ...], pulls: Floats, unrelated: Floats, estimated: int
) -> Floats:
    """What neighbours that err alike add to the scatter, the most of all sizes of patch."""
    most = np.zeros_like(unrelated)
    for patch in patches:
        count = int(patch.max()) + 1
        sums: Floats = np.stack([np.bincount(patch, column, count) for column in pulls.T], axis=1).astype(np.float64)
        held = int((np.bincount(patch, minlength=count) > 0).sum())
        added = _excess(_scatter(sums) * _less(held, held - estimated), unrelated)
        most = added if np.trace(added) > np.trace(most) else most
    return most


def _excess(scatter: Floats, base: Floats) -> Floats:
    """The part of one scatter that goes beyond another, (m, m), never negative."""
    values, ways = np.linalg.eigh(scatter - base)
    beyond: Floats = (ways * np.maximum(values, 0.0)) @ ways.T
    return beyond


def _reach(covariance: Floats, places: Floats, normals: Floats, arm: float) -> float:
    rows = motions(places, normals, arm)
    return float(np.sqrt(max(float(np.einsum("ni,ij,nj->n", rows, covariance, rows).max()), 0.0)))


def _farthest(covariance: Floats, places: Floats, arm: float) -> float:
    """Standard deviation of the farthest motion of any place in any direction, mm."""
    rows = np.stack([motions(places, np.broadcast_to(axis, places.shape), arm) for axis in np.eye(3)], axis=1)
    spread = np.einsum("nki,ij,nlj->nkl", rows, covariance, rows)
    return float(np.sqrt(max(float(np.linalg.eigvalsh(spread)[:, -1].max()), 0.0)))
