"""Can a nominal be moulded? Pull direction, undercut, draft angle, walls and, for an open-face mould, the fill face."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats, Ints, Mesh, Progress, silent
from metrology.errors import InputError
from metrology.moulds.filling import Filling, filling
from metrology.moulds.places import Island, Place, islands, place
from metrology.moulds.release import (
    MouldKind,
    Spread,
    angle_known,
    draft_deg,
    spread_over,
    undercut_at,
    undercut_by_face,
    walls_at,
)
from metrology.moulds.words import pull_words, sentence
from metrology.surfaces.mesh_facts import signed_volume, winding
from metrology.surfaces.planes_of import FlatFace, coplanar, flat_faces
from metrology.surfaces.surface import Flags, Surface, prepare

__all__ = ["Asked", "Mouldability", "Tried", "find_fill", "mouldability", "undercut_by_face"]

STAGE_TRYING, STAGE_JUDGING = "trying directions", "judging"
_POINTS, _POINTS_WHILE_TRYING = 60_000, 6_000
# Undercuts that differ by less than this share of the surface are equal while directions are ranked.
_EQUAL = 5e-4
# Draft angles within this of the least are the same place.
_SAME_DRAFT_DEG = 0.1
_SAME_WALL = 2e-3
# A fill face looks along the pull within this angle, and is at least this share of the surface.
_FILL_DEG, _FILL_SHARE = 45.0, 0.005
_EVEN_DIRECTIONS = 50
_GOLDEN = float(np.pi * (3.0 - np.sqrt(5.0)))


@dataclass(frozen=True)
class Asked:
    """What to judge by. kind: see `metrology.moulds.release`. pull: (3,) the way the part leaves its mould; None finds
    the best. fill_at: (3,) mm, a point on the fill face; None takes the largest flat face towards the pull.
    draft_deg, wall_mm: wanted at the least; None for a wall means none is asked for."""

    kind: MouldKind = "open-face"
    pull: tuple[float, float, float] | None = None
    fill_at: tuple[float, float, float] | None = None
    draft_deg: float = 2.0
    wall_mm: float | None = None


@dataclass(frozen=True)
class Tried:
    """One direction that was tried. undercut: mm². least_draft: degrees, None where nothing releases."""

    pull: tuple[float, float, float]
    words: str
    undercut: float
    least_draft: float | None


@dataclass(frozen=True)
class Mouldability:
    """What was found; all mm, mm² and degrees in the nominal's frame.

    pull: (3,) unit. found: it was looked for, not given. area: of the whole surface. moulded: of it, what the mould
    touches. undercut: mm² that hold the part; undercuts: its islands, largest first. least_draft: over what releases,
    at least_draft_at; None where nothing does. low_draft: mm² that release with less than the draft angle wanted.
    wall: the thinnest, straight in from one side to another that faces back within 30°; None where the nominal is not
    closed or has no such place. thin: mm² of walls below what is wanted; None when no wall is asked for.
    filling: of an open-face mould; None for two parts. volume: mm³; None unless closed. spacing: mm between the places
    looked at on a large face; smaller places may have been missed. tried: the best directions, when looked for.
    """

    asked: Asked
    pull: Floats
    found: bool
    area: float
    moulded: float
    undercut: float
    undercuts: tuple[Island, ...]
    least_draft: float | None
    least_draft_at: Place | None
    low_draft: float
    wall: float | None
    wall_at: Place | None
    thin: float | None
    filling: Filling | None
    volume: float | None
    spacing: float
    tried: tuple[Tried, ...]
    notes: tuple[str, ...]
    sentence: str

    @property
    def litres(self) -> float | None:
        return None if self.volume is None else self.volume / 1e6


def mouldability(mesh: Mesh, asked: Asked, progress: Progress = silent) -> Mouldability:
    """Judge how a nominal leaves its mould. Same mesh, same answer; about 3 s for 100,000 triangles.

    Raises InputError: the codes of `prepare`, "winding" for a mesh whose faces disagree about outside, "pull",
    "wanted", "fill-face" where no flat face looks along the pull or none lies at the point given.
    """
    _check(asked)
    surface, closed = _ready(mesh)
    flats = flat_faces(surface)
    progress(STAGE_TRYING, 0.0)
    tried: tuple[Tried, ...] = ()
    if asked.pull is None:
        tried = _best_directions(surface, flats, asked, lambda share: progress(STAGE_TRYING, share))
        pull = np.array(tried[0].pull)
    else:
        pull = np.array(asked.pull, dtype=np.float64) / np.linalg.norm(asked.pull)
    progress(STAGE_JUDGING, 0.0)
    fill = _fill_of(surface, flats, pull, asked)
    filled = np.zeros(len(surface.faces), dtype=np.bool_) if fill is None else coplanar(surface, fill)
    spread = spread_over(surface, _POINTS)
    moulded = np.flatnonzero(~filled[spread.faces])
    held = np.zeros(len(spread.faces), dtype=np.bool_)
    held[moulded] = undercut_at(surface, spread.points[moulded], spread.faces[moulded], pull, asked.kind)
    progress(STAGE_JUDGING, 0.4)
    undercut_faces = np.bincount(spread.faces, held * spread.areas, len(surface.faces))
    drafts = draft_deg(surface.normals, pull, asked.kind)
    free_area = np.where(filled, 0.0, surface.areas - undercut_faces)
    least, least_at = _least_draft(surface, drafts, free_area, angle_known(surface))
    wall, wall_at, thin = (None, None, None)
    if closed:
        walls = walls_at(surface, spread.points, spread.faces)
        if np.isfinite(walls).any():
            wall = float(np.nanmin(walls))
            wall_at = _middle_place(surface, spread, np.flatnonzero(walls <= wall * (1 + _SAME_WALL)))
            if asked.wall_mm is not None:
                with np.errstate(invalid="ignore"):
                    thin = float(spread.areas[walls < asked.wall_mm - 1e-6].sum())
    progress(STAGE_JUDGING, 0.8)
    found = Mouldability(
        asked=asked,
        pull=pull,
        found=asked.pull is None,
        area=surface.area,
        moulded=float(surface.areas[~filled].sum()),
        undercut=float(undercut_faces.sum()),
        undercuts=islands(surface, spread, held, pull, asked.kind),
        least_draft=least,
        least_draft_at=least_at,
        low_draft=float(free_area[drafts < asked.draft_deg - 5e-3].sum()),
        wall=wall,
        wall_at=wall_at,
        thin=thin,
        filling=None if fill is None else filling(surface, fill, filled),
        volume=signed_volume(Mesh(surface.vertices, surface.faces)) if closed else None,
        spacing=spread.spacing,
        tried=tried,
        notes=() if closed else (NOT_CLOSED,),
        sentence="",
    )
    progress(STAGE_JUDGING, 1.0)
    return _with_sentence(found)


NOT_CLOSED = (
    "The nominal is not closed, so its walls and its volume are not known, and undercut is judged by the faces that "
    "are there."
)


def find_fill(surface: Surface, flats: list[FlatFace], pull: Floats) -> FlatFace | None:
    """The largest flat face towards the pull: its area times how squarely it looks along it.

    None when no flat face of half a per cent of the surface or more looks within 45° of it.
    """
    facing = [
        (face.area * float(face.normal @ pull), -k)
        for k, face in enumerate(flats)
        if face.normal @ pull > np.cos(np.radians(_FILL_DEG)) and face.area > _FILL_SHARE * surface.area
    ]
    return flats[-max(facing)[1]] if facing else None


def _with_sentence(found: Mouldability) -> Mouldability:
    said = sentence(
        kind=found.asked.kind,
        pull=found.pull,
        undercut=found.undercut,
        undercut_share=found.undercut / found.moulded if found.moulded else 0.0,
        undercut_at=found.undercuts[0].place if found.undercuts else None,
        draft=found.least_draft,
        draft_at=found.least_draft_at,
        draft_wanted=found.asked.draft_deg,
        wall=found.wall,
        wall_at=found.wall_at,
        wall_wanted=found.asked.wall_mm,
        spacing=found.spacing,
    )
    return Mouldability(**{**found.__dict__, "sentence": said})


def _check(asked: Asked) -> None:
    if asked.pull is not None and not (np.isfinite(asked.pull).all() and np.linalg.norm(asked.pull) > 1e-9):
        raise InputError("pull", "A pull direction needs three numbers that are not all zero. Enter it again.")
    if asked.fill_at is not None and not np.isfinite(asked.fill_at).all():
        raise InputError("fill-face", "The point on the fill face needs three numbers. Enter it again.")
    if not 0 <= asked.draft_deg < 45:
        raise InputError("wanted", "The draft angle wanted must lie between 0° and 45°.")
    if asked.wall_mm is not None and not 0 < asked.wall_mm < 1e6:
        raise InputError("wanted", "The wall wanted must be more than 0 mm.")


def _ready(mesh: Mesh) -> tuple[Surface, bool]:
    """The surface, and whether it is closed. An open one is taken as it is wound, if its faces agree."""
    surface = prepare(mesh)
    agrees, closed = winding(surface.faces)
    if not agrees:
        raise InputError(
            "winding",
            "Some faces of the nominal look outward and some inward, so it is not known which side the mould is on. "
            "Repair the mesh (make its faces agree) and put it on file again.",
        )
    if not closed and signed_volume(Mesh(surface.vertices, surface.faces)) < 0:
        raise InputError(
            "inside-out",
            "The nominal seems to be wound inside out, so outside and inside would be exchanged. Turn its faces round.",
        )
    return surface, closed


def _fill_of(surface: Surface, flats: list[FlatFace], pull: Floats, asked: Asked) -> FlatFace | None:
    if asked.kind == "two-part":
        return None
    if asked.fill_at is not None:
        return _fill_at(surface, flats, np.array(asked.fill_at, dtype=np.float64), pull)
    fill = find_fill(surface, flats, pull)
    if fill is None:
        raise InputError(
            "fill-face",
            f"No flat face looks {pull_words(pull)}, so an open-face mould has nothing to be filled through. "
            "Choose another pull direction, or a mould of two parts.",
        )
    return fill


def _fill_at(surface: Surface, flats: list[FlatFace], at: Floats, pull: Floats) -> FlatFace:
    distance, faces, _, _ = surface.closest(np.ascontiguousarray(at[None]))
    chosen = next((flat for flat in flats if (flat.faces == faces[0]).any()), None)
    if chosen is None or abs(distance[0]) > 0.01 * surface.diagonal:
        raise InputError(
            "fill-face", "There is no flat face at that point. Read the point off the nominal's drawing, in its frame."
        )
    if chosen.normal @ pull < np.cos(np.radians(_FILL_DEG)):
        raise InputError(
            "fill-face",
            f"The face at that point does not look {pull_words(pull)}: the part cannot leave through it. Choose the "
            "face that lies open, or another pull direction.",
        )
    return chosen


def _best_directions(
    surface: Surface, flats: list[FlatFace], asked: Asked, told: Callable[[float], None]
) -> tuple[Tried, ...]:
    """Directions ranked by undercut, then by least draft angle, then in the order they are tried: axes first."""
    spread = spread_over(surface, _POINTS_WHILE_TRYING)
    if len(spread.faces) > 4 * _POINTS_WHILE_TRYING:
        step = len(spread.faces) // (3 * _POINTS_WHILE_TRYING) + 1
        rows = np.arange(len(spread.faces))[::step]
        spread = type(spread)(spread.points[rows], spread.faces[rows], spread.areas[rows] * step, spread.spacing)
    known = angle_known(surface)
    ranked: list[tuple[float, float, int, Tried]] = []
    ways = _directions(flats, surface, asked)
    for number, way in enumerate(ways):
        told(number / len(ways))
        try:
            fill = _fill_of(surface, flats, way, asked)
        except InputError:
            continue
        filled = np.zeros(len(surface.faces), dtype=np.bool_) if fill is None else coplanar(surface, fill)
        rows = np.flatnonzero(~filled[spread.faces])
        held = undercut_at(surface, spread.points[rows], spread.faces[rows], way, asked.kind)
        undercut = float(spread.areas[rows][held].sum())
        released = np.zeros(len(surface.faces))
        np.add.at(released, spread.faces[rows], np.where(held, 0.0, spread.areas[rows]))
        drafts = draft_deg(surface.normals, way, asked.kind)
        draft = _least(drafts, (released > 0) & known)
        step_of = round(undercut / (_EQUAL * surface.area))
        pull = (float(way[0]), float(way[1]), float(way[2]))
        one = Tried(pull, pull_words(way), undercut, draft)
        ranked.append((step_of, -round(draft, 1) if draft is not None else 0.0, number, one))
    if not ranked:
        raise InputError(
            "fill-face",
            "The nominal has no flat face to be filled through, so it cannot be cast in an open-face mould. Choose a "
            "mould of two parts.",
        )
    return tuple(one for *_, one in sorted(ranked, key=lambda each: each[:3])[:6])


def _directions(flats: list[FlatFace], surface: Surface, asked: Asked) -> list[Floats]:
    """The six axes, up first; across and along the largest flat faces; the axes of the surface; an even set."""
    ways = [np.array(axis, dtype=np.float64) for axis in
            ((0, 0, 1), (0, 0, -1), (1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0))]  # fmt: skip
    ways += [sign * face.normal for face in flats[:12] for sign in (1.0, -1.0)]
    axes = np.linalg.eigh(np.einsum("m,mi,mj->ij", surface.areas, surface.normals, surface.normals))[1].T
    ways += [sign * axis for axis in axes for sign in (1.0, -1.0)]
    height = 1.0 - (np.arange(_EVEN_DIRECTIONS) + 0.5) / _EVEN_DIRECTIONS * 2.0
    across, turn = np.sqrt(1.0 - height**2), _GOLDEN * np.arange(_EVEN_DIRECTIONS)
    ways += list(np.stack([across * np.cos(turn), across * np.sin(turn), height], axis=1))
    kept: list[Floats] = []
    for way in ways:
        near = [np.abs(way @ other) if asked.kind == "two-part" else way @ other for other in kept]
        if not near or max(near) < np.cos(np.radians(0.5)):
            kept.append(way)
    return kept


def _middle_place(surface: Surface, spread: Spread, rows: Ints) -> Place:
    """The place among `rows` of the spread nearest to their middle."""
    middle = spread.points[rows].mean(axis=0)
    nearest = rows[np.argmin(((spread.points[rows] - middle) ** 2).sum(axis=1))]
    return place(spread.points[nearest], surface.normals[spread.faces[nearest]])


def _least(drafts: Floats, counted: Flags) -> float | None:
    return max(float(drafts[counted].min()), 0.0) if counted.any() else None


def _least_draft(
    surface: Surface, drafts: Floats, free_area: Floats, known: Flags
) -> tuple[float | None, Place | None]:
    """The least draft angle of faces that release for the most part, degrees, and the largest such place."""
    rows = np.flatnonzero((free_area > 0.5 * surface.areas) & known)
    if not len(rows):
        return None, None
    least = max(float(drafts[rows].min()), 0.0)
    same = rows[drafts[rows] < least + _SAME_DRAFT_DEG]
    widest = same[np.argmax(surface.areas[same])]
    alike = same[surface.normals[same] @ surface.normals[widest] > np.cos(np.radians(10.0))]
    centres = surface.vertices[surface.faces[alike]].mean(axis=1)
    middle = (surface.areas[alike, None] * centres).sum(axis=0) / surface.areas[alike].sum()
    nearest = alike[np.argmin(((centres - middle) ** 2).sum(axis=1))]
    # The middle itself where it lies on the part, else the nearest of the faces.
    at = middle if abs(surface.closest(np.ascontiguousarray(middle[None]))[0][0]) < 1e-6 * surface.diagonal else None
    at = surface.vertices[surface.faces[nearest]].mean(axis=0) if at is None else at
    return least, place(at, surface.normals[nearest])
