"""The whole comparison of a scan with its nominal: align, measure, sum up. One pure function, `compare`."""

from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, replace
from time import perf_counter

import numpy as np

from metrology import VERSION
from metrology.alignment.aligning import align_with_best_fit
from metrology.alignment.model import AlignmentReport, about_origin
from metrology.alignment.words import difference, unsure_words
from metrology.bodies import Cloud, Mesh, Progress, silent
from metrology.comparison.attached import CODE as ATTACHED
from metrology.comparison.attached import attached, attached_sentence, doubted, reach_for
from metrology.comparison.figures import callouts, histogram, overall
from metrology.comparison.kept_points import keep_points
from metrology.comparison.measuring import Order, measure, visiting_order
from metrology.comparison.pose_doubt import CODE as UNSURE_POSE
from metrology.comparison.pose_doubt import left_open, may_lie_otherwise, pose_sentence
from metrology.comparison.profile_value import profile_of_surface
from metrology.comparison.regions import Measured, Region, limits_at, locate, region_result, six_faces
from metrology.comparison.results import Callout, Comparison, RegionResult, RegionSpec, Settings
from metrology.comparison.sample_means import sample_means
from metrology.comparison.strays import find_strays
from metrology.comparison.thin_walls import both_facing, tell_sides
from metrology.comparison.words import share, sides_words
from metrology.errors import InputError
from metrology.statistics.conformity import check_uncertainty
from metrology.surfaces.deviation import STAGE
from metrology.surfaces.facing import Pairs
from metrology.surfaces.surface import Samples, Surface, prepare, sample

__all__ = ["Callout", "Comparison", "RegionResult", "RegionSpec", "Settings", "compare"]

SUMMING = "summing up"
BESIDE = "measuring by best fit"

# Seconds between reports while something else is waited for.
_PATIENCE = 0.25
# Aim for this many scan points to each surface sample, between these numbers of samples.
_POINTS_PER_SAMPLE, _FEWEST_SAMPLES, _MOST_SAMPLES = 16, 400, 20_000


def compare(
    mesh: Mesh, cloud: Cloud, settings: Settings, regions: Sequence[RegionSpec] = (), progress: Progress = silent
) -> Comparison:
    """Align a scan, measure its deviation and decide. Same input, same answer (but for `stage_seconds`).

    cloud: at least 100 points, scan frame, finite. Without regions, the faces towards the six directions are reported.
    The verdict rests on the alignment that the settings ask for; where that is another than best fit, the same is
    measured once more by best fit, and the difference said in words. progress gets "aligning", "measuring", "summing
    up" and perhaps "measuring by best fit"; what it raises passes through. Memory beside the cloud: about 60 bytes a
    point.

    Raises InputError for settings that contradict themselves, an unusable nominal or coordinates that are not numbers,
    AlignmentError for a scan that cannot be placed.
    """
    _check(settings, regions)
    started = perf_counter()
    progress("aligning", 0.0)
    with ThreadPoolExecutor(1) as meanwhile:
        ordering = meanwhile.submit(visiting_order, cloud.points)
        surface = prepare(mesh)
        made_ready = meanwhile.submit(_ready, surface, len(cloud.points), regions, ordering)
        asked = about_origin(settings.alignment, cloud.origin)
        report, best = align_with_best_fit(surface, cloud.points, asked, seed=settings.seed, progress=progress)
        while wait([made_ready], _PATIENCE).not_done:
            progress("aligning", 1.0)
        ready = made_ready.result()
    seconds = {"aligning": perf_counter() - started}
    made = _measured(ready, report, cloud, settings, regions, progress)
    seconds |= made.stage_seconds
    if best is report:
        return replace(made, stage_seconds=seconds)
    beside = _measured(ready, best, cloud, settings, regions, _as_one_stage(progress))
    seconds[BESIDE] = sum(beside.stage_seconds.values())
    between = difference(report.pose.matrix, best.pose.matrix, surface)
    return replace(made, best_fit=beside, difference=between, stage_seconds=seconds)


def _as_one_stage(progress: Progress) -> Progress:
    """Measuring and summing up once more, for best fit beside, as one stage."""
    parts = {STAGE: (0.0, 0.8), SUMMING: (0.8, 0.2)}

    def tell(stage: str, share: float) -> None:
        before, weight = parts[stage]
        progress(BESIDE, before + weight * share)

    return tell


@dataclass(frozen=True)
class _Ready:
    """What does not depend on the pose. samples: of the surface. pairs: what they face. given: the regions asked for.
    order: in which to visit the points of the scan."""

    surface: Surface
    samples: Samples
    pairs: tuple[Pairs, Pairs]
    given: list[Region]
    order: Order


def _ready(surface: Surface, points: int, regions: Sequence[RegionSpec], ordering: "Future[Order]") -> _Ready:
    samples = sample(surface, int(np.clip(points // _POINTS_PER_SAMPLE, _FEWEST_SAMPLES, _MOST_SAMPLES)))
    given = [locate(spec, surface, samples) for spec in regions]
    return _Ready(surface, samples, both_facing(surface, samples), given, ordering.result())


def _measured(
    ready: _Ready,
    report: AlignmentReport,
    cloud: Cloud,
    settings: Settings,
    regions: Sequence[RegionSpec],
    progress: Progress,
) -> Comparison:
    """A scan measured and judged in one pose. The uncertainty of the verdict is that of the scanner and that of the
    alignment together, root sum of squares."""
    started = perf_counter()
    surface, samples = ready.surface, ready.samples
    found = measure(surface, samples, report.pose, cloud.points, progress, ready.order)
    measured_at = perf_counter()
    instrument = settings.uncertainty_mm
    settings = replace(
        settings, uncertainty_mm=float(np.hypot(settings.uncertainty_mm, report.uncertainty.deviation_mm))
    )
    pose, total = report.pose, len(found.values)
    tick = _summing(progress)
    strays = find_strays(
        found.values,
        found.owners,
        found.placed,
        sigma=pose.rms,
        least_sigma=max(1e-5 * surface.diagonal, 0.01 * (settings.upper_mm - settings.lower_mm)),
        point_spacing=float(np.sqrt(surface.area / total)),
        diagonal=surface.diagonal,
        attached_mm=reach_for(surface.diagonal, settings.lower_mm, settings.upper_mm),
        stray_mm=settings.stray_mm,
        tick=tick,
    )
    left_out = strays.all
    tick()
    sides = tell_sides(surface, samples, found, ~left_out, ready.pairs)
    tick()
    found = found.credited(sides.moved, sides.values, sides.owners)
    means = sample_means(samples, found.values, found.owners, ~left_out, sides.undecided)
    measured = Measured(samples, means.deviation, means.points)
    tick()
    lower, upper = limits_at(samples, settings, ready.given)
    located = ready.given or six_faces(surface, samples, settings)
    unsure = (report.uncertainty.covariance, report.uncertainty.at)
    parts = [region_result(region, measured, settings, instrument, unsure) for region in located]
    figures = overall(measured, lower, upper, settings, located, parts if regions else [])
    body = attached(found, strays.attached, samples)
    if body.any:
        doubt = attached_sentence(body, samples, located)
        parts = doubted(parts, body, located, doubt)
        if figures["result"] != "does not conform":
            figures |= {"result": "inconclusive", "code": ATTACHED, "sentence": doubt}
    if figures["result"] == "does not conform" and may_lie_otherwise(report, figures["coverage"]):
        doubt = pose_sentence(figures["coverage"])
        parts = left_open(parts, doubt)
        figures |= {"result": "inconclusive", "code": UNSURE_POSE, "sentence": doubt}
    figures["sentence"] += unsure_words(report)
    if strays.beside.any():
        figures["sentence"] += (
            f" {share(float(strays.beside.mean()))} of the points stand beside the part and were left out."
        )
    undecided = float(sides.undecided.mean())
    if sides.undecided.any():
        figures["sentence"] += sides_words(undecided)
    edges, counts = histogram(measured.deviation, settings)
    seconds = {STAGE: measured_at - started, SUMMING: perf_counter() - measured_at}
    progress(SUMMING, 1.0)
    return Comparison(
        pose=pose,
        alignment=report,
        uncertainty_mm=settings.uncertainty_mm,
        points_read=total,
        points_used=int(total - left_out.sum()),
        stray_share=float(left_out.mean()),
        beside_share=float(strays.beside.mean() + strays.attached.mean()),
        noise_mm=means.noise_mm,
        area_mm2=surface.area,
        undecided_share=undecided,
        profile_mm=profile_of_surface(measured.deviation, settings.lower_mm, settings.upper_mm),
        spacing_mm=samples.spacing,
        histogram_edges=edges,
        histogram_counts=counts,
        regions=tuple(parts),
        sample_points=samples.points,
        sample_normals=samples.normals,
        sample_deviation=measured.deviation,
        sample_regions=np.array([region.samples for region in located]),
        callouts=callouts(measured, lower, upper, located),
        kept=keep_points(found, samples, ~left_out),
        stage_seconds=seconds,
        version=VERSION,
        **figures,
    )


def _check(settings: Settings, regions: Sequence[RegionSpec]) -> None:
    pairs = [("", settings.lower_mm, settings.upper_mm), *((f" of {r.name}", r.lower_mm, r.upper_mm) for r in regions)]
    for whose, lower, upper in pairs:
        if not lower < upper:
            raise InputError("limits-swapped", f"The limits{whose} are the wrong way round: give the lower one first.")
    check_uncertainty(settings.uncertainty_mm)
    if not 0 < settings.coverage_needed <= 1:
        raise InputError("coverage", "The coverage needed must be more than 0 % and at most 100 %.")
    if settings.stray_mm is not None and not settings.stray_mm > 0:
        raise InputError("stray-distance", "The distance beyond which points are strays must be more than 0 mm.")


def _summing(progress: Progress) -> Callable[[], None]:
    """Reports the last stage in steps that grow smaller: how many there will be depends on the strays."""
    left = 1.0

    def tick() -> None:
        nonlocal left
        left *= 0.8
        progress(SUMMING, 1.0 - left)

    progress(SUMMING, 0.0)
    return tick
