"""From deviations of points to figures and verdicts, through surface samples that stand for equal areas."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from metrology.bodies import Floats, Ints
from metrology.comparison_results import Callout, RegionResult, RegionSpec, Settings
from metrology.comparison_words import found_words, place_words, verdict_sentence
from metrology.conformity import decide
from metrology.surface import Flags, Samples

_COS_45 = float(np.cos(np.pi / 4)) - 1e-9
_BINS = 60
_CALLOUTS = 6
_FACES: tuple[tuple[str, tuple[float, float, float]], ...] = (
    ("top face", (0, 0, 1)),
    ("bottom face", (0, 0, -1)),
    ("front face", (1, 0, 0)),
    ("back face", (-1, 0, 0)),
    ("left face", (0, 1, 0)),
    ("right face", (0, -1, 0)),
)


@dataclass(frozen=True)
class Measured:
    """What was measured at each surface sample. deviation: (s,) mm, NaN where not measured. points: (s,) used."""

    samples: Samples
    deviation: Floats
    points: Ints

    @property
    def seen(self) -> Flags:
        return ~np.isnan(self.deviation)


def members(spec: RegionSpec, points: Floats, normals: Floats) -> Flags:
    """Which points of the nominal, (s, 3) mm with unit normals (s, 3), belong to a region, (s,)."""
    inside = np.ones(len(points), dtype=np.bool_)
    if spec.box is not None:
        slack = 1e-9 * max(1.0, float(np.abs(points).max()))
        low, high = np.array(spec.box[:3]) - slack, np.array(spec.box[3:]) + slack
        inside &= ((points >= low) & (points <= high)).all(axis=1)
    if spec.facing is not None:
        way = np.asarray(spec.facing, dtype=np.float64)
        inside &= normals @ (way / np.linalg.norm(way)) >= _COS_45
    return inside


def six_faces(samples: Samples, settings: Settings) -> list[RegionSpec]:
    """The faces towards the six directions that have any area, with the limits of the whole."""
    faces = [RegionSpec(name, settings.lower_mm, settings.upper_mm, None, way) for name, way in _FACES]
    return [face for face in faces if members(face, samples.points, samples.normals).any()]


def limits_at(samples: Samples, settings: Settings, regions: Sequence[RegionSpec]) -> tuple[Floats, Floats]:
    """Lower and upper limit at each sample, two (s,) mm: of the regions it lies in, or of the whole."""
    lower, upper = (np.full(len(samples.points), edge) for edge in (-np.inf, np.inf))
    for spec in regions:
        inside = members(spec, samples.points, samples.normals)
        lower[inside] = np.maximum(lower[inside], spec.lower_mm)
        upper[inside] = np.minimum(upper[inside], spec.upper_mm)
    free = np.isinf(lower)
    lower[free], upper[free] = settings.lower_mm, settings.upper_mm
    return lower, upper


def verdict(worst: float | None, lower: float, upper: float, settings: Settings, coverage: float) -> tuple[str, str]:
    """Result and code for the worst deviation found (mm; None when nothing was seen) and the share that was seen."""
    if worst is None:
        return "not measured", "not-measured"
    decision = decide(worst, lower, upper, settings.uncertainty_mm)
    if decision.result == "does not conform":
        return decision.result, "outside"
    if coverage < settings.coverage_needed:
        return "inconclusive", "coverage"
    return decision.result, "inside" if decision.result == "conforms" else "uncertainty"


def region_result(spec: RegionSpec, measured: Measured, settings: Settings) -> RegionResult:
    inside = members(spec, measured.samples.points, measured.samples.normals)
    rows = np.flatnonzero(inside & measured.seen)
    found = measured.deviation[rows]
    coverage = len(rows) / max(int(inside.sum()), 1)
    where = place_words(spec.name, np.zeros(3))
    nan = float("nan")
    mean = p01 = p99 = worst = share_inside = nan
    worst_at, moved, words, high = np.full(3, nan), np.full(3, nan), "", True
    if len(rows):
        margins = np.minimum(spec.upper_mm - found, found - spec.lower_mm)
        row = int(np.argmin(margins))
        worst = float(found[row])
        worst_at, normal = measured.samples.points[rows[row]], measured.samples.normals[rows[row]]
        high = spec.upper_mm - worst <= worst - spec.lower_mm
        words = found_words(worst, normal, where, spec.upper_mm if high else spec.lower_mm)
        mean, share_inside = float(found.mean()), float((margins >= 0).mean())
        p01, p99 = (float(value) for value in np.percentile(found, [1, 99]))
        moved = (found[:, None] * measured.samples.normals[rows]).mean(axis=0)
    result, code = verdict(worst if len(rows) else None, spec.lower_mm, spec.upper_mm, settings, coverage)
    return RegionResult(
        name=spec.name,
        lower_mm=spec.lower_mm,
        upper_mm=spec.upper_mm,
        points=int(measured.points[inside].sum()),
        coverage=coverage,
        mean=mean,
        p01=p01,
        p99=p99,
        worst=worst,
        worst_at=worst_at,
        high_low=float(moved[2]),
        forward_back=float(moved[0]),
        left_right=float(moved[1]),
        inside_share=share_inside,
        result=result,
        code=code,
        sentence=verdict_sentence(
            result,
            code,
            found=words,
            lower=spec.lower_mm,
            upper=spec.upper_mm,
            high_side=high,
            uncertainty=settings.uncertainty_mm,
            coverage=coverage,
            needed=settings.coverage_needed,
            where=where.removeprefix("at "),
        ),
    )


def overall(
    measured: Measured,
    lower: Floats,
    upper: Floats,
    settings: Settings,
    regions: Sequence[RegionSpec],
    given: Sequence[RegionResult],
) -> dict[str, Any]:
    """The figures and the verdict of the whole, by their names in `Comparison`.

    regions: to name places by. given: results of regions asked for by name, each of which must be covered too.
    """
    rows = np.flatnonzero(measured.seen)
    found = measured.deviation[rows]
    coverage = len(rows) / len(measured.deviation)
    nan = float("nan")
    names = ("mean", "sd", "rms", "p01", "p50", "p99", "lowest", "highest", "worst", "inside_share")
    figures: dict[str, Any] = dict.fromkeys(names, nan) | {"worst_at": np.full(3, nan), "coverage": coverage}
    lacking = next((part for part in given if part.coverage < settings.coverage_needed), None)
    short, where = coverage, None
    if coverage >= settings.coverage_needed and lacking is not None:
        short, where = lacking.coverage, place_words(lacking.name, np.zeros(3)).removeprefix("at ")
    words, high, worst_row = "", True, 0
    if len(rows):
        margins = np.minimum(upper[rows] - found, found - lower[rows])
        worst_row = int(rows[np.argmin(margins)])
        worst = float(measured.deviation[worst_row])
        high = bool(upper[worst_row] - worst <= worst - lower[worst_row])
        words = _found_at(measured, worst_row, regions, float(upper[worst_row] if high else lower[worst_row]))
        figures |= {
            "mean": float(found.mean()),
            "sd": float(found.std()),
            "rms": float(np.sqrt((found**2).mean())),
            "lowest": float(found.min()),
            "highest": float(found.max()),
            "worst": worst,
            "worst_at": measured.samples.points[worst_row],
            "inside_share": float((margins >= 0).mean()),
        }
        figures |= dict(zip(("p01", "p50", "p99"), np.percentile(found, [1, 50, 99]).tolist(), strict=True))
    seen_worst = figures["worst"] if len(rows) else None
    result, code = verdict(seen_worst, float(lower[worst_row]), float(upper[worst_row]), settings, short)
    sentence = verdict_sentence(
        result,
        code,
        found=words,
        lower=float(lower[worst_row]),
        upper=float(upper[worst_row]),
        high_side=high,
        uncertainty=settings.uncertainty_mm,
        coverage=short,
        needed=settings.coverage_needed,
        where=where,
    )
    return figures | {"result": result, "code": code, "sentence": sentence}


def histogram(deviation: Floats, settings: Settings) -> tuple[Floats, Ints]:
    """Edges (61,) mm and number of measured samples (60,); spans the limits and everything found."""
    found = deviation[~np.isnan(deviation)]
    middle, half = (settings.lower_mm + settings.upper_mm) / 2, (settings.upper_mm - settings.lower_mm) / 2
    low = float(found.min(initial=middle - 1.5 * half))
    high = float(found.max(initial=middle + 1.5 * half))
    counts, edges = np.histogram(found, bins=_BINS, range=(low, high))
    return edges, counts


def callouts(measured: Measured, lower: Floats, upper: Floats, regions: Sequence[RegionSpec]) -> tuple[Callout, ...]:
    """The worst few places, worst first; none less than half as bad as the worst.

    How bad: deviation from the middle of the limits as a share of half their width. One place: samples at least half
    as bad as the worst, off the same way, each next to another.
    """
    samples = measured.samples
    off = (measured.deviation - (upper + lower) / 2) / ((upper - lower) / 2)
    badness = np.where(measured.seen, np.abs(off), 0.0)
    rows = np.flatnonzero(badness > 0.5 * badness.max())
    if not len(rows):
        return ()
    number = np.full(len(badness), -1)
    number[rows] = np.arange(len(rows))
    away, near = samples.nearest(samples.points[rows], samples.normals[rows], min(9, len(badness)))
    next_to = (number[near] >= 0) & (away < 2 * samples.spacing) & (np.sign(off[near]) == np.sign(off[rows])[:, None])
    here, there = np.nonzero(next_to)[0], number[near][next_to]
    joined = coo_array((np.ones(len(here), dtype=np.int8), (here, there)), shape=(len(rows), len(rows)))
    place = connected_components(joined, directed=False)[1]
    order = rows[np.argsort(-badness[rows], kind="stable")]
    first = order[np.sort(np.unique(place[number[order]], return_index=True)[1])][:_CALLOUTS]
    return tuple(
        Callout(k, samples.points[row], samples.normals[row], float(measured.deviation[row]), words)
        for k, row in enumerate(first, start=1)
        for words in [_found_at(measured, row, regions)]
    )


def _found_at(measured: Measured, row: int, regions: Sequence[RegionSpec], limit: float | None = None) -> str:
    """Size, direction and place of one sample's deviation; the place is the first region that holds it."""
    at, normal = measured.samples.points[row], measured.samples.normals[row]
    name = next((spec.name for spec in regions if members(spec, at[None], normal[None])[0]), None)
    return found_words(float(measured.deviation[row]), normal, place_words(name, at), limit)
