"""Deviation between the samples: a smooth field that agrees with every sample and stays on one side of the part."""

import numpy as np
from scipy.spatial import cKDTree

from metrology.bodies import Floats

# Neighbours that count at one place, and how far a surface may turn between them (cosine).
_NEIGHBOURS = 12
_SAME_SIDE = float(np.cos(np.radians(40.0)))
# Opposite faces of a thin plate are close in space: each unit of turn counts as this many sample spacings.
_SIDE = 1.5


class Field:
    """Shepard's method, a linear function at each sample (Renka's variant, from memory), bounded by the neighbours.

    points: (s, 3) mm. normals: (s, 3) unit. deviation: (s,) mm, NaN = not measured. limits: mm. Stays within the
    values of the neighbours, so the picture never shows more than was measured. At a sample it takes that sample's
    value, less noise: the part of it off a plane through its neighbours, up to twice its usual size. A sample beyond
    a limit keeps its value to the last digit.
    """

    def __init__(self, points: Floats, normals: Floats, deviation: Floats, limits: tuple[float, float]) -> None:
        self._points, self._normals = points, normals
        self._measured = np.isfinite(deviation)
        self._value = np.where(self._measured, deviation, 0.0)
        self._count = min(_NEIGHBOURS, len(points))
        close = cKDTree(points).query(points[:: max(len(points) // 500, 1)], k=min(7, len(points)))[0]
        self.spacing = float(np.median(close.reshape(-1, close.shape[-1])[:, -1])) * 0.75 or 1.0
        self._tree = cKDTree(self._with_side(points, normals))
        levelled, self._gradient = self._planes()
        rough = self._value - levelled
        usual = 1.4826 * float(np.median(np.abs(rough[self._measured]))) if self._measured.any() else 0.0
        inside = (limits[0] <= self._value) & (self._value <= limits[1])
        self._value = np.where(inside, np.clip(levelled, self._value - 2 * usual, self._value + 2 * usual), self._value)

    def at(self, points: Floats, normals: Floats) -> tuple[Floats, Floats]:
        """Deviation (k,) mm and share of the neighbourhood that was measured (k,), 0 to 1, at points of the surface."""
        distance, rows = self._near(points, normals)
        same = np.einsum("kj,knj->kn", normals, self._normals[rows]) > _SAME_SIDE
        same[:, 0] |= ~same.any(axis=1)
        away = points[:, None] - self._points[rows]
        apart = np.sqrt(np.einsum("knj,knj->kn", away, away))
        reach = np.maximum(distance[:, -1:], 1.5 * self.spacing)
        weight = (np.maximum(reach - apart, 0.0) / (reach * (apart + 1e-6 * self.spacing))) ** 2
        weight = np.where(same, weight + 1e-12, 0.0)
        known = weight * self._measured[rows]
        total = known.sum(axis=1)
        soft = np.sqrt(weight)
        share = (soft * self._measured[rows]).sum(axis=1) / soft.sum(axis=1)
        value = self._value[rows]
        leaning = value + np.einsum("knj,knj->kn", away, self._gradient[rows])
        mixed = (known * leaning).sum(axis=1) / np.where(total > 0, total, 1.0)
        low = np.where(known > 0, value, np.inf).min(axis=1)
        high = np.where(known > 0, value, -np.inf).max(axis=1)
        share = np.where(apart.min(axis=1) > 6 * self.spacing, 0.0, share)
        return np.where(total > 0, np.clip(mixed, low, high), np.nan), share

    def _near(self, points: Floats, normals: Floats) -> tuple[Floats, np.ndarray]:
        found = self._tree.query(self._with_side(points, normals), k=self._count, workers=-1)
        return found[0].reshape(len(points), -1), found[1].reshape(len(points), -1)

    def _with_side(self, points: Floats, normals: Floats) -> Floats:
        return np.hstack([points, _SIDE * self.spacing * normals])

    def _planes(self) -> tuple[Floats, Floats]:
        """Level (s,) mm and slope (s, 3) mm per mm of a plane through each sample's neighbourhood, by least squares."""
        rows = self._near(self._points, self._normals)[1]
        same = np.einsum("kj,knj->kn", self._normals, self._normals[rows]) > _SAME_SIDE
        # Lengths in spacings, and the level as a fourth unknown.
        away = (self._points[rows] - self._points[:, None]) / self.spacing
        unknowns = np.concatenate([away, np.ones((*rows.shape, 1))], axis=2)
        weight = same * self._measured[rows] / (np.einsum("knj,knj->kn", away, away) + 2.0)
        weighted = unknowns * weight[:, :, None]
        # A touch of stiffness: nothing is known across the surface, or where neighbours lie in a row.
        left = weighted.transpose(0, 2, 1) @ unknowns + np.diag([0.02, 0.02, 0.02, 1e-9])
        right = np.einsum("kni,kn->ki", weighted, self._value[rows])
        found = np.linalg.solve(left, right[:, :, None])[:, :, 0]
        return found[:, 3], found[:, :3] / self.spacing
