"""Setting out a ring or a regular polygon from its centre: coordinates, and the distances that check them."""

from dataclasses import dataclass

import numpy as np

from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import amount, choice, sentence, table, text, whole
from metrology.calculations.plots import Axis, Plot, Series, curve
from metrology.calculations.problems import refuse
from metrology.calculations.said import Quantity, say

STAKES = (
    "Check every stake by a distance that did not set it out before anything is dug or poured. Call for services to be "
    "located first; a licensed surveyor and local codes govern."
)


@dataclass(frozen=True)
class RingInputs:
    points: int = whole("Points on the ring", lowest=3, highest=720)
    radius: float | None = amount("Radius to the points", "mm", shown="m", above=0.0, default=None, help="Or the side.")
    side: float | None = amount("Side: distance of neighbouring points", "mm", shown="m", above=0.0, default=None)
    start_bearing: float = amount(
        "Bearing of the first point", "°", lowest=0.0, below=360.0, default=0.0, help="From north, clockwise."
    )
    turning: str = choice(
        "Points follow", {"clockwise": "clockwise", "anticlockwise": "anticlockwise"}, default="clockwise"
    )
    east: float = amount("Centre, east", "mm", shown="m", default=0.0)
    north: float = amount("Centre, north", "mm", shown="m", default=0.0)
    offset: float = amount("Offset stakes outside the points by", "mm", shown="m", default=0.0)


@dataclass(frozen=True)
class RingPoint:
    point: str = text("Point")
    bearing: float = amount("Bearing", "°", decimals=4)
    east: float = amount("East", "mm", decimals=1)
    north: float = amount("North", "mm", decimals=1)
    stake_east: float = amount("Offset stake, east", "mm", decimals=1)
    stake_north: float = amount("Offset stake, north", "mm", decimals=1)


@dataclass(frozen=True)
class CheckDistance:
    apart: int = whole("Points apart")
    distance: float = amount("Distance", "mm", decimals=1)


@dataclass(frozen=True)
class RingResult:
    sentence: str = sentence()
    radius: float = amount("Radius", "mm", decimals=2)
    side: float = amount("Side", "mm", decimals=2)
    apothem: float = amount("Centre to the middle of a side", "mm", decimals=2)
    angle: float = amount("Angle at the centre", "°", decimals=4)
    perimeter: float = amount("All sides", "mm", decimals=1)
    points: tuple[RingPoint, ...] = table("Points", RingPoint)
    checks: tuple[CheckDistance, ...] = table("Check distances", CheckDistance)


def ring(inputs: RingInputs) -> RingResult:
    """Points, offset stakes and every different distance between points. Side = 2 R sin(180° ÷ N).

    Errors: no-size, two-sizes, stake-inside.
    """
    count = inputs.points
    half = np.pi / count
    if inputs.radius is not None and inputs.side is not None:
        raise refuse("/side", "Give the radius or the side, not both: they may not agree.", "two-sizes")
    if inputs.radius is not None:
        radius = inputs.radius
    elif inputs.side is not None:
        radius = inputs.side / (2 * np.sin(half))
    else:
        raise refuse("/radius", "Give the radius, or the side.", "no-size")
    if radius + inputs.offset <= 0:
        raise refuse("/offset", "The offset stakes would lie beyond the centre. Give a smaller offset.", "stake-inside")
    sense = 1 if inputs.turning == "clockwise" else -1
    bearings = (inputs.start_bearing + sense * np.arange(count) * 360 / count) % 360
    east, north = np.sin(np.radians(bearings)), np.cos(np.radians(bearings))
    points = tuple(
        RingPoint(
            str(number + 1), float(bearings[number]),
            float(inputs.east + radius * east[number]), float(inputs.north + radius * north[number]),
            float(inputs.east + (radius + inputs.offset) * east[number]),
            float(inputs.north + (radius + inputs.offset) * north[number]),
        )
        for number in range(count)
    )  # fmt: skip
    checks = tuple(CheckDistance(apart, float(2 * radius * np.sin(half * apart))) for apart in range(1, count // 2 + 1))
    side = checks[0].distance
    said = say(
        "{count} points {side} apart on a radius of {radius}; across, from point 1 to point {far}: {across}.",
        count=count,
        side=Quantity(side, "mm", 1),
        radius=Quantity(radius, "mm", 1),
        far=count // 2 + 1,
        across=Quantity(checks[-1].distance, "mm", 1),
    )
    return RingResult(said, radius, side, radius * float(np.cos(half)), 360 / count, side * count, points, checks)


def ring_plot(inputs: RingInputs, result: RingResult) -> tuple[Plot, ...]:
    east, north = [point.east for point in result.points], [point.north for point in result.points]
    names = tuple(point.point for point in result.points) if inputs.points <= 36 else ()
    series = [
        curve(east, north, "outline", "second"),
        Series(tuple(east), tuple(north), "points", names=names),
        curve([inputs.east], [inputs.north], "points", "third", "centre"),
    ]
    if inputs.offset:
        stakes = [p.stake_east for p in result.points], [p.stake_north for p in result.points]
        series.append(curve(*stakes, "points", "third", "offset stakes"))
    return (Plot("Plan", Axis("East", "mm"), Axis("North", "mm"), tuple(series), (), str(result.sentence), True),)


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="ring-setting-out",
        title="Ring or polygon from a centre stake",
        subject="Setting out",
        asks="Where do the points of a ring go, and which distances check them?",
        inputs=RingInputs,
        result=RingResult,
        compute=ring,
        example=RingInputs(12, 3000.0, None, 15.0, "clockwise", 0.0, 0.0, 1000.0),
        formula="side = 2 R sin(180° ÷ N); from point to the k-th next: 2 R sin(k × 180° ÷ N)",
        sources=(Source("Geometry of the circle", "definition"),),
        cautions=(STAKES,),
        plot=ring_plot,
    ),
)
