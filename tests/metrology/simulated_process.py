"""A simulated casting process: from a pattern to scanned casts, shrinkage, warp, scatter and noise known. Invented."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from fixtures.scanner import Warp, cast_from, scan
from metrology.bodies import Floats, Mesh
from metrology.comparison.compare import Settings, compare
from metrology.moulds.casts_compared import CastDeviations

LIMITS = Settings(-1.0, 1.0, 0.1)


@dataclass(frozen=True)
class Process:
    """shrinkage: along x, y, z. warps: (amount in mm → warp, mm). scatter: standard deviation of both, as a share.
    unevenness_mm: slow waves, another for each cast. noise_mm: of single scan points."""

    shrinkage: tuple[float, float, float]
    warps: Sequence[tuple[Callable[[float], Warp], float]]
    scatter: float = 0.1
    unevenness_mm: float = 0.04
    noise_mm: float = 0.05
    points: int = 40_000

    def cast(self, pattern: Mesh, seed: int | None) -> Mesh:
        """A cast of a pattern; with no seed the cast without scatter, which only the systematic error shapes."""
        rng = np.random.default_rng(seed)
        off = rng.normal(0, self.scatter, 1 + len(self.warps)) if seed is not None else np.zeros(1 + len(self.warps))
        return cast_from(
            pattern,
            shrinkage=tuple(np.array(self.shrinkage) * (1 + off[0])),
            warp=[warp(mm * (1 + share)) for (warp, mm), share in zip(self.warps, off[1:], strict=True)],
            unevenness_mm=self.unevenness_mm if seed is not None else 0.0,
            seed=seed or 0,
        )

    def scanned(self, nominal: Mesh, pattern: Mesh, name: str, pour: int, seed: int | None) -> CastDeviations:
        """The whole way of a scan: cast, scanned in an unknown pose, aligned and measured."""
        body = self.cast(pattern, seed)
        noise, strays = (self.noise_mm, 0.01) if seed is not None else (0.0, 0.0)
        cloud, _ = scan(body, points=self.points, noise_mm=noise, stray_share=strays, seed=seed or 0)
        found = compare(nominal, cloud, LIMITS)
        return CastDeviations(name, pour, found.sample_points, found.sample_normals, found.sample_deviation)

    def casts(self, nominal: Mesh, pattern: Mesh, count: int, first_seed: int) -> list[CastDeviations]:
        return [self.scanned(nominal, pattern, f"C{first_seed + k}", k + 1, first_seed + k) for k in range(count)]


def rms(values: Floats) -> float:
    return float(np.sqrt(np.nanmean(values**2)))
