"""Mould correction: what to change in a mould so that its next cast comes closer to nominal.

The outcome is a pattern: a surface with the shape of the cavity, which is the shape of the part made larger where the
part comes out short and smaller where it comes out proud. First the pattern is scaled per direction, where the casts
differ from nominal by more than chance; then its surface is moved against the smoothed mean deviation that is left.
"""

from dataclasses import dataclass, replace

import numpy as np

from metrology.bodies import Floats, Progress, silent
from metrology.errors import InputError
from metrology.moulds.casts_compared import CastsCompared, t_factor
from metrology.moulds.effect import Systematic, foretold, mean_of, systematic, without_motion, worth_taking
from metrology.moulds.limits import keep_releasing, sides
from metrology.moulds.mouldability import find_fill
from metrology.moulds.pattern import Pattern, middle, moved_at, offset_at, refined, scaled
from metrology.moulds.release import MouldKind, undercut_by_face
from metrology.moulds.shrinkage import Shrinkage, shrinkage
from metrology.moulds.smoothing import Places, smoother
from metrology.moulds.untangling import turned_faces, untangled
from metrology.moulds.vertices import corners_of, motions
from metrology.surfaces.mesh_facts import winding
from metrology.surfaces.planes_of import coplanar, flat_faces
from metrology.surfaces.surface import Flags, Surface, prepare

STAGES = ("scaling", "smoothing", "limiting", "checking")
# Edges of the pattern are at most so long, in smoothing lengths: short enough for its curves; longer where the first
# would make more faces than this.
_EDGE, _LONG_EDGE, _MANY = 0.6, 1.0, 150_000
# A smoothing length below this many distances between places smooths nothing.
_LEAST = 1.5
# Single-precision coordinates of an STL file hold to this share of their size; and what is close enough, mm.
_FILE_DIGITS, _FILE_MM = 2.0**-24, 0.02


@dataclass(frozen=True)
class Asked:
    """smoothing_mm: standard deviation of the smoothing's weights along the surface. damping: the share of the
    deviation that one step takes out, above 0, at most 1. cap_mm: no place of the surface moves farther in one step
    than this along its normal, scaling apart. pull: (3,) the way the part leaves its mould. kind: see
    `metrology.moulds.release`. by_scale: scale the pattern per direction first, where the casts tell it from no change.
    """

    smoothing_mm: float
    cap_mm: float
    damping: float = 1.0
    pull: tuple[float, float, float] = (0.0, 0.0, 1.0)
    kind: MouldKind = "open-face"
    by_scale: bool = True


@dataclass(frozen=True)
class Checks:
    """What was looked at on the finished pattern. closed: every edge joins two faces (as on the nominal: was_closed).
    turned: faces that look the other way than on the nominal. crossing: pairs of faces that run through each other,
    and did not before. undercut_before, undercut: mm² that hold the part, of the pattern before and now."""

    closed: bool
    was_closed: bool
    turned: int
    crossing: int
    undercut_before: float
    undercut: float


@dataclass(frozen=True)
class FillNote:
    """The fill face of an open-face mould, which the correction leaves alone. error: mean deviation of the casts there
    in the frame of what the mould forms, mm, positive when it stands too high along the pull; half_width: of its
    interval, NaN with one or two casts."""

    error: float
    half_width: float


@dataclass(frozen=True)
class Correction:
    """shrinkage: along x, y, z. factors: (3,) by which the pattern was scaled, 1 where left.

    step: (p,) mm, how far the pattern's surface moves outward at the places compared, all in all; local: the part of it
    beyond scaling; seen: what the casts should show of it, shrunk as they are and freed of rigid motion. used: (p,)
    places that the mould forms and enough casts cover. mean: (p,) mm, of the casts, freed of rigid motion.

    taken: the share of the smoothed deviation that was taken out: what was asked for, or less where the scatter of so
    few casts would make more of it do harm. capped, limited, left: shares of the used surface that the cap held back,
    that the limit against undercut held back by more than a hundredth of a millimetre (by limited_mm at the most), and
    of the formed surface that was left as it was because it was not measured. eased: vertices of the pattern drawn back
    so that it does not run through itself.
    before, foretold: the systematic error. fill: of an open-face mould.
    """

    asked: Asked
    pattern: Pattern
    shrinkage: tuple[Shrinkage, Shrinkage, Shrinkage]
    factors: Floats
    step: Floats
    local: Floats
    seen: Floats
    used: Flags
    mean: Floats
    taken: float
    capped: float
    limited: float
    limited_mm: float
    left: float
    eased: int
    before: Systematic
    foretold: Systematic
    fill: FillNote | None
    checks: Checks


def fill_faces(surface: Surface, pull: Floats, kind: MouldKind) -> Flags:
    """Faces of the surface that the mould does not form, (m,): the fill face of an open-face mould.

    Raises InputError (fill-face) when an open-face mould has none towards the pull.
    """
    if kind == "two-part":
        return np.zeros(len(surface.faces), dtype=np.bool_)
    fill = find_fill(surface, flat_faces(surface), pull)
    if fill is None:
        raise InputError(
            "fill-face",
            "No flat face looks along the pull direction, so this cannot be filled as an open-face mould. Choose "
            "another pull direction or a two-part mould.",
        )
    return coplanar(surface, fill)


def correct(
    surface: Surface,
    compared: CastsCompared,
    before: Pattern,
    asked: Asked,
    *,
    scanner_mm: float = 0.0,
    progress: Progress = silent,
) -> Correction:
    """The next pattern. surface: the nominal. compared: casts of one mould, with its fill face left out (`fill_faces`).
    before: the pattern of that mould. scanner_mm: expanded uncertainty of a deviation, k = 2.

    Raises InputError: smoothing, cap, damping, pull, too-fine, nothing-measured, far-away, crossing (a pattern that
    runs through itself even when drawn back), and the codes of `shrinkage` and `fill_faces`.
    """
    _check(asked, surface, compared)
    pull = np.array(asked.pull, dtype=np.float64) / np.linalg.norm(asked.pull)
    filled = fill_faces(surface, pull, asked.kind)
    places = compared.places
    progress(STAGES[0], 0.0)
    offset = offset_at(before, places.points, places.normals)
    shrunk = shrinkage(
        places.points,
        places.normals,
        compared.values,
        offset,
        scanner_mm=scanner_mm,
        confidence=compared.confidence,
        used=compared.formed,
    )
    factors = _factors(shrunk, asked, scanner_mm, np.ptp(surface.vertices[np.unique(surface.faces)], axis=0))
    pattern = _fine_enough(before, asked.smoothing_mm)
    start = _scaled(pattern, surface, factors, pull, filled)
    progress(STAGES[1], 0.0)
    # The part follows a change of its mould shrunk as it is itself.
    follows = np.array([1.0 - axis.value if axis.known else 1.0 for axis in shrunk])
    by_scaling = moved_at(pattern, start - pattern.moved, places.points)
    values = without_motion(places, compared.values, compared.formed)
    used = compared.formed & np.isfinite(compared.mean)
    gone = np.einsum("ij,ij->i", by_scaling * follows, places.normals)
    rest = without_motion(places, compared.values + gone, compared.formed)
    wanted, most, resting, taken = _wanted(surface, compared, pattern, rest, used, filled, asked)
    progress(STAGES[2], 0.0)
    shown = sides(surface, pattern, pull, asked.kind, filled)
    kept = keep_releasing(pattern.faces, start, start + wanted, shown, pull)
    moved = _on_fill(pattern, surface, filled, pull, kept.moved)
    progress(STAGES[3], 0.0)
    moved, eased, crossing = untangled(surface, pattern, start, moved, shown, pull)
    after = replace(pattern, moved=moved)
    motion = moved_at(after, moved - pattern.moved, places.points)
    step = np.einsum("ij,ij->i", motion, places.normals)
    local = step - np.einsum("ij,ij->i", by_scaling, places.normals)
    short = np.einsum("ij,ij->i", moved_at(after, start + wanted - moved, places.points), places.normals)
    held_back = used & (np.abs(short) > 0.01)
    # A rigid part of the step would change no cast.
    seen = without_motion(places, np.einsum("ij,ij->i", motion * follows, places.normals)[None], used)[0]
    errors = systematic(values, used, compared.confidence)
    told = foretold(values, resting, seen, used, compared.confidence)
    checks = _checks(surface, pattern, after, pull, asked.kind, filled, crossing)
    progress(STAGES[3], 1.0)
    return Correction(
        asked=asked,
        pattern=after,
        shrinkage=shrunk,
        factors=factors,
        step=step,
        local=local,
        seen=seen,
        used=used,
        mean=mean_of(values, np.isfinite(compared.mean)),
        taken=taken,
        capped=_share(used, most),
        limited=_share(used, held_back),
        limited_mm=float(np.abs(short[used]).max()) if used.any() else 0.0,
        left=1.0 - _share(compared.formed, used),
        eased=eased,
        before=errors,
        foretold=told,
        fill=_fill_note(compared, values) if asked.kind == "open-face" else None,
        checks=checks,
    )


def _check(asked: Asked, surface: Surface, compared: CastsCompared) -> None:
    least = _LEAST * compared.places.spacing
    if not least <= asked.smoothing_mm <= surface.diagonal:
        raise InputError(
            "smoothing",
            f"The smoothing length must lie between {least:.0f} mm, 1.5 times the distance between measured places, "
            f"and {surface.diagonal:.0f} mm, the size of the part.",
        )
    if not 0 < asked.damping <= 1:
        raise InputError("damping", "The share to take out must be more than 0 % and at most 100 %.")
    if not 0 < asked.cap_mm <= surface.diagonal / 4:
        raise InputError("cap", "The most to move in one step must be more than 0 mm and far less than the part.")
    if not (np.isfinite(asked.pull).all() and np.linalg.norm(asked.pull) > 1e-9):
        raise InputError("pull", "A pull direction needs three numbers that are not all zero. Enter it again.")
    if not (compared.formed & np.isfinite(compared.mean)).any():
        raise InputError("nothing-measured", "Enough casts were measured at no place. Scan more of the surface.")
    if np.abs(surface.vertices).max() * _FILE_DIGITS > _FILE_MM:
        raise InputError(
            "far-away",
            "The nominal lies so far from its origin that an STL file would round the correction away. Move the "
            "nominal near its origin and upload it again.",
        )


def _factors(found: tuple[Shrinkage, ...], asked: Asked, scanner_mm: float, size: Floats) -> Floats:
    """What to multiply the pattern by, (3,): where the parts differ from nominal by more than chance and scanner."""
    factors = np.ones(3)
    for k, axis in enumerate(found):
        if not asked.by_scale or not axis.known:
            continue
        if axis.casts > 1:
            sure = axis.mould_scale * (1 - axis.low) < 1 or axis.mould_scale * (1 - axis.high) > 1
        else:
            sure = abs(axis.mould_scale * (1 - axis.value) - 1) * size[k] / 2 > scanner_mm
        if sure:
            factors[k] = axis.pattern_scale / axis.mould_scale
    return factors


def _fine_enough(before: Pattern, smoothing_mm: float) -> Pattern:
    """Slivers multiply when they are cut: where that makes too many faces, edges may be longer."""
    try:
        fine = refined(before, _EDGE * smoothing_mm)
    except InputError:
        return refined(before, _LONG_EDGE * smoothing_mm)
    return fine if len(fine.faces) <= _MANY else refined(before, _LONG_EDGE * smoothing_mm)


def _scaled(pattern: Pattern, surface: Surface, factors: Floats, pull: Floats, filled: Flags) -> Floats:
    """The pattern's vertices enlarged about its middle, and about the level of the fill face where there is one."""
    fixed = middle(pattern.moved)
    rim = np.unique(pattern.faces[filled[pattern.parents]])
    if len(rim):
        fixed = fixed + pull * float((pattern.moved[rim] @ pull).mean() - fixed @ pull)
    return _on_fill(pattern, surface, filled, pull, scaled(pattern.moved, factors, fixed))


def _on_fill(pattern: Pattern, surface: Surface, filled: Flags, pull: Floats, moved: Floats) -> Floats:
    """Vertices of the fill face stay in their plane, sliding along the pull: it is struck off, no mould makes it."""
    rim = np.unique(pattern.faces[filled[pattern.parents]])
    if not len(rim):
        return moved
    normal = surface.normals[filled][int(np.argmax(surface.areas[filled]))]
    kept = moved.copy()
    kept[rim] -= ((moved[rim] - pattern.moved[rim]) @ normal / (pull @ normal))[:, None] * pull
    return kept


def _wanted(
    surface: Surface,
    compared: CastsCompared,
    pattern: Pattern,
    rest: Floats,
    used: Flags,
    filled: Flags,
    asked: Asked,
) -> tuple[Floats, Flags, Floats, float]:
    """Motion of the pattern's vertices (v, 3); places where the cap holds it back (p,); what the correction makes of
    each cast's departure from the mean, (n, p), times −1; the share of the deviation that is taken out."""
    rows = np.flatnonzero(compared.formed)
    places = compared.places
    mean = mean_of(rest, used)
    off = np.where(np.isfinite(rest) & used, rest - mean, 0.0)
    smooth = smoother(
        surface,
        Places(places.points[rows], places.normals[rows], places.faces[rows]),
        np.vstack([np.where(used, mean, 0.0), off])[:, rows].T,
        used[rows],
        asked.smoothing_mm,
    )
    found = smooth.at(places.points, places.normals, smooth.patch_of_face[places.faces])[0].T
    taken = min(asked.damping, worth_taking(mean, found[0], off, found[1:], used))
    corners = corners_of(surface, pattern, smooth.patch_of_face, filled)
    values, resting = smooth.at(pattern.nominal[corners.vertex], corners.normals, corners.patch, columns=1)
    offset = np.clip(-taken * values[:, 0], -asked.cap_mm, asked.cap_mm)
    offset[corners.filled] = 0.0
    wanted = motions(pattern, corners, offset, np.where(corners.filled, 1.0, resting))
    return wanted, used & (np.abs(taken * found[0]) > asked.cap_mm), taken * found[1:], taken


def _share(whole: Flags, part: Flags) -> float:
    return float((whole & part).sum() / whole.sum()) if whole.any() else 0.0


def _fill_note(compared: CastsCompared, values: Floats) -> FillNote | None:
    """values: (n, p), freed of rigid motion over what the mould forms."""
    rows = ~compared.formed
    levels = np.array([np.nanmean(row[rows]) for row in values if np.isfinite(row[rows]).any()])
    if not len(levels):
        return None
    n = len(levels)
    half = float("nan")
    if n > 2:
        half = float(t_factor(compared.confidence, n - 1)) * float(levels.std(ddof=1)) / n**0.5
    return FillNote(float(levels.mean()), half)


def _checks(
    surface: Surface,
    before: Pattern,
    after: Pattern,
    pull: Floats,
    kind: MouldKind,
    filled: Flags,
    crossing: int,
) -> Checks:
    closed = winding(after.faces)[1]
    return Checks(
        closed=closed,
        was_closed=winding(surface.faces)[1],
        turned=int(turned_faces(surface, after, after.moved).sum()),
        crossing=crossing,
        undercut_before=_undercut(before, pull, kind, filled),
        undercut=_undercut(after, pull, kind, filled),
    )


def _undercut(pattern: Pattern, pull: Floats, kind: MouldKind, filled: Flags) -> float:
    shape = prepare(pattern.mesh)
    return float(undercut_by_face(shape, pull, kind, filled[pattern.parents[shape.mesh_faces]]).sum())
