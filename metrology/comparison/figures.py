"""From deviations of points to figures and verdicts, through surface samples that stand for equal areas."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from metrology.bodies import Floats, Ints
from metrology.comparison.regions import Measured, Region, verdict
from metrology.comparison.results import Callout, RegionResult, Settings
from metrology.comparison.words import found_words, place_words, verdict_sentence

_BINS = 60
_CALLOUTS = 6


def overall(
    measured: Measured,
    lower: Floats,
    upper: Floats,
    settings: Settings,
    regions: Sequence[Region],
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
    # A region that stands off as a whole by more than its own limit of that fails the part, however smooth it is.
    moved = next((part for part in given if part.code == "moved"), None)
    if moved is not None and result != "does not conform":
        result, code, sentence = moved.result, moved.code, moved.sentence
    return figures | {"result": result, "code": code, "sentence": sentence}


def histogram(deviation: Floats, settings: Settings) -> tuple[Floats, Ints]:
    """Edges (61,) mm and number of measured samples (60,); spans the limits and everything found."""
    found = deviation[~np.isnan(deviation)]
    middle, half = (settings.lower_mm + settings.upper_mm) / 2, (settings.upper_mm - settings.lower_mm) / 2
    low = float(found.min(initial=middle - 1.5 * half))
    high = float(found.max(initial=middle + 1.5 * half))
    counts, edges = np.histogram(found, bins=_BINS, range=(low, high))
    return edges, counts


def callouts(measured: Measured, lower: Floats, upper: Floats, regions: Sequence[Region]) -> tuple[Callout, ...]:
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


def _found_at(measured: Measured, row: int, regions: Sequence[Region], limit: float | None = None) -> str:
    """Size, direction and place of one sample's deviation; the place is the first region that holds it."""
    at, normal = measured.samples.points[row], measured.samples.normals[row]
    name = next((region.spec.name for region in regions if region.samples[row]), None)
    return found_words(float(measured.deviation[row]), normal, place_words(name, at), limit)
