"""Datum alignment: three degrees of freedom from a plane, two from a line on it, one from a point on that line.

The order is that of a datum system on a drawing (ISO 5459, ASME Y14.5, both from memory): each datum fixes only what
those before it leave free. The datums are taken from the part by least squares, robust against strays, not by contact.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from metrology.alignment.fine_fit import REACH, biweight, motions
from metrology.alignment.model import DatumAlignment, DatumRegion, Support
from metrology.alignment.pose_uncertainty import Equations, patches_of
from metrology.alignment.scan_points import spread_pick
from metrology.bodies import Floats
from metrology.errors import AlignmentError
from metrology.rotation import turned_by
from metrology.surfaces.selection import Chosen, choose
from metrology.surfaces.surface import Flags, Surface, strewn
from metrology.wording import count, quantity

ROLES = ("primary plane", "secondary line", "tertiary point")
# Points that a region needs at least, by role, and the share of its area that must have been scanned.
_FEWEST, _LEAST_COVERAGE = (20, 10, 5), 0.1
# A primary region whose normals agree less than this is curved; a direction weaker than this fixes nothing.
_FLAT, _ACROSS = 0.98, 0.5
# A region scanned less wide than this share of the diagonal (standard deviation) fixes no turn.
_WIDE = 0.008
_MOST_POINTS, _CHOSEN_AFTER, _MOST_STEPS = 20_000, 8, 50
# Datums that carry the part farther than this share of the diagonal from where it was found are not its datums.
_FARTHEST = 0.1


@dataclass(frozen=True)
class _Region:
    """A datum region found on the nominal. points, normals: (s, 3) spread over it by area, normals its faces'."""

    name: str
    role: str
    chosen: Chosen
    points: Floats
    normals: Floats
    edges: cKDTree | None
    margin: float


@dataclass(frozen=True)
class _Seen:
    """Points on one region at the present pose. placed: (n, 3) mm about the middle of the surface."""

    placed: Floats
    facing: Floats
    residuals: Floats
    weights: Floats
    slope: Floats


@dataclass(frozen=True)
class _Members:
    """Which of the points near a region lie on it, (k,), and the relative area that each of those stands for."""

    kept: Flags
    share: Floats


@dataclass(frozen=True)
class DatumFit:
    """matrix: (4, 4), scan to nominal. iterations: until it stood still. equations: for the uncertainty."""

    matrix: Floats
    iterations: int
    supports: tuple[Support, ...]
    equations: Equations


def align_by_datums(
    surface: Surface, points: Floats, start: Floats, asked: DatumAlignment, tick: Callable[[], None]
) -> DatumFit:
    """From a rough pose (4, 4) to the pose in which the datums lie on the nominal ones. points: (n, 3) mm, scan frame.

    Points near each region are gathered, the three datums fitted to them one under the other, the scan moved, and
    again until it stands still. Raises AlignmentError with code "datum-unknown", "datum-curved", "datum-parallel",
    "datum-unseen", "datum-narrow", "datum-far" or "not-still".
    """
    regions, frame = _found(surface, asked)
    arm = surface.diagonal / 2
    ways = _ways(frame, regions, surface.centroid, arm)
    turn, shift = start[:3, :3].copy(), start[:3, 3].copy()
    near = [_near(region, points, turn, shift, surface) for region in regions]
    members: list[_Members] | None = None
    done, still = 0, False
    while not still:
        seen, found = zip(
            *(
                _gather(region, some, turn, shift, surface, members[k] if members else None)
                for k, (region, some) in enumerate(zip(regions, near, strict=True))
            ),
            strict=True,
        )
        # Points at the rim of a region might come and go for ever: after a while the choice stands.
        members = list(found) if done >= _CHOSEN_AFTER and members is None else members
        _refuse_thin(regions, seen, frame, surface)
        equations = _equations(seen, ways, arm)
        pull = np.einsum("ni,n->i", equations.asked, equations.weights * equations.residuals)
        stiffness = np.einsum("n,ni,nj->ij", equations.weights, equations.asked, equations.rows)
        change = np.linalg.solve(stiffness, -pull)
        rotation = turned_by(change[None, 3:] / arm)[0]
        turn = rotation @ turn
        shift = rotation @ (shift - surface.centroid) + surface.centroid + change[:3]
        tick()
        done += 1
        _refuse_far(turn, shift, start, surface)
        still = bool(np.abs(change).max() < 1e-9 * surface.diagonal)
        if done == _MOST_STEPS and not still:
            raise AlignmentError(
                "not-still",
                "The datum alignment does not come to rest: points change from one datum region to another at every "
                "step. Choose regions that stand farther apart, or larger ones.",
            )
    return _finished(regions, near, members, turn, shift, ways, surface, done)


def check_datums(surface: Surface, asked: DatumAlignment) -> None:
    """Raises AlignmentError when the regions give no plane, line and point on this nominal."""
    _found(surface, asked)


def _found(surface: Surface, asked: DatumAlignment) -> tuple[list[_Region], Floats]:
    regions = [
        _region(region, role, surface)
        for region, role in zip((asked.primary, asked.secondary, asked.tertiary), ROLES, strict=True)
    ]
    return regions, _frame(regions)


def _region(asked: DatumRegion, role: str, surface: Surface) -> _Region:
    chosen = choose(asked.selection, surface)
    spread, faces = strewn(surface, 40_000)
    kept = chosen.holds(spread, faces)
    if kept.sum() < 12:
        # Too small for the net over the whole: a net of its own.
        own = np.flatnonzero(chosen.faces)
        corners = surface.vertices[surface.faces[own]] if len(own) else np.empty((0, 3, 3))
        inner = np.concatenate([corners * 0.7 + corners.mean(axis=1, keepdims=True) * 0.3, corners * 0.2
                                + corners.mean(axis=1, keepdims=True) * 0.8]).reshape(-1, 3)  # fmt: skip
        rows = np.tile(np.repeat(own, 3), 2)
        held = chosen.holds(inner, rows) if len(rows) else np.empty(0, dtype=np.bool_)
        spread, faces, kept = inner, rows, held
    if not kept.any():
        raise AlignmentError(
            "datum-unknown",
            f"The {role}'s region “{asked.name}” holds nothing of the nominal's surface. Choose it again on this mesh.",
        )
    points, normals = spread[kept], surface.normals[faces[kept]]
    edges = _sharp_edges(chosen, surface)
    wide = float(np.ptp(points, axis=0).max())
    return _Region(asked.name, role, chosen, points, normals, edges, min(0.03 * wide, 0.01 * surface.diagonal))


def _sharp_edges(chosen: Chosen, surface: Surface) -> cKDTree | None:
    """Points along edges where the region ends and the surface turns: beside them, another face's points may be
    taken for the region's."""
    faces = surface.faces
    start, end = faces[:, [1, 2, 0]].reshape(-1), faces[:, [2, 0, 1]].reshape(-1)
    key = np.minimum(start, end) * len(surface.vertices) + np.maximum(start, end)
    order = np.argsort(key, kind="stable")
    face = order // 3
    paired = np.flatnonzero(key[order][1:] == key[order][:-1])
    one, other = face[paired], face[paired + 1]
    member = chosen.faces
    sharp = (member[one] | member[other]) & (
        np.einsum("ij,ij->i", surface.normals[one], surface.normals[other]) < np.cos(np.radians(20.0))
    )
    rows = order[paired[sharp]]
    if not len(rows):
        return None
    a, b = surface.vertices[start[rows]], surface.vertices[end[rows]]
    along = np.linspace(0.0, 1.0, 9)[:, None, None]
    return cKDTree((a + along * (b - a)).reshape(-1, 3))


def _frame(regions: list[_Region]) -> Floats:
    """Columns: the direction the tertiary fixes, the one the secondary fixes, the primary's normal. Right-handed."""
    primary, secondary, tertiary = regions
    normal = primary.normals.mean(axis=0)
    if np.linalg.norm(normal) < _FLAT:
        raise AlignmentError(
            "datum-curved", f"The primary region “{primary.name}” is not flat, so it gives no plane. Choose a flat one."
        )
    up = normal / np.linalg.norm(normal)
    across = secondary.normals - np.outer(secondary.normals @ up, up)
    way = across.mean(axis=0)
    if np.linalg.norm(way) < _ACROSS:
        reason = (
            f"faces the same way as the primary “{primary.name}”"
            if np.abs(secondary.normals @ up).mean() > 0.8
            else "faces several ways"
        )
        raise AlignmentError(
            "datum-parallel",
            f"The secondary region “{secondary.name}” {reason}, so it gives no line on the primary plane. Choose a "
            "side that stands across the primary.",
        )
    second = way / np.linalg.norm(way)
    first = np.cross(second, up)
    if abs(float((tertiary.normals @ first).mean())) < _ACROSS:
        raise AlignmentError(
            "datum-parallel",
            f"The tertiary region “{tertiary.name}” does not face along the secondary line, so it gives no point on "
            f"it. Choose a side that stands across both “{primary.name}” and “{secondary.name}”.",
        )
    return np.stack([first, second, up], axis=1)


def _ways(frame: Floats, regions: list[_Region], middle: Floats, arm: float) -> list[Floats]:
    """For each region the motions that it fixes, (6, k) as columns: 3, 2 and 1 of them."""
    first, second, up = frame.T

    def turning(axis: Floats, region: _Region) -> Floats:
        foot = region.points.mean(axis=0) - middle
        return np.concatenate([-np.cross(axis, foot) / arm, axis])

    def sliding(axis: Floats) -> Floats:
        return np.concatenate([axis, np.zeros(3)])

    primary, secondary, _ = regions
    return [
        np.stack([sliding(up), turning(first, primary), turning(second, primary)], axis=1),
        np.stack([sliding(second), turning(up, secondary)], axis=1),
        sliding(first)[:, None],
    ]


def _near(region: _Region, points: Floats, turn: Floats, shift: Floats, surface: Surface) -> Floats:
    """Scan points (k, 3), scan frame, that may come to lie on a region."""
    reach = 2 * REACH * surface.diagonal
    low, high = region.points.min(axis=0) - reach, region.points.max(axis=0) + reach
    placed = points @ turn.T + shift
    return spread_pick(points[((placed >= low) & (placed <= high)).all(axis=1)], _MOST_POINTS, 0)


def _gather(
    region: _Region, points: Floats, turn: Floats, shift: Floats, surface: Surface, members: _Members | None
) -> tuple[_Seen, _Members]:
    """The points on a region, without those beside its sharp edges, weighted against strays; and which they are.

    members: which points to take, once that is settled.
    """
    reach = REACH * surface.diagonal
    near = np.ascontiguousarray(points @ turn.T + shift)
    if not len(near):
        return _Seen(near, near, *[near[:, 0]] * 3), _Members(np.zeros(0, dtype=np.bool_), near[:, 0])
    values, faces, closest, facing = surface.closest(near)
    if members is None:
        kept = region.chosen.holds(closest, faces) & (np.abs(values) < reach)
        kept &= np.abs(np.einsum("ij,ij->i", facing, surface.normals[faces])) > 0.999
        if region.edges is not None and kept.any():
            apart = np.full(len(near), np.inf)
            apart[kept] = region.edges.query(closest[kept], workers=-1)[0]
            inner = kept & (apart > region.margin)
            kept = inner if inner.sum() >= 0.3 * kept.sum() else kept
        owners = cKDTree(region.points).query(near[kept], workers=-1)[1]
        members = _Members(kept, 1.0 / np.bincount(owners)[owners] if len(owners) else np.empty(0))
    near, values, facing = near[members.kept], values[members.kept], facing[members.kept]
    if not len(near):
        return _Seen(near, near, values, values, values), members
    share = members.share / members.share.mean()
    scale = max(1.4826 * float(np.median(np.abs(values))), 1e-7 * surface.diagonal)
    weights, slope = biweight(values, np.full(len(values), scale))
    return _Seen(near - surface.centroid, facing, values, share * weights, share * slope), members


def _refuse_thin(regions: list[_Region], seen: Sequence[_Seen], frame: Floats, surface: Surface) -> None:
    for region, found, fewest, widths in zip(regions, seen, _FEWEST, (2, 1, 0), strict=True):
        used = found.weights > 0
        where = f"the {region.role}'s region “{region.name}”"
        if used.sum() < fewest or _coverage(region, found, surface) < _LEAST_COVERAGE:
            share = quantity(100 * _coverage(region, found, surface), "%", 0)
            raise AlignmentError(
                "datum-unseen",
                f"{count(int(used.sum()), 'scan point')} on {share} of {where}: too little to align by. Scan it, or "
                "choose another region.",
            )
        along = (found.placed[used] - found.placed[used].mean(axis=0)) @ frame[:, :widths]
        spread = np.sqrt(np.linalg.eigvalsh(along.T @ along / used.sum())) if widths else np.array([np.inf])
        if spread[0] < _WIDE * surface.diagonal:
            raise AlignmentError(
                "datum-narrow",
                f"What was scanned of {where} is too narrow to fix how the part is turned. Scan more of it, or choose "
                "a wider region.",
            )


def _coverage(region: _Region, found: _Seen, surface: Surface) -> float:
    used = found.weights > 0
    if not used.any():
        return 0.0
    wanted = int(np.clip(used.sum() // 4, 8, 200))
    places = region.points[np.arange(wanted) * len(region.points) // wanted]
    owners = cKDTree(places).query(found.placed[used] + surface.centroid)[1]
    return float((np.bincount(owners, minlength=len(places)) > 0).mean())


def _equations(seen: Sequence[_Seen], ways: list[Floats], arm: float) -> Equations:
    """Each region's points are asked only for the motions that it fixes."""
    rows = [motions(found.placed, found.facing, arm) for found in seen]
    asked = np.zeros((sum(len(some) for some in rows), 6))
    start = column = 0
    for some, way in zip(rows, ways, strict=True):
        asked[start : start + len(some), column : column + way.shape[1]] = some @ way
        start, column = start + len(some), column + way.shape[1]
    return Equations(
        rows=np.concatenate(rows),
        asked=asked,
        open=np.eye(6),
        residuals=np.concatenate([found.residuals for found in seen]),
        weights=np.concatenate([found.weights for found in seen]),
        slope=np.concatenate([found.slope for found in seen]),
        patches=(),
        unseen=0.0,
    )


def _refuse_far(turn: Floats, shift: Floats, start: Floats, surface: Surface) -> None:
    left = turn @ start[:3, :3].T
    moved = (surface.vertices - start[:3, 3]) @ left.T + shift - surface.vertices
    if np.linalg.norm(moved, axis=1).max() > _FARTHEST * surface.diagonal:
        raise AlignmentError(
            "datum-far",
            "The datum regions lead away from where the scan fits the nominal. Check that they are the right ones, and "
            "that the scan shows them.",
        )


def _finished(
    regions: list[_Region],
    near: list[Floats],
    members: list[_Members] | None,
    turn: Floats,
    shift: Floats,
    ways: list[Floats],
    surface: Surface,
    done: int,
) -> DatumFit:
    seen = [
        _gather(region, some, turn, shift, surface, members[k] if members else None)[0]
        for k, (region, some) in enumerate(zip(regions, near, strict=True))
    ]
    coverages = [_coverage(region, found, surface) for region, found in zip(regions, seen, strict=True)]
    supports = []
    for region, found, coverage in zip(regions, seen, coverages, strict=True):
        used = found.weights > 0
        off = found.residuals[used]
        supports.append(
            Support(
                name=region.name,
                role=region.role,
                points=int(used.sum()),
                coverage=coverage,
                rms=float(np.sqrt((off**2).mean())),
                worst=float(off[np.argmax(np.abs(off))]),
                trimmed_share=float(1.0 - used.mean()),
            )
        )
    arm = surface.diagonal / 2
    plain = _equations(seen, ways, arm)
    placed = np.concatenate([found.placed for found in seen])
    facing = np.concatenate([found.facing for found in seen])
    matrix = np.eye(4)
    matrix[:3, :3], matrix[:3, 3] = turn, shift
    equations = Equations(
        plain.rows, plain.asked, plain.open, plain.residuals, plain.weights, plain.slope,
        patches_of(surface, surface.coarse.nearest(placed + surface.centroid, facing)[1]), 1.0 - min(coverages),
    )  # fmt: skip
    return DatumFit(matrix, done, tuple(supports), equations)
