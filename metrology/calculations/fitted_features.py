"""A sphere and a cylinder through measured points, by least squares of the distances from them."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats
from metrology.calculations.calculation import AnyCalculation, Calculation
from metrology.calculations.fields import amount, sentence, table, whole
from metrology.calculations.fits import GEOMETRIC, SpacePoint
from metrology.calculations.said import Quantity, Said, say
from metrology.features.fit import fit_cylinder, fit_sphere
from metrology.features.fitted import Fitted

MOST = 2000


@dataclass(frozen=True)
class SphereInputs:
    points: tuple[SpacePoint, ...] = table("Points", SpacePoint, least=4, most=MOST)


@dataclass(frozen=True)
class CylinderInputs:
    points: tuple[SpacePoint, ...] = table("Points", SpacePoint, least=5, most=MOST)


@dataclass(frozen=True)
class SphereResult:
    sentence: str = sentence()
    x: float = amount("Centre, x", "mm", decimals=3)
    y: float = amount("Centre, y", "mm", decimals=3)
    z: float = amount("Centre, z", "mm", decimals=3)
    radius: float = amount("Radius", "mm", decimals=3)
    diameter: float = amount("Diameter", "mm", decimals=3)
    form: float = amount("Farthest out to farthest in", "mm", decimals=3)
    rms: float = amount("Root mean square distance from the sphere", "mm", decimals=4)
    worst: int = whole("Point farthest from the sphere")


@dataclass(frozen=True)
class CylinderResult:
    sentence: str = sentence()
    x: float = amount("Point on the axis, x", "mm", decimals=3)
    y: float = amount("Point on the axis, y", "mm", decimals=3)
    z: float = amount("Point on the axis, z", "mm", decimals=3)
    direction_x: float = amount("Direction of the axis, x", "1", decimals=8)
    direction_y: float = amount("Direction of the axis, y", "1", decimals=8)
    direction_z: float = amount("Direction of the axis, z", "1", decimals=8)
    radius: float = amount("Radius", "mm", decimals=3)
    diameter: float = amount("Diameter", "mm", decimals=3)
    cylindricity: float = amount("Cylindricity: farthest out to farthest in", "mm", decimals=3)
    rms: float = amount("Root mean square distance from the cylinder", "mm", decimals=4)
    worst: int = whole("Point farthest from the cylinder")


def sphere(inputs: SphereInputs) -> SphereResult:
    """Least-squares geometric sphere. Errors: on-one-line, in-a-plane, short-arc, not-converged."""
    found = fit_sphere(_space(inputs.points))
    assert found.radius is not None
    worst, far = _worst(found.residuals)
    said = _round_says(found, "", worst, far, len(inputs.points) == 4)
    return SphereResult(
        said, float(found.point[0]), float(found.point[1]), float(found.point[2]), found.radius, 2 * found.radius,
        found.form, found.rms, worst + 1,
    )  # fmt: skip


def cylinder(inputs: CylinderInputs) -> CylinderResult:
    """Least-squares geometric cylinder. Errors: on-one-line, in-a-plane, short-arc, not-converged."""
    found = fit_cylinder(_space(inputs.points))
    assert found.radius is not None and found.direction is not None
    worst, far = _worst(found.residuals)
    way = _upright(found.direction)
    said = _round_says(found, f" over {found.arc_deg:.0f}°", worst, far, len(inputs.points) == 5)
    return CylinderResult(
        said, float(found.point[0]), float(found.point[1]), float(found.point[2]), float(way[0]), float(way[1]),
        float(way[2]), found.radius, 2 * found.radius, found.form, found.rms, worst + 1,
    )  # fmt: skip


def _round_says(found: Fitted, arc: str, worst: int, far: float, few: bool) -> Said:
    return say(
        "Diameter {diameter}{arc}, round within {form}; point {worst} is farthest {way}, by {far}.{few}",
        diameter=Quantity(2 * float(found.radius or 0.0), "mm", 3), arc=arc, form=_mm(found.form), worst=worst + 1,
        way="out" if far > 0 else "in", far=_mm(abs(far)), few=_few(few),
    )  # fmt: skip


def _few(fewest: bool) -> str:
    return " So few points always fit: this checks nothing. Measure more." if fewest else ""


def _space(points: tuple[SpacePoint, ...]) -> Floats:
    return np.array([(one.x, one.y, one.z) for one in points])


def _worst(distances: Floats) -> tuple[int, float]:
    at = int(np.argmax(np.abs(distances)))
    return at, float(distances[at])


def _upright(way: Floats) -> Floats:
    """The same direction with its last coordinate that is not nothing positive: one answer for one element."""
    big = [part for part in way.tolist() if abs(part) > 1e-12]
    return way if big[-1] > 0 else -way


def _mm(value: float) -> Quantity:
    return Quantity(float(value), "mm", 3)


NAMED = (
    "Other fits (least zone, largest inscribed, algebraic) give other figures. Compare like with like.",
    "How sure the figures are depends on the instrument and on how far the points go round or along.",
)


def _calculation(
    name: str, title: str, asks: str, shapes: tuple[type, type], compute: Callable[..., object], example: object
) -> AnyCalculation:
    return Calculation(
        name=name, title=title, subject="Measuring", asks=asks, inputs=shapes[0], result=shapes[1],
        compute=compute, example=example, formula="Σ distance² least", sources=(GEOMETRIC,), cautions=NAMED,
    )  # fmt: skip


CALCULATIONS: tuple[AnyCalculation, ...] = (
    _calculation(
        "sphere-fit", "Sphere through points", "Where is the centre of a ball, and how round is it?",
        (SphereInputs, SphereResult), sphere,
        SphereInputs(tuple(SpacePoint(x, y, z) for x, y, z in (
            (35.0, 10.1, 5.0), (-15.0, 10.0, 5.1), (10.0, 35.1, 5.0), (10.1, -15.0, 5.0), (10.0, 10.0, 30.0),
            (24.5, 24.4, 19.4),
        ))),
    ),
    _calculation(
        "cylinder-fit", "Cylinder through points", "Where does the axis of a bore or post run, and how true is it?",
        (CylinderInputs, CylinderResult), cylinder,
        CylinderInputs(tuple(SpacePoint(x, y, z) for x, y, z in (
            (12.1, 0.0, 0.0), (0.0, 12.0, 0.0), (-12.0, 0.1, 0.0), (0.0, -12.0, 0.1), (12.0, 0.1, 50.0),
            (0.1, 12.0, 50.0), (-12.0, 0.0, 50.1), (0.0, -11.9, 50.0), (8.5, 8.5, 25.0), (-8.5, -8.5, 25.0),
        ))),
    ),
)  # fmt: skip
