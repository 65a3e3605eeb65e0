"""Regions of a comparison: where they lie, what holds there, and how each came out."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from metrology.alignment.region_motion import Limits, Motion, motions
from metrology.bodies import Floats, Ints
from metrology.comparison.results import RegionResult, RegionSpec, Settings
from metrology.comparison.words import band, found_words, place_words, verdict_sentence
from metrology.statistics.conformity import decide
from metrology.surfaces.selection import Chosen, choose
from metrology.surfaces.surface import Flags, Samples, Surface
from metrology.wording import quantity

_FACES: tuple[tuple[str, tuple[float, float, float]], ...] = (
    ("top face", (0, 0, 1)),
    ("bottom face", (0, 0, -1)),
    ("front face", (1, 0, 0)),
    ("back face", (-1, 0, 0)),
    ("left face", (0, 1, 0)),
    ("right face", (0, -1, 0)),
)
# From good to bad, for the worse of two results.
_ORDER = ("conforms", "not measured", "inconclusive", "does not conform")


@dataclass(frozen=True)
class Measured:
    """What was measured at each surface sample. deviation: (s,) mm, NaN where not measured. points: (s,) used."""

    samples: Samples
    deviation: Floats
    points: Ints

    @property
    def seen(self) -> Flags:
        return ~np.isnan(self.deviation)


@dataclass(frozen=True)
class Region:
    """A region found on the nominal. samples: (s,) which samples lie in it."""

    spec: RegionSpec
    chosen: Chosen
    samples: Flags


def locate(spec: RegionSpec, surface: Surface, samples: Samples) -> Region:
    """Raises InputError (selection) for conditions that cannot be."""
    chosen = choose(spec.asked, surface)
    return Region(spec, chosen, chosen.holds(samples.points, samples.faces))


def six_faces(surface: Surface, samples: Samples, settings: Settings) -> list[Region]:
    """The faces towards the six directions that have any area, with the limits of the whole."""
    specs = [RegionSpec(name, settings.lower_mm, settings.upper_mm, None, way) for name, way in _FACES]
    faces = [locate(spec, surface, samples) for spec in specs]
    return [face for face in faces if face.samples.any()]


def limits_at(samples: Samples, settings: Settings, regions: Sequence[Region]) -> tuple[Floats, Floats]:
    """Lower and upper limit at each sample, two (s,) mm: of the regions it lies in, or of the whole."""
    lower, upper = (np.full(len(samples.points), edge) for edge in (-np.inf, np.inf))
    for region in regions:
        inside = region.samples
        lower[inside] = np.maximum(lower[inside], region.spec.lower_mm)
        upper[inside] = np.minimum(upper[inside], region.spec.upper_mm)
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


def region_result(
    region: Region,
    measured: Measured,
    settings: Settings,
    instrument_mm: float,
    alignment: tuple[Floats, Floats] | None = None,
) -> RegionResult:
    """instrument_mm: U of the scanner alone, k = 2. alignment: covariance (6, 6) of the pose, mm and rad, and the place
    (3,) that it is about. Both go into what the motions are sure to, each in its own way."""
    spec, inside = region.spec, region.samples
    rows = np.flatnonzero(inside & measured.seen)
    found = measured.deviation[rows]
    coverage = len(rows) / max(int(inside.sum()), 1)
    where = place_words(spec.name, np.zeros(3))
    nan = float("nan")
    mean = p01 = p99 = worst = share_inside = nan
    worst_at, words, high = np.full(3, nan), "", True
    if len(rows):
        margins = np.minimum(spec.upper_mm - found, found - spec.lower_mm)
        row = int(np.argmin(margins))
        worst = float(found[row])
        worst_at, normal = measured.samples.points[rows[row]], measured.samples.normals[rows[row]]
        high = spec.upper_mm - worst <= worst - spec.lower_mm
        words = found_words(worst, normal, where, spec.upper_mm if high else spec.lower_mm)
        mean, share_inside = float(found.mean()), float((margins >= 0).mean())
        p01, p99 = (float(value) for value in np.percentile(found, [1, 99]))
    result, code = verdict(worst if len(rows) else None, spec.lower_mm, spec.upper_mm, settings, coverage)
    sentence = verdict_sentence(
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
    )
    moved = motions(
        measured.samples.points[inside],
        measured.samples.normals[inside],
        measured.deviation[inside],
        Limits(spec.lower_mm, spec.upper_mm, spec.moved_mm, spec.turned_deg),
        instrument_mm=instrument_mm,
        whole=coverage >= settings.coverage_needed,
        alignment=alignment,
    )
    if region.chosen.lost and not inside.any():
        sentence = f"Not measured: {where.removeprefix('at ')} finds no face on this nominal. Choose it anew."
        code = "no-face"
    worse = _worst_motion(moved, spec)
    if worse is not None and _ORDER.index(worse.result) > _ORDER.index(result):
        result, code = worse.result, "moved" if worse.result == "does not conform" else "uncertainty"
        sentence = _moved_sentence(worse, where.removeprefix("at "))
    return RegionResult(
        name=spec.name,
        lower_mm=spec.lower_mm,
        upper_mm=spec.upper_mm,
        area_mm2=region.chosen.area,
        faces=region.chosen.count,
        points=int(measured.points[inside].sum()),
        coverage=coverage,
        mean=mean,
        p01=p01,
        p99=p99,
        worst=worst,
        worst_at=worst_at,
        motions=moved,
        inside_share=share_inside,
        result=result,
        code=code,
        sentence=sentence,
    )


def _worst_motion(moved: Sequence[Motion], spec: RegionSpec) -> Motion | None:
    """Of the motions that were given limits of their own, the one that came out worst."""
    own = [
        motion
        for motion in moved
        if motion.result in _ORDER and (spec.turned_deg if motion.unit == "°" else spec.moved_mm) is not None
    ]
    return max(own, key=lambda motion: _ORDER.index(motion.result), default=None)


def motion_words(motion: Motion) -> str:
    """ "1.80 mm high", "turned 0.21° about left, front down"; empty when not determined."""
    if motion.value is None:
        return ""
    if motion.unit == "mm":
        return f"{quantity(abs(motion.value), 'mm', 2)} {motion.way}".rstrip()
    axis = motion.name.removeprefix("turned about ")
    return f"turned {abs(motion.value):.2f}° about {axis}, {motion.way}".rstrip(", ")


def _moved_sentence(motion: Motion, where: str) -> str:
    lower, upper = motion.lower or 0.0, motion.upper or 0.0
    limit = f"±{upper:g}°" if motion.unit == "°" else band(lower, upper)
    if motion.result == "does not conform":
        return f"Does not conform: as a whole, {where} stands {motion_words(motion)}. The limit is {limit}."
    unit = motion.unit
    sure = quantity(motion.uncertainty or 0.0, unit, 2) if unit == "mm" else f"{motion.uncertainty or 0.0:.2f}°"
    return (
        f"Inconclusive: as a whole, {where} stands {motion_words(motion)}, too close to the limit of {limit} to tell "
        f"with an uncertainty of {sure}. Measure again with less uncertainty."
    )
