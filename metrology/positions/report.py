"""Position report: one scan of a mock-up, its nominal assembly, and how far each part is from where it belongs."""

from collections.abc import Sequence
from dataclasses import replace
from time import perf_counter

import numpy as np

from metrology import VERSION
from metrology.alignment.registration import FEWEST_POINTS, fit_rotation, register_on
from metrology.alignment.scan_points import spread_pick
from metrology.bodies import Cloud, Floats, Mesh, Progress, silent
from metrology.errors import AlignmentError, InputError
from metrology.positions.assembly import PlacedPart, check_parts, placed_mesh, surfaces
from metrology.positions.assembly_frame import Moved, drift_of, skew, solve_frame, with_frame
from metrology.positions.part_fit import Model, PartFit, model
from metrology.positions.results import PartPosition, PositionReport, PositionSettings
from metrology.positions.search import Sought, measure, seek, without_lonely
from metrology.positions.words import (
    drift_sentences,
    not_found_sentence,
    part_sentence,
    report_sentence,
    verdict_words,
)
from metrology.statistics.conformity import check_uncertainty, decide
from metrology.surfaces.coarser import coarser
from metrology.surfaces.surface import prepare
from metrology.wording import count, listed, quantity

__all__ = ["PartPosition", "PositionReport", "PositionSettings", "position_report"]

STAGE_PLACING, STAGE_FINDING, STAGE_SUMMING = "placing the whole", "finding the parts", "summing up"
_MOST_POINTS = 1_500_000
# Triangles of the whole assembly while the scan is placed on it.
_MOST_FACES = 200_000
# When the whole moves by more than this share of the search radius, the parts are looked for again from there.
_AGAIN = 0.25
# A number is determined when no more of it than this lies along a motion that is not.
_LOOSE = 0.15
_GRAVITY = {"does not conform": 0, "not measured": 1, "inconclusive": 2, "": 3, "conforms": 4}


def position_report(
    parts: Sequence[PlacedPart], cloud: Cloud, settings: PositionSettings, progress: Progress = silent
) -> PositionReport:
    """Find every placed part in a scan of the whole and say where it lies. Same input, same answer.

    parts: see `PlacedPart`; frame of the assembly. cloud: mm, at least 100 points; marked points are in the file's own
    coordinates. progress gets "placing the whole",
    "finding the parts" and "summing up"; what it raises passes through.

    The scan is placed on the whole assembly, each part is fitted to the points near its place (robust point-to-plane
    steps; the best fitted parts take their points first), and the whole is then put where its parts fit best, or its
    control parts. Uncertainty: of the fit (patches of the surface count as one observation each), of the frame, and
    the instrument's, combined as independent; k = 2.

    Raises InputError: the codes of `check_parts`, of `prepare`, "control", "search", "marked", "not-a-number";
    AlignmentError: of `register_on`, "nothing-found".
    """
    started = perf_counter()
    progress(STAGE_PLACING, 0.0)
    check_parts(parts)
    _check(parts, settings)
    if len(cloud.points) < FEWEST_POINTS:
        raise AlignmentError(
            "too-few-points",
            f"The scan has {count(len(cloud.points), 'point')}; at least {FEWEST_POINTS} are needed. Export the whole "
            "scan and upload it again.",
        )
    if not np.isfinite(cloud.points).all():
        raise InputError("not-a-number", "The scan has coordinates that are not numbers. Export it again.")
    ready = surfaces(parts)
    placement, placed_by, ambiguous = _place(parts, cloud, settings, progress)
    placed_at = perf_counter()
    models = {key: model(surface) for key, surface in ready.items()}
    area = sum(ready[id(part.mesh)].area for part in parts)
    scan = without_lonely(spread_pick(cloud.points, _MOST_POINTS, settings.seed), area)
    chosen = settings.control
    for attempt in range(3):
        at = scan @ placement[:3, :3].T + placement[:3, 3]
        began = attempt / 3

        def told(share: float, began: float = began) -> None:
            progress(STAGE_FINDING, began + share / 3)

        found = seek(parts, models, at, settings.search_mm, told)
        fits = measure(found)
        moved = [_moved(one, fit) if fit else None for one, fit in zip(found, fits, strict=True)]
        there = [each for each in moved if each]
        if not there:
            raise AlignmentError(
                "nothing-found",
                "None of the parts was found near its place. Check the table of the assembly, the unit of the file and "
                "how the scan is placed; mark three points by hand if need be.",
            )
        if settings.placing == "as scanned" and not chosen:
            break
        control = _control(found, fits, chosen) if chosen else None
        frame = solve_frame(there, control, settings.uncertainty_mm / 2)
        shift = max(float(np.linalg.norm(frame.correction[:3, :3] @ m.middle + frame.correction[:3, 3] - m.middle))
                    for m in there)  # fmt: skip
        placement = frame.correction @ placement
        if shift <= _AGAIN * settings.search_mm or attempt == 2:
            moved = [with_frame(each, frame) if each else None for each in moved]
            break
    found_at = perf_counter()
    progress(STAGE_SUMMING, 0.0)
    positions = [
        _position(one.part, each, fit, settings, one.part.label in chosen)
        for one, each, fit in zip(found, moved, fits, strict=True)
    ]
    positions.sort(key=_what_matters)
    drift = drift_of([each for each in moved if each])
    notes = list(_notes(settings, ambiguous, placed_by))
    if drift:
        notes = drift_sentences(drift) + notes
    seconds = {STAGE_PLACING: placed_at - started, STAGE_FINDING: found_at - placed_at}
    seconds[STAGE_SUMMING] = perf_counter() - found_at
    progress(STAGE_SUMMING, 1.0)
    worst = positions[0]
    return PositionReport(
        parts=tuple(positions),
        placement=_from_file(placement, cloud),
        placed_by=placed_by,
        ambiguous=ambiguous,
        drift=drift,
        result=min((p.result for p in positions), key=_GRAVITY.__getitem__),
        sentence=report_sentence(
            [(p.label, p.result, p.found, bool(p.result) and p.found) for p in positions], worst.sentence
        ),
        notes=tuple(notes),
        points_read=len(cloud.points),
        settings=settings,
        version=VERSION,
        stage_seconds=seconds,
    )


def _check(parts: Sequence[PlacedPart], settings: PositionSettings) -> None:
    check_uncertainty(settings.uncertainty_mm)
    if not 1 <= settings.search_mm <= 1000:
        raise InputError("search", "The search radius must lie between 1 mm and 1000 mm.")
    unknown = [label for label in settings.control if label not in {part.label for part in parts}]
    if unknown:
        raise InputError("control", f"The assembly has no part {listed(unknown)}. Name control parts by their labels.")
    if settings.placing == "marked points" and len(settings.pairs) < 3:
        raise InputError("marked", "Mark at least three points, each in the scan and on the assembly.")


def _place(
    parts: Sequence[PlacedPart], cloud: Cloud, settings: PositionSettings, progress: Progress
) -> tuple[Floats, str, bool]:
    """Scan to assembly (4, 4), in words, and whether another way round fits as well."""
    fitted = f"fitted to the control parts {listed(list(settings.control), 8)}" if settings.control else ""
    if settings.placing == "as scanned":
        placement = np.eye(4)
        placement[:3, 3] = cloud.origin
        return placement, f"taken as scanned, {fitted}" if fitted else "taken as scanned", False
    fitted = fitted or "fitted to all parts, those far off having less say"
    if settings.placing == "marked points":
        scan = np.array([pair.scan for pair in settings.pairs], dtype=np.float64) - cloud.origin
        nominal = np.array([pair.nominal for pair in settings.pairs], dtype=np.float64)
        placement = np.eye(4)
        placement[:3, :3], placement[:3, 3], rms = fit_rotation(scan, nominal)
        marks = f"{count(len(scan), 'marked point')} ({quantity(rms, 'mm', 1)} left)"
        return placement, f"placed by {marks}, then {fitted}", False

    def told(stage: str, share: float) -> None:
        progress(STAGE_PLACING, share)

    pose = register_on(prepare(_rough_whole(parts)), cloud.points, seed=settings.seed, progress=told)
    return pose.matrix, f"placed by best fit, then {fitted}", pose.ambiguous


def _from_file(placement: Floats, cloud: Cloud) -> Floats:
    """The placement for the file's own coordinates."""
    back = placement.copy()
    back[:3, 3] -= placement[:3, :3] @ np.array(cloud.origin)
    return back


def _rough_whole(parts: Sequence[PlacedPart]) -> Mesh:
    """The whole assembly, coarse enough to search on: its parts are fitted on their own surfaces afterwards."""
    each = max(_MOST_FACES // len(parts), 500)
    meshes = {id(part.mesh): part.mesh for part in parts}
    thin = {key: coarser(mesh, each) for key, mesh in meshes.items()}
    return placed_mesh([replace(part, mesh=thin[id(part.mesh)]) for part in parts])


def _control(found: Sequence[Sought], fits: Sequence[PartFit | None], chosen: Sequence[str]) -> list[bool]:
    """Which of the parts found are control parts."""
    labels = [one.part.label for one, fit in zip(found, fits, strict=True) if fit]
    lost = [label for label in chosen if label not in labels]
    if lost:
        raise AlignmentError(
            "control-not-found",
            f"{listed(lost, 6)} {'is a control part' if len(lost) == 1 else 'are control parts'} and not in the scan. "
            "Choose others, or fit to all parts.",
        )
    return [label in chosen for label in labels]


def _moved(one: Sought, fit: PartFit) -> Moved:
    """The fit in the axes of the assembly, at the middle of the part."""
    shape: Model = one.shape
    turn = one.part.matrix[:3, :3]
    middle = one.part.middle
    centroid = turn @ shape.surface.centroid + one.part.matrix[:3, 3]
    both = np.zeros((6, 6))
    both[:3, :3] = both[3:, 3:] = turn
    at_middle = np.eye(6)
    at_middle[3:, :3] = -skew(middle - centroid) / shape.arm
    carry = at_middle @ both
    ways, sizes, _ = np.linalg.svd(carry @ (np.eye(6) - fit.held))
    return Moved(middle, one.motion, shape.arm, carry @ fit.covariance @ carry.T, ways[:, sizes > 0.3])


def _position(
    part: PlacedPart, moved: Moved | None, fit: PartFit | None, settings: PositionSettings, control: bool
) -> PartPosition:
    axes = np.eye(3) if settings.axes == "assembly" else np.array(part.matrix[:3, :3].T)
    judged = part.position_mm is not None or part.turn_deg is not None
    nothing, never = np.zeros(3), np.full(3, np.inf)
    if moved is None or fit is None:
        result = "not measured" if judged else ""
        said = not_found_sentence(part.part, part.label)
        return PartPosition(
            part.label, part.part, False, part.middle, axes, nothing, never, nothing, never, (False,) * 6, 0.0, np.inf,
            0.0, np.inf, part.position_mm, part.turn_deg, None, result if part.position_mm else "",
            result if part.turn_deg else "", result, 0.0, 0, 0.0, control, said, "Not measured." if judged else "",
        )  # fmt: skip
    both = np.zeros((6, 6))
    both[:3, :3] = both[3:, 3:] = axes
    covariance = both @ moved.covariance @ both.T
    loose = both @ moved.loose
    known = np.linalg.norm(loose, axis=1) < _LOOSE
    # A part that may have slid unseen, tilted as it is, changes the rest by the tilt times the way it may have slid.
    tilt = float(np.linalg.norm(moved.turn)) * settings.search_mm / 4 if loose.shape[1] else 0.0
    instrument = settings.uncertainty_mm
    slide, turn = axes @ moved.slide, np.degrees(axes @ moved.turn)
    deviation = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    slide_u = np.where(known[3:], np.sqrt((2 * deviation[3:]) ** 2 + instrument**2 + tilt**2), np.inf)
    turn_u = np.degrees(np.sqrt((2 * deviation[:3]) ** 2 + instrument**2) / moved.arm)
    turn_u = np.where(known[:3], turn_u, np.inf)
    slide, turn = np.where(known[3:], slide, 0.0), np.where(known[:3], turn, 0.0)
    off, off_u = _size(slide, covariance[3:, 3:], known[3:], float(np.hypot(instrument, tilt)))
    turned, turned_u = _size(np.radians(turn) * moved.arm, covariance[:3, :3], known[:3], instrument)
    turned, turned_u = float(np.degrees(turned / moved.arm)), float(np.degrees(turned_u / moved.arm))
    position_result = _judge(off, off_u, part.position_mm and part.position_mm / 2, bool(known[3:].all()))
    turn_result = _judge(turned, turned_u, part.turn_deg, bool(known[:3].all()))
    shares = [off / (part.position_mm / 2)] if part.position_mm else []
    shares += [turned / part.turn_deg] if part.turn_deg else []
    result = min(filter(None, (position_result, turn_result)), key=_GRAVITY.__getitem__, default="")
    in_order = (*known[3:], *known[:3])
    known_first = tuple(bool(sure) for sure in in_order)
    whole_off_u = off_u if known[3:].all() else np.inf
    whole_turned_u = turned_u if known[:3].all() else np.inf
    return PartPosition(
        label=part.label,
        part=part.part,
        found=True,
        middle=part.middle,
        axes=axes,
        slide=slide,
        slide_u=slide_u,
        turn_deg=turn,
        turn_u=turn_u,
        known=known_first,
        off=off,
        off_u=whole_off_u,
        turned_deg=turned,
        turned_u=whole_turned_u,
        position_mm=part.position_mm,
        turn_limit_deg=part.turn_deg,
        share=max(shares) if shares else None,
        position_result=position_result,
        turn_result=turn_result,
        result=result,
        coverage=fit.coverage,
        points=fit.explained,
        rms=fit.rms,
        control=control,
        sentence=part_sentence(
            part.part, part.label, slide, slide_u, turn, turn_u, known_first, settings.axes == "part"
        ),
        verdict=verdict_words(
            result, off, whole_off_u, part.position_mm and part.position_mm / 2, turned, whole_turned_u, part.turn_deg,
            position_result, turn_result,
        ),
    )  # fmt: skip


def _size(values: Floats, covariance: Floats, known: np.ndarray, instrument: float) -> tuple[float, float]:
    """Length of what is known of a vector, and its expanded uncertainty (k = 2)."""
    size = float(np.linalg.norm(values[known]))
    inner = covariance[np.ix_(known, known)]
    if not known.any():
        return 0.0, np.inf
    most = float(np.linalg.eigvalsh(inner)[-1])
    along = float(values[known] @ inner @ values[known]) / max(size, 1e-12) ** 2
    # Near nothing the direction means nothing: the worst of all directions then.
    variance = along if size**2 > 4 * most else most
    return size, float(np.sqrt(4 * max(variance, 0.0) + instrument**2))


def _judge(value: float, uncertainty: float, limit: float | None, whole: bool) -> str:
    if limit is None:
        return ""
    if not np.isfinite(uncertainty):
        return "inconclusive"
    result = str(decide(value, None, limit, uncertainty).result)
    return "inconclusive" if result == "conforms" and not whole else result


def _what_matters(one: PartPosition) -> tuple[int, float, float, str]:
    """Not conforming first, then not found, then the rest by share of tolerance used, then by size."""
    group = 0 if one.result == "does not conform" else 1 if not one.found else 2
    return group, -(one.share or 0.0), -max(one.off, one.turned_deg), one.label


def _notes(settings: PositionSettings, ambiguous: bool, placed_by: str) -> Sequence[str]:
    notes = [f"The whole was {placed_by}."]
    if ambiguous:
        notes.append(
            "The whole fits its nominal in more than one way round: labels may be exchanged. Mark three points to say "
            "which way it stands."
        )
    if not settings.control and settings.placing != "as scanned":
        notes.append(
            "A fit to all parts shares a fault out among its neighbours, the more the fewer parts there are; the "
            "uncertainty allows for it. Control parts show it in full."
        )
    if settings.axes == "part":
        notes.append("The numbers of each part are in its own axes.")
    return notes
