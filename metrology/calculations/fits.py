"""A circle, a plane and a line through measured points, by least squares of the distances from them."""

from dataclasses import dataclass

import numpy as np

from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import amount, amounts, sentence, table
from metrology.calculations.plots import Axis, Plot, curve
from metrology.calculations.said import Quantity, say
from metrology.features.fit import fit_circle, fit_line, fit_plane

GEOMETRIC = Source("Orthogonal (geometric) least squares: the distances themselves are squared", "definition")


@dataclass(frozen=True)
class PlanPoint:
    x: float = amount("X", "mm")
    y: float = amount("Y", "mm")


@dataclass(frozen=True)
class SpacePoint:
    x: float = amount("X", "mm")
    y: float = amount("Y", "mm")
    z: float = amount("Z", "mm")


@dataclass(frozen=True)
class CircleInputs:
    points: tuple[PlanPoint, ...] = table("Measured points", PlanPoint, least=3, most=2000)


@dataclass(frozen=True)
class CircleResult:
    sentence: str = sentence()
    x: float = amount("Centre, x", "mm", decimals=3)
    y: float = amount("Centre, y", "mm", decimals=3)
    radius: float = amount("Radius", "mm", decimals=3)
    roundness: float = amount("Farthest outside to farthest inside", "mm", decimals=3)
    sum_of_squares: float = amount("Sum of squared distances, mm²", "1", decimals=6)
    arc: float = amount("Points go round", "°", decimals=0)
    residuals: tuple[float, ...] = amounts("Distances, positive outside", "mm", decimals=3)


def circle(inputs: CircleInputs) -> CircleResult:
    """The least-squares geometric circle. Errors: those of `metrology.features.fit.fit_circle`."""
    found = fit_circle(np.array([(point.x, point.y) for point in inputs.points]))
    radius = float(found.radius or 0.0)
    said = say(
        "The circle has a radius of {radius}; the points lie within {form} about it.",
        radius=Quantity(radius, "mm", 2),
        form=Quantity(found.form, "mm", 2),
    )
    return CircleResult(
        said, float(found.point[0]), float(found.point[1]), radius, found.form,
        float(found.residuals @ found.residuals), found.arc_deg, tuple(found.residuals.tolist()),
    )  # fmt: skip


def circle_plot(inputs: CircleInputs, result: CircleResult) -> tuple[Plot, ...]:
    round_it = np.linspace(0, 2 * np.pi, 181)
    ring = result.x + result.radius * np.cos(round_it), result.y + result.radius * np.sin(round_it)
    series = (
        curve(*ring, "line", "second"),
        curve([p.x for p in inputs.points], [p.y for p in inputs.points], "points"),
        curve([result.x], [result.y], "points", "third", "centre"),
    )
    return (Plot("Plan", Axis("X", "mm"), Axis("Y", "mm"), series, (), str(result.sentence), True),)


@dataclass(frozen=True)
class PlaneInputs:
    points: tuple[SpacePoint, ...] = table("Measured points", SpacePoint, least=3, most=2000)


@dataclass(frozen=True)
class PlaneResult:
    sentence: str = sentence()
    x: float = amount("Middle, x", "mm", decimals=3)
    y: float = amount("Middle, y", "mm", decimals=3)
    z: float = amount("Middle, z", "mm", decimals=3)
    normal_x: float = amount("Normal, x", "1", help="Its largest component is positive.")
    normal_y: float = amount("Normal, y", "1")
    normal_z: float = amount("Normal, z", "1")
    flatness: float = amount("Highest above to lowest below", "mm", decimals=3)
    residuals: tuple[float, ...] = amounts("Distances, positive along the normal", "mm", decimals=3)


def plane(inputs: PlaneInputs) -> PlaneResult:
    """The orthogonal least-squares plane. Errors: those of `metrology.features.fit.fit_plane`."""
    found = fit_plane(np.array([(point.x, point.y, point.z) for point in inputs.points]))
    normal = found.direction if found.direction is not None else np.zeros(3)
    found = found.turned_to(normal if normal[int(np.argmax(np.abs(normal)))] > 0 else -normal)
    normal = found.direction if found.direction is not None else np.zeros(3)
    said = say("The points lie within {form} of a plane.", form=Quantity(found.form, "mm", 2))
    x, y, z = found.point.tolist()
    a, b, c = normal.tolist()
    return PlaneResult(said, x, y, z, a, b, c, found.form, tuple(found.residuals.tolist()))


@dataclass(frozen=True)
class LineInputs:
    points: tuple[PlanPoint, ...] = table("Measured points", PlanPoint, least=2, most=2000)


@dataclass(frozen=True)
class LineResult:
    sentence: str = sentence()
    x: float = amount("Middle, x", "mm", decimals=3)
    y: float = amount("Middle, y", "mm", decimals=3)
    bearing: float = amount("Direction, from y towards x", "°", decimals=4, help="Between 0° and 180°.")
    normal_x: float = amount("Normal, x", "1")
    normal_y: float = amount("Normal, y", "1", help="Positive, or zero.")
    offset: float = amount("Distance of the line from zero along the normal", "mm", decimals=4)
    straightness: float = amount("Farthest to either side, together", "mm", decimals=3)
    residuals: tuple[float, ...] = amounts("Distances, positive along the normal", "mm", decimals=3)


def line(inputs: LineInputs) -> LineResult:
    """The orthogonal least-squares line in a plane. Errors: those of `metrology.features.fit.fit_line`."""
    points = np.array([(point.x, point.y, 0.0) for point in inputs.points])
    found = fit_line(points, lateral=np.array([0.0, 0.0, 1.0]))
    way = found.direction if found.direction is not None else np.array([1.0, 0.0, 0.0])
    normal = np.array([-way[1], way[0]])
    if normal[1] < 0 or (normal[1] == 0 and normal[0] < 0):
        normal = -normal
    residuals = (points[:, :2] - found.point[:2]) @ normal
    bearing = float(np.degrees(np.arctan2(way[0], way[1])) % 180)
    spread = float(np.ptp(residuals))
    said = say("The points lie within {form} of a straight line.", form=Quantity(spread, "mm", 2))
    return LineResult(
        said, float(found.point[0]), float(found.point[1]), bearing, float(normal[0]), float(normal[1]),
        float(found.point[:2] @ normal), spread, tuple(residuals.tolist()),
    )  # fmt: skip


def line_plot(inputs: LineInputs, result: LineResult) -> tuple[Plot, ...]:
    x, y = np.array([p.x for p in inputs.points]), np.array([p.y for p in inputs.points])
    way = np.array([np.sin(np.radians(result.bearing)), np.cos(np.radians(result.bearing))])
    along = (x - result.x) * way[0] + (y - result.y) * way[1]
    ends = np.array([along.min(), along.max()])
    series = (curve(result.x + ends * way[0], result.y + ends * way[1], "line", "second"), curve(x, y, "points"))
    return (Plot("Plan", Axis("X", "mm"), Axis("Y", "mm"), series, (), str(result.sentence), True),)


_ROUND = [(1000.4, 2.1), (866.9, 501.2), (498.7, 866.1), (-1.2, 999.3), (-501.1, 866.8), (-865.2, 499.6)]

CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="circle-fit",
        title="Circle through measured points",
        subject="Measuring",
        asks="What is the centre and the radius of these points?",
        inputs=CircleInputs,
        result=CircleResult,
        compute=circle,
        example=CircleInputs(tuple(PlanPoint(x, y) for x, y in _ROUND)),
        formula="Σ (distance from centre − R)² least: the geometric circle, not an algebraic one",
        sources=(GEOMETRIC,),
        cautions=("A short arc hardly tells a radius. Measure as far round as can be reached.",),
        plot=circle_plot,
    ),
    Calculation(
        name="plane-fit",
        title="Plane through measured points",
        subject="Measuring",
        asks="How flat are these points, and how do they lie?",
        inputs=PlaneInputs,
        result=PlaneResult,
        compute=plane,
        example=PlaneInputs(
            tuple(
                SpacePoint(x, y, z)
                for x, y, z in [(0.0, 0.0, 0.4), (600.0, 0.0, 1.1), (600.0, 400.0, 2.2), (0.0, 400.0, 0.9)]
            )
        ),
        formula="Σ (distance from the plane)² least",
        sources=(GEOMETRIC,),
    ),
    Calculation(
        name="line-fit",
        title="Straight line through measured points",
        subject="Measuring",
        asks="How straight are these points, and which way do they run?",
        inputs=LineInputs,
        result=LineResult,
        compute=line,
        example=LineInputs(
            tuple(
                PlanPoint(x, y)
                for x, y in [(0.0, 0.6), (500.0, 250.2), (1000.0, 499.1), (1500.0, 751.0), (2000.0, 1000.4)]
            )
        ),
        formula="Σ (distance from the line)² least, at right angles to it",
        sources=(GEOMETRIC,),
        plot=line_plot,
    ),
)
