"""Does the scan have the size of the nominal? Catches a wrong unit before anything is compared."""

import math
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from scipy.spatial import cKDTree

from metrology.amounts.units import LENGTH_IN_MM, UNIT_NAMES, mm_per
from metrology.bodies import Cloud, Floats, Mesh
from metrology.errors import AlignmentError, UnitError
from metrology.surfaces.mesh_facts import twice_area_vectors_length

Sizes = tuple[float, float, float]

# How far from a conversion factor a size may lie and still be taken for it: parts shrink, scans miss edges.
NEAR = 0.12
# Factors that come from mixing units up, also where neither unit can be named.
USUAL_FACTORS = (2.54, 10.0, 12.0, 25.4, 304.8, 1000.0)
# Below this factor a partial scan could be taken for a wrong unit, so every side has to show the factor.
SMALL_FACTOR = 8.0
TOO_BIG = 2.2
TOO_SMALL = 8.0
# Sides shorter than this share of the longest say little: noise and warp change them too much.
TELLING_SIDE = 0.1

SAMPLES = 2000
# Strays stand out better the more points there are: they fill a space, the part only a surface.
SAMPLES_WITH_STRAYS = 20_000
DIRECTIONS = 600
# Points that all directions are tried with, and how many of these are kept.
SCREENED, KEPT = 500, 60
TRIMMED = 0.01
NEIGHBOURS = 8
STRAY = 3.0


class SizeMismatchError(UnitError):
    """The scan's size differs from the nominal's by a conversion factor between units.

    nominal_size, scan_size: sides of the smallest box around each, longest first, mm, as stated.
    likely_unit: the unit in which the scan would fit, or None.
    """

    def __init__(self, sentence: str, nominal_size: Sizes, scan_size: Sizes, likely_unit: str | None) -> None:
        super().__init__("size-mismatch", sentence)
        self.nominal_size = nominal_size
        self.scan_size = scan_size
        self.likely_unit = likely_unit


def check_size(nominal: Mesh, scan: Cloud, unit: str) -> None:
    """Return when the scan, read in `unit`, can be a scan of the nominal or of a piece of it.

    Both may lie in any pose. Stray points and missing areas are allowed for, see `box_sides`.
    Raises SizeMismatchError (size-mismatch) when the sizes differ by a factor between units, within 12 %, and
    AlignmentError (wrong-size) when the scan is more than 2.2 times as big, or less than an eighth.
    """
    with ThreadPoolExecutor(1) as beside:
        nominal_sides = beside.submit(lambda: box_sides(surface_samples(nominal)))
        found = box_sides(thinned(without_strays(thinned(scan.points, SAMPLES_WITH_STRAYS)), SAMPLES))
        wanted = nominal_sides.result()
    factor = mm_per(unit)
    sides = np.array(wanted), np.array(found)
    both = f"The scan measures {in_words(found)} but the nominal {in_words(wanted)}."
    likely = next(
        (other for other, mm in LENGTH_IN_MM.items() if other != unit and _differ_by(*sides, mm / factor)), None
    )
    if likely:
        raise SizeMismatchError(
            f"{both} Read in {UNIT_NAMES[likely]} it would fit: choose {likely} as the unit and run it again.",
            wanted,
            found,
            likely,
        )
    if any(_differ_by(*sides, f) or _differ_by(*sides, 1 / f) for f in USUAL_FACTORS):
        raise SizeMismatchError(
            f"{both} The two differ by a factor between units, but no other unit for this scan would fit: "
            "check the unit of the nominal and the export settings of the scanner.",
            wanted,
            found,
            None,
        )
    ratio = math.dist(found, (0, 0, 0)) / math.dist(wanted, (0, 0, 0))
    if ratio > TOO_BIG:
        raise AlignmentError(
            "wrong-size",
            f"{both} That is {ratio:.1f} times as big: check the unit and that it is a scan of this part, "
            "and cut away the table and whatever else was scanned with it.",
        )
    if ratio * TOO_SMALL < 1:
        raise AlignmentError(
            "wrong-size",
            f"{both} That is too small a piece to place: check the unit and that it is a scan of this part, "
            "and scan more of it.",
        )


def _differ_by(wanted: Floats, found: Floats, factor: float) -> bool:
    """True when nominal sides are `factor` times the scan's. A partial scan makes ratios larger, never smaller."""
    with np.errstate(divide="ignore", invalid="ignore"):
        ratios = wanted / found / factor
    telling = ratios[wanted >= TELLING_SIDE * wanted.max()]
    if not abs(telling.min() - 1) <= NEAR:
        return False
    if 1 < factor < SMALL_FACTOR:
        return bool(telling.max() <= 1 + NEAR and ratios.min() >= factor**-0.5)
    return bool(np.median(telling) <= 2.0)


def surface_samples(mesh: Mesh, number: int = SAMPLES) -> Floats:
    """Points spread evenly over the surface by area, (number, 3) mm; always the same ones for the same mesh."""
    areas = np.cumsum(twice_area_vectors_length(mesh))
    face = np.searchsorted(areas, (np.arange(number) + 0.5) / number * areas[-1])
    random = np.random.default_rng(7)
    along, across = np.sqrt(random.random(number))[:, None], random.random(number)[:, None]
    a, b, c = (mesh.vertices[mesh.faces[np.minimum(face, len(areas) - 1), corner]] for corner in range(3))
    points: Floats = a * (1 - along) + b * (along * (1 - across)) + c * (along * across)
    return points


def thinned(points: Floats, number: int) -> Floats:
    """At most `number` of the points, picked at random but always the same ones."""
    if len(points) <= number:
        return points
    return points[np.sort(np.random.default_rng(7).choice(len(points), number, replace=False, shuffle=False))]


def without_strays(points: Floats) -> Floats:
    """The points whose neighbours are not much farther away than is usual among them."""
    reach = min(NEIGHBOURS, len(points) - 1)
    tree = cKDTree(points, compact_nodes=False, balanced_tree=False)
    distance = tree.query(points, k=[reach + 1], workers=-1)[0][:, 0]
    kept: Floats = points[distance <= STRAY * np.median(distance)]
    return kept


def box_sides(points: Floats) -> Sizes:
    """Sides of the slimmest box around (n, 3) points in any pose, longest first, in the unit of the points.

    The box has the direction of least width as one axis and, across it, the direction of least width again. Widths
    reach from the 1 % to the 99 % quantile, so that single points count for nothing.
    """
    centred = points - np.median(points, axis=0)
    _, _, axes = np.linalg.svd(centred, full_matrices=False)
    flattest = _least_width(centred, np.concatenate([_half_sphere(), np.eye(3), axes]))
    across = _least_width(centred, _half_circle(flattest), about=flattest)
    along = np.cross(flattest, across)
    widths = sorted((float(w) for w in _widths(centred, np.array([flattest, across, along]))), reverse=True)
    return widths[0], widths[1], widths[2]


def in_words(sides: Sizes) -> str:
    """“400 × 300 × 200 mm”, with two or three figures each: the sides are estimates."""
    return " × ".join(f"{s:,.0f}" if s >= 100 else f"{float(f'{s:.{2 + (s >= 10)}g}'):g}" for s in sides) + "\u00a0mm"


def _widths(points: Floats, directions: Floats) -> Floats:
    along = directions @ points.T
    cut = int(len(points) * TRIMMED)
    along.partition((cut, len(points) - 1 - cut), axis=1)
    widths: Floats = along[:, len(points) - 1 - cut] - along[:, cut]
    return widths


def _least_width(points: Floats, directions: Floats, about: Floats | None = None) -> Floats:
    """The direction of least width among `directions` and, more finely, around the best; across `about` when given."""
    # A quarter of the points shows which directions are worth measuring with all.
    rough = np.argsort(_widths(points[:: max(len(points) // SCREENED, 1)], directions), kind="stable")[:KEPT]
    best: Floats = directions[rough[_widths(points, directions[rough]).argmin()]]
    for spread in (0.06, 0.02, 0.006, 0.002):
        near = best + spread * np.random.default_rng(7).uniform(-1, 1, (60, 3))
        if about is not None:
            near -= np.outer(near @ about, about)
        near = np.concatenate([best[None], near / np.linalg.norm(near, axis=1, keepdims=True)])
        best = near[_widths(points, near).argmin()]
    return best


def _half_sphere() -> Floats:
    """Directions spread evenly over half a sphere, on a spiral."""
    height = (np.arange(DIRECTIONS) + 0.5) / DIRECTIONS
    turn = np.arange(DIRECTIONS) * math.pi * (3 - math.sqrt(5))
    radius = np.sqrt(1 - height**2)
    return np.column_stack([radius * np.cos(turn), radius * np.sin(turn), height])


def _half_circle(axis: Floats) -> Floats:
    """Directions across `axis`, one for each degree of half a turn."""
    first = np.cross(axis, np.eye(3)[np.abs(axis).argmin()])
    first /= np.linalg.norm(first)
    turn = np.radians(np.arange(180))[:, None]
    directions: Floats = np.cos(turn) * first + np.sin(turn) * np.cross(axis, first)
    return directions
