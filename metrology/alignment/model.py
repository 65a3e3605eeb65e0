"""What an alignment is asked to rest on, and what is reported of it. Plain data.

Three kinds: `DatumAlignment` (3-2-1 on chosen regions of the nominal), `MarkedPoints` (pairs of a scan point and a
nominal point) and `BestFit` (all of the surface, from an unknown pose). All are rigid: never scaled, never mirrored.
"""

from dataclasses import dataclass, replace
from typing import Literal

from metrology.alignment.pose import Pose
from metrology.bodies import Floats
from metrology.surfaces.selection import Selection

DATUM, MARKED, BEST_FIT = "datum alignment", "marked points", "best fit"

Vector = tuple[float, float, float]


@dataclass(frozen=True)
class DatumRegion:
    """A chosen part of the nominal surface that a datum is taken from."""

    name: str
    selection: Selection


@dataclass(frozen=True)
class MarkedPair:
    """The same place twice. scan: (x, y, z) mm in the scan's own frame; in `compare`, that of the file. nominal: mm, in
    the nominal frame."""

    scan: Vector
    nominal: Vector
    name: str = ""


@dataclass(frozen=True)
class MarkedPoints:
    """Three pairs or more, fitted by least squares without weights.

    refined: afterwards fitted to the whole surface from there, as `BestFit` does from an unknown pose; the report
    says so and how far that moved the part.
    """

    pairs: tuple[MarkedPair, ...]
    refined: bool = False


@dataclass(frozen=True)
class DatumAlignment:
    """Three degrees of freedom from the primary region (a plane), two from the secondary (a line on that plane), one
    from the tertiary (a point on that line), in this order, as datums are given on a drawing.

    start: where to begin looking; None looks for the part from an unknown pose.
    """

    primary: DatumRegion
    secondary: DatumRegion
    tertiary: DatumRegion
    start: MarkedPoints | None = None


@dataclass(frozen=True)
class Locked:
    """A motion that the best fit may not use: sliding along an axis of the nominal frame, or turning about it."""

    motion: Literal["along", "about"]
    axis: Vector


@dataclass(frozen=True)
class BestFit:
    """The pose with the least distance between scan and nominal, strays left out.

    start: None searches from an unknown pose; an alignment is carried out first and then refined from there; a
    (4, 4) rigid matrix, scan to nominal, row by row, is taken as it is. locked: motions kept as the start has them, of
    the part about the middle of the nominal surface; they need a start.
    """

    start: "DatumAlignment | MarkedPoints | tuple[Vector4, ...] | None" = None
    locked: tuple[Locked, ...] = ()


Vector4 = tuple[float, float, float, float]
Alignment = DatumAlignment | MarkedPoints | BestFit


def about_origin(asked: Alignment, origin: Vector) -> Alignment:
    """The same for a scan whose coordinates are counted from `origin`, a point of its own frame, mm."""
    if not any(origin):
        return asked
    match asked:
        case MarkedPoints(pairs):
            moved = [(x - origin[0], y - origin[1], z - origin[2]) for x, y, z in (pair.scan for pair in pairs)]
            return replace(asked, pairs=tuple(replace(pair, scan=at) for pair, at in zip(pairs, moved, strict=True)))
        case DatumAlignment(start=MarkedPoints() as start) | BestFit(start=DatumAlignment() | MarkedPoints() as start):
            return replace(asked, start=about_origin(start, origin))  # type: ignore[arg-type]
        case BestFit(start=(one, two, three, last)):
            rows = [(a, b, c, d + a * origin[0] + b * origin[1] + c * origin[2]) for a, b, c, d in (one, two, three)]
            return replace(asked, start=(*rows, last))
    return asked


@dataclass(frozen=True)
class Support:
    """One thing that the alignment rests on.

    role: "primary plane", "secondary line", "tertiary point", "pair" or "whole surface". points: scan points used.
    coverage: share of the region's area with such points; NaN for pairs. rms: mm, of their distances from the region,
    or from the nominal point of the pair. worst: signed mm, positive outside nominal; for a pair the distance.
    trimmed_share: points given no weight. offset: (3,) mm, scan point placed minus nominal point; for pairs only.
    """

    name: str
    role: str
    points: int
    coverage: float
    rms: float
    worst: float
    trimmed_share: float = 0.0
    offset: Floats | None = None


@dataclass(frozen=True)
class OtherPose:
    """The best clearly different pose. rms: mm, over the points that either pose explains; best_rms: of the pose
    chosen, over the same points. almost: it fits almost as well. words: how the part would have to be moved to get
    there, such as "half a turn about the up axis". matrix: (4, 4), scan to nominal."""

    rms: float
    best_rms: float
    almost: bool
    words: str
    matrix: Floats


@dataclass(frozen=True)
class PoseUncertainty:
    """How surely the pose is known from these points.

    covariance: (6, 6) of a small motion of the placed scan about `at` (3,): sliding along x, y, z in mm, then turning
    about x, y, z in rad. slide_mm, turn_deg: (3,) expanded, along and about x, y, z; infinite where free. Expanded is
    k = 2, or for few marked points Student's factor of the same probability.
    deviation_mm: the most that this changes the deviation of any place on the nominal (motion along its normal), and
    displacement_mm: the farthest that it moves any place on the nominal, both expanded; free motions do not count.
    free: motions that nothing determines, in words (a round part turns about its axis).
    independent_points: so many unrelated points would tell as much: neighbours that err alike count once.
    """

    covariance: Floats
    at: Floats
    slide_mm: Floats
    turn_deg: Floats
    deviation_mm: float
    displacement_mm: float
    free: tuple[str, ...]
    independent_points: float


@dataclass(frozen=True)
class AlignmentReport:
    """What the placing of a scan rests on.

    kind: "datum alignment", "marked points" or "best fit". basis: one sentence, what it rests on. pose: scan to
    nominal. coverage: share of the nominal surface with points used to align by. other: None if the search left no
    clearly different pose, or none was sought. notes: what else a reader must know, a sentence each.
    """

    kind: str
    basis: str
    pose: Pose
    coverage: float
    supports: tuple[Support, ...]
    other: OtherPose | None
    uncertainty: PoseUncertainty
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Difference:
    """What changes when the part is placed by best fit instead of the verdict's alignment.

    slide_mm: (3,) how best fit moves the middle of the nominal surface along x, y, z. turn_deg: (3,) how it turns the
    part about x, y, z. greatest_mm: the farthest it moves any place of the nominal. tilt_mm: (3,) height that the turn
    about each axis makes over the width of the part across that axis. words: one or two sentences.
    """

    slide_mm: Floats
    turn_deg: Floats
    tilt_mm: Floats
    greatest_mm: float
    words: str
