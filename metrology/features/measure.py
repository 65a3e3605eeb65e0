"""Features measured on a scan: points of chosen regions, the element fitted to them, and every value that it gives."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from metrology.alignment.region_motion import design_effect
from metrology.bodies import Floats, Ints
from metrology.errors import MetrologyError
from metrology.features.fit import fit_circle, fit_cylinder, fit_line, fit_plane, fit_sphere
from metrology.features.fitted import FeatureError, Fitted, Kind
from metrology.features.points import Extracted, Placed, extract, local_form, strewn
from metrology.features.values import GIVES, Figure, Found, Gives, angle, diameter, distance, form, position
from metrology.surfaces.selection import Chosen, Selection, choose
from metrology.surfaces.surface import Surface
from metrology.wording import count as counted
from metrology.wording import quantity

# Less of the region than this measured, edges left out, and the feature is not what was scanned. Common practice, no
# source.
COVERED = 0.5
# Places on the nominal that its own element is fitted to.
_ON_NOMINAL = 2000
# A region whose normals agree this well on the average is a strip of a face, not an edge or a rod.
_STRIP = 0.94


@dataclass(frozen=True)
class FeatureSpec:
    """A feature asked for: the points of any of the selections."""

    name: str
    kind: Kind
    selections: tuple[Selection, ...]


@dataclass(frozen=True)
class PairSpec:
    """A value of two features, by their names."""

    gives: Gives
    one: str
    other: str


@dataclass(frozen=True)
class FeatureResult:
    """A feature as measured, or why not. code and sentence: of the refusal, empty when it was measured.

    points: used of the region; left_out: nearer than edge_mm to an edge. coverage: share of the region with points.
    form_name: what its departure from form is called. figures: what it gives. fitted, found: None when refused.
    """

    name: str
    kind: Kind
    form_name: str
    points: int
    left_out: int
    edge_mm: float
    coverage: float
    figures: tuple[Figure, ...]
    code: str
    sentence: str
    found: Found | None = None

    @property
    def fitted(self) -> Fitted | None:
        return None if self.found is None else self.found.fitted


@dataclass(frozen=True)
class PairResult:
    """A value of two features, or why not."""

    spec: PairSpec
    figure: Figure | None
    code: str
    sentence: str


FORM_NAMES: dict[Kind, str] = {
    "plane": "flatness",
    "line": "straightness",
    "circle": "roundness",
    "cylinder": "cylindricity",
    "sphere": "departure from the sphere",
}


def nominal_feature(spec: FeatureSpec, surface: Surface) -> tuple[Fitted, Floats, float]:
    """The same element on the nominal; the middle (3,) of its region, and half its length along the element, mm.

    Raises FeatureError: no-face for regions that find nothing, not-on-nominal where the surface is no such element.
    """
    regions = _regions(spec, surface)
    nominal = _nominal(spec, regions)
    return (nominal, *_extent(regions, nominal))


def _regions(spec: FeatureSpec, surface: Surface) -> list[Chosen]:
    regions = [choose(selection, surface) for selection in spec.selections]
    if not any(chosen.count for chosen in regions):
        raise FeatureError("no-face", "Its region finds no face on this nominal. Choose the region anew.")
    return regions


def measure_feature(
    spec: FeatureSpec,
    surface: Surface,
    placed: Placed,
    *,
    instrument_mm: float,
    alignment: tuple[Floats, Floats] | None = None,
) -> FeatureResult:
    """Fit one feature. Nothing is raised for points that do not determine it: the result says why.

    instrument_mm: U, k = 2. alignment: covariance (6, 6) of the pose in mm and rad, and the place (3,) it is about.
    """
    taken: Extracted | None = None
    try:
        regions = _regions(spec, surface)
        nominal = _nominal(spec, regions)
        taken = extract(regions, placed)
        if not len(taken.points):
            raise FeatureError("not-measured", "No scan point lies on its region, away from the edges.")
        if taken.coverage < COVERED:
            raise FeatureError(
                "too-little-covered",
                f"Only {quantity(np.floor(100 * taken.coverage), '%', 0)} of its region was measured, and at least "
                f"{quantity(100 * COVERED, '%', 0)} is needed. Scan what is missing.",
            )
        fitted = _fit(spec.kind, taken, nominal)
        middle, reach = _extent(regions, nominal)
        effect = design_effect(np.sqrt(taken.weights) * fitted.residuals, taken.patches)
        found = Found(fitted, nominal, middle, reach, effect, instrument_mm, alignment)
        return _told(spec, taken, found)
    except MetrologyError as error:
        return FeatureResult(
            name=spec.name,
            kind=spec.kind,
            form_name=FORM_NAMES[spec.kind],
            points=0 if taken is None else len(taken.points),
            left_out=0 if taken is None else taken.left_out,
            edge_mm=0.0 if taken is None else taken.edge_mm,
            coverage=0.0 if taken is None else taken.coverage,
            figures=(),
            code=error.code,
            sentence=error.sentence,
        )


def measure_pair(spec: PairSpec, features: Mapping[str, FeatureResult]) -> PairResult:
    """Distance or angle of two features that were measured; which one was not is said otherwise."""
    for name in (spec.one, spec.other):
        result = features.get(name)
        if result is None or result.found is None:
            why = "is not known" if result is None else f"was not measured: {result.sentence}"
            return PairResult(spec, None, "feature-missing", f"“{name}” {why}")
    one, other = features[spec.one].found, features[spec.other].found
    assert one is not None and other is not None
    try:
        figure = distance(one, other) if spec.gives == "distance" else angle(one, other)
    except MetrologyError as error:
        return PairResult(spec, None, error.code, error.sentence)
    return PairResult(spec, figure, "", "")


def _told(spec: FeatureSpec, taken: Extracted, found: Found) -> FeatureResult:
    fitted = found.fitted
    off, unsure = local_form(fitted.residuals, taken)
    low, high = ((float(off[row]), float(unsure[row])) for row in (int(np.argmin(off)), int(np.argmax(off))))
    figures: list[Figure] = []
    for gives in GIVES[spec.kind]:
        if gives == "form":
            # Distances from a line in space: the width of the round zone is twice the greatest.
            in_space = spec.kind == "line" and fitted.influence.shape[2] == 2
            figures.append(form(found, (-high[0], high[1]) if in_space else low, high))
        elif gives == "diameter":
            figures.append(diameter(found))
        elif gives == "position":
            figures.append(position(found))
    return FeatureResult(
        name=spec.name,
        kind=spec.kind,
        form_name=FORM_NAMES[spec.kind],
        points=len(taken.points),
        left_out=taken.left_out,
        edge_mm=taken.edge_mm,
        coverage=taken.coverage,
        figures=tuple(figures),
        code="",
        sentence=_sentence(spec, taken, fitted),
        found=found,
    )


def _sentence(spec: FeatureSpec, taken: Extracted, fitted: Fitted) -> str:
    steps = f"in {counted(fitted.iterations, 'step')}" if fitted.iterations else "in closed form"
    arc = f", over {quantity(fitted.arc_deg, '', 0)}° of it" if fitted.radius and fitted.arc_deg < 300 else ""
    edge = f", {quantity(taken.edge_mm, 'mm', 1)} or more from edges" if taken.edge_mm > 0 else ""
    return (
        f"Least-squares {spec.kind}, geometric, through {counted(len(taken.points), 'point')}{arc}{edge}; found "
        f"{steps}, scatter {quantity(fitted.rms, 'mm', 3)}. {FORM_NAMES[spec.kind].capitalize()} is the range of what "
        f"stands off it, with noise averaged out in {counted(len(np.unique(taken.cells)), 'cell')}."
    )


def _fit(kind: Kind, taken: Extracted, nominal: Fitted) -> Fitted:
    """The element through the points, begun from the nominal one and turned the same way."""
    points, weights, way = taken.points, taken.weights, nominal.direction
    if kind == "plane":
        fitted = fit_plane(points, weights)
    elif kind == "line":
        fitted = fit_line(points, weights, _lateral(nominal))
    elif kind == "circle":
        fitted = fit_circle(points, weights, axis=way)
    elif kind == "cylinder":
        fitted = fit_cylinder(points, weights, axis=way)
    else:
        fitted = fit_sphere(points, weights)
    return fitted if way is None else fitted.turned_to(way)


def _nominal(spec: FeatureSpec, regions: Sequence[Chosen]) -> Fitted:
    """The element of the nominal surface. What is round is fitted to the corners of its faces where it can be: these
    lie on the true surface, which the flat faces between them only come near to."""
    surface = regions[0].surface
    places, faces = strewn(regions, _ON_NOMINAL)
    normals = surface.normals[faces]
    try:
        if spec.kind == "plane":
            return fit_plane(places).turned_to(normals.mean(axis=0))
        if spec.kind == "line":
            return _nominal_line(places, normals)
        corners = _corners(regions)
        on = places if corners is None else corners
        if spec.kind == "sphere":
            return fit_sphere(on)
        axis = _axis(normals)
        fitted = fit_circle(on, axis=axis) if spec.kind == "circle" else fit_cylinder(on, axis=axis)
        return fitted.turned_to(_steady(fitted.direction))
    except FeatureError as error:
        raise FeatureError(
            "not-on-nominal", f"The nominal has no {spec.kind} in this region: {error.sentence}"
        ) from None


def _nominal_line(places: Floats, normals: Floats) -> Fitted:
    mean = normals.mean(axis=0)
    if float(np.linalg.norm(mean)) < _STRIP:
        fitted = fit_line(places)
        return fitted.turned_to(_steady(fitted.direction))
    # A strip of a face: the line runs its long way, and only what stands off along the normal counts.
    normal = mean / np.linalg.norm(mean)
    away = places - places.mean(axis=0)
    away = away - np.outer(away @ normal, normal)
    _, _, ways = np.linalg.svd(away, full_matrices=False)
    along = ways[0] - float(ways[0] @ normal) * normal
    along = along / np.linalg.norm(along)
    lateral = np.cross(normal, along)
    return fit_line(places, lateral=lateral).turned_to(_steady(along))


def _lateral(nominal: Fitted) -> Floats | None:
    """The direction that does not count for a line on a strip; None for a line in space."""
    if nominal.influence.shape[2] == 2 or nominal.direction is None:
        return None
    normal = nominal.d_direction[:, 1]
    return np.asarray(np.cross(nominal.direction, normal))


def _axis(normals: Floats) -> Floats:
    """The direction at right angles to as many normals as can be."""
    return np.asarray(np.linalg.eigh(np.einsum("ni,nj->ij", normals, normals))[1][:, 0])


def _steady(direction: Floats | None) -> Floats:
    """The way along a direction that has its greatest component positive."""
    way = np.asarray(direction)
    return way if way[int(np.argmax(np.abs(np.round(way, 9))))] >= 0 else -way


def _corners(regions: Sequence[Chosen]) -> Floats | None:
    """Corners of the faces, if all of these belong in whole; None if some are cut, or there are too few."""
    surface = regions[0].surface
    share = np.max([chosen.share for chosen in regions], axis=0)
    if ((share > 0) & (share < 1)).any():
        return None
    rows: Ints = np.unique(surface.faces[share > 0])
    return surface.vertices[rows] if len(rows) >= 12 else None


def _extent(regions: Sequence[Chosen], nominal: Fitted) -> tuple[Floats, float]:
    """Middle of the nominal region (3,), and half its length along the nominal direction."""
    places, _ = strewn(regions, _ON_NOMINAL)
    middle = places.mean(axis=0)
    if nominal.direction is None:
        return middle, 0.0
    along = places @ nominal.direction
    low, high = float(along.min()), float(along.max())
    middle = middle + ((low + high) / 2 - float(middle @ nominal.direction)) * nominal.direction
    return middle, (high - low) / 2
