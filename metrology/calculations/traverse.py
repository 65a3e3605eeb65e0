"""A traverse: how well it closes, and its stations by Bowditch's rule and by least squares."""

from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats
from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import amount, choice, sentence, table, text, whole
from metrology.calculations.plots import Axis, Plot, Series
from metrology.calculations.problems import refuse
from metrology.calculations.ring_setting_out import STAKES
from metrology.calculations.said import Quantity, Said, say
from metrology.site.traverse import LeastSquares, Legs, adjust, bowditch, runs
from metrology.wording import number

# Angles that miss by more than this were turned the other way or belong to other stations, degrees.
_BLUNDER = 1.0


@dataclass(frozen=True)
class TraverseLeg:
    to: str = text("To station")
    direction: float = amount("Bearing of the leg, or angle", "°")
    distance: float = amount("Distance", "mm", shown="m", above=0.0)


@dataclass(frozen=True, kw_only=True)
class TraverseInputs:
    legs: tuple[TraverseLeg, ...] = table(
        "Legs in order",
        TraverseLeg,
        most=200,
        help="An angle is the one at the station where the leg begins, from the leg before to this leg.",
    )
    measured: str = choice(
        "Directions are",
        {
            "bearings": "bearings of the legs",
            "angles right": "angles, clockwise from the station before",
            "angles left": "angles, anticlockwise from the station before",
        },
        default="bearings",
    )
    first_bearing: float | None = amount(
        "Angles: bearing of the first leg",
        "°",
        lowest=0.0,
        below=360.0,
        default=None,
        help="The first angle checks it.",
    )
    back_bearing: float | None = amount(
        "Or bearing from the first station to its backsight", "°", lowest=0.0, below=360.0, default=None
    )
    closing_angle: float | None = amount("Angle at the last station to the closing sight", "°", default=None)
    closing_bearing: float | None = amount(
        "Known bearing of the closing sight", "°", lowest=0.0, below=360.0, default=None
    )
    start: str = text("First station", default="A")
    east: float = amount("First station, east", "mm", shown="m", default=0.0)
    north: float = amount("First station, north", "mm", shown="m", default=0.0)
    end_east: float | None = amount(
        "Known end, east", "mm", shown="m", default=None, help="Empty: back to the first station."
    )
    end_north: float | None = amount("Known end, north", "mm", shown="m", default=None)
    allowed_ratio: int = whole("Allowed: 1 in", lowest=1, default=5000)
    allowed_angle: float | None = amount("Allowed angular misclosure, all angles", "″", above=0.0, default=None)
    angle_sd: float = amount("Standard deviation of a bearing or angle", "″", above=0.0, default=5.0)
    distance_sd: float = amount("Standard deviation of a distance", "mm", above=0.0, default=2.0)
    distance_ppm: float = amount("Standard deviation of a distance, in proportion, ppm", "1", lowest=0.0, default=2.0)


@dataclass(frozen=True)
class BalancedLeg:
    leg: str = text("Leg")
    bearing: float = amount("Bearing, angles balanced", "°", decimals=4)
    departure: float = amount("Departure (east)", "mm", decimals=1)
    latitude: float = amount("Latitude (north)", "mm", decimals=1)
    balanced_departure: float = amount("Departure, Bowditch", "mm", decimals=1)
    balanced_latitude: float = amount("Latitude, Bowditch", "mm", decimals=1)
    adjusted_bearing: float = amount("Bearing, Bowditch", "°", decimals=4)
    adjusted_distance: float = amount("Distance, Bowditch", "mm", decimals=1)


@dataclass(frozen=True)
class StationFound:
    station: str = text("Station")
    east: float = amount("East, Bowditch", "mm", decimals=1)
    north: float = amount("North, Bowditch", "mm", decimals=1)
    least_squares_east: float = amount("East, least squares", "mm", decimals=1)
    least_squares_north: float = amount("North, least squares", "mm", decimals=1)
    sd_east: float = amount("Standard deviation, east", "mm", decimals=1)
    sd_north: float = amount("Standard deviation, north", "mm", decimals=1)


@dataclass(frozen=True)
class TraverseResult:
    sentence: str = sentence()
    result: str = choice("Closure", {"pass": "pass", "fail": "fail"})
    angular_misclosure: float | None = amount("Angular misclosure", "″", decimals=1, help="Observed minus right.")
    east_misclosure: float = amount("Misclosure, east", "mm", decimals=1, help="Found minus right.")
    north_misclosure: float = amount("Misclosure, north", "mm", decimals=1)
    misclosure: float = amount("Linear misclosure", "mm", decimals=1)
    length: float = amount("Length of the traverse", "mm", shown="m", decimals=0)
    ratio: float | None = amount("Relative precision, 1 in", "1", decimals=0, help="None where nothing is missing.")
    factor: float = amount(
        "Least squares: corrections over what was stated",
        "1",
        decimals=2,
        help="About 1 when the stated ones are right.",
    )
    differ: float = amount("Largest difference of the two adjustments", "mm", decimals=1)
    stations: tuple[StationFound, ...] = table("Stations", StationFound)
    legs: tuple[BalancedLeg, ...] = table("Legs", BalancedLeg)


def traverse(inputs: TraverseInputs) -> TraverseResult:
    """Angles are balanced equally, then Bowditch's rule; least squares takes angles and distances at once.

    Errors: one-leg, no-first-bearing, two-first-bearings, half-an-end, half-a-closing, angles-do-not-close.
    """
    start, end = np.array([inputs.east, inputs.north]), _end(inputs)
    lengths = np.array([leg.distance for leg in inputs.legs])
    given = np.radians([leg.direction for leg in inputs.legs])
    observed = _Observed.bearings(given) if inputs.measured == "bearings" else _Observed.angles(inputs, given)
    raw = runs(start, observed.fixed + observed.turns @ observed.balanced, lengths)
    shared = bowditch(start, raw, end)
    sd = np.full(len(observed.values), np.radians(inputs.angle_sd / 3600))
    strict = adjust(
        start, end, observed.values, lengths, observed.turns, observed.fixed, sd,
        np.hypot(inputs.distance_sd, inputs.distance_ppm * 1e-6 * lengths), observed.closing, observed.gap,
    )  # fmt: skip
    off = raw.ends[-1] - end
    missing, total = float(np.hypot(*off)), float(lengths.sum())
    missing = 0.0 if missing < 1e-9 * total else missing
    ratio = total / missing if missing else None
    angular = None if observed.closing is None else float(np.degrees(observed.gap) * 3600)
    good_ratio = ratio is None or ratio >= inputs.allowed_ratio * (1 - 1e-12)
    good_angle = angular is None or inputs.allowed_angle is None or abs(angular) <= inputs.allowed_angle + 1e-9
    return TraverseResult(
        _said(inputs, missing, ratio, angular, good_ratio, good_angle),
        "pass" if good_ratio and good_angle else "fail", angular, float(off[0]), float(off[1]), missing, total, ratio,
        strict.factor, float(np.hypot(*(strict.legs.ends - shared.ends).T).max()),
        _stations(inputs, shared, strict), _legs(inputs, start, raw, shared),
    )  # fmt: skip


@dataclass(frozen=True)
class _Observed:
    """values: (m,) radians. balanced: the same with the angular misclosure shared out. turns, fixed, closing, gap: as
    `metrology.site.traverse.adjust` takes them."""

    values: Floats
    balanced: Floats
    turns: Floats
    fixed: Floats
    closing: Floats | None
    gap: float

    @staticmethod
    def bearings(values: Floats) -> "_Observed":
        count = len(values)
        return _Observed(values, values, np.eye(count), np.zeros(count), None, 0.0)

    @staticmethod
    def angles(inputs: TraverseInputs, given: Floats) -> "_Observed":
        """Angles as turned clockwise; anticlockwise ones count as negative."""
        sense = 1.0 if inputs.measured == "angles right" else -1.0
        count = len(given)
        reverse = np.pi * np.arange(count)
        lower = np.tril(np.ones((count, count)))
        if (inputs.closing_angle is None) != (inputs.closing_bearing is None):
            raise refuse(
                "/closing_angle", "Give the closing angle and its known bearing, or neither.", "half-a-closing"
            )
        if inputs.first_bearing is not None and inputs.back_bearing is not None:
            raise refuse("/back_bearing", "Give one of the two bearings at the start, not both.", "two-first-bearings")
        if inputs.back_bearing is not None:
            values = given
            fixed = np.full(count, np.radians(inputs.back_bearing)) + reverse
            turns = sense * lower
            closing = None
            known: float | None = None
        elif inputs.first_bearing is not None:
            # The first leg is known; the first angle is the one that comes last, between the last leg and the first.
            lower[:, 0] = 0.0
            values, turns = given, sense * lower
            fixed = np.full(count, np.radians(inputs.first_bearing)) + reverse
            loop = inputs.end_east is None
            closing = sense * np.ones(count) if loop and inputs.closing_angle is None else None
            known = fixed[0] if closing is not None else None
        else:
            raise refuse(
                "/first_bearing", "Angles need a bearing to begin with: that of the first leg or of the backsight.",
                "no-first-bearing",
            )  # fmt: skip
        if inputs.closing_angle is not None and inputs.closing_bearing is not None:
            values = np.append(values, np.radians(inputs.closing_angle))
            turns = np.hstack([turns, np.zeros((count, 1))])
            closing = np.append(turns[-1, :-1], sense)
            known = float(np.radians(inputs.closing_bearing))
        if closing is None or known is None:
            return _Observed(values, values, turns, fixed, None, 0.0)
        reached = fixed[-1] + np.pi + closing @ values
        gap = float((reached - known + np.pi) % (2 * np.pi) - np.pi)
        if abs(np.degrees(gap)) > _BLUNDER:
            raise refuse(
                "/legs",
                f"The angles miss by {number(float(np.degrees(gap)), 2)}°. Check which way they were turned, and that "
                "each stands at the station where its leg begins.",
                "angles-do-not-close",
            )
        used = closing != 0
        return _Observed(values, values - np.where(used, closing, 0.0) * gap / used.sum(), turns, fixed, closing, gap)


def _end(inputs: TraverseInputs) -> Floats:
    if (inputs.end_east is None) != (inputs.end_north is None):
        raise refuse("/end_north", "Give both coordinates of the end, or neither for a loop.", "half-an-end")
    if inputs.end_east is None or inputs.end_north is None:
        if len(inputs.legs) < 2:
            raise refuse("/legs", "One leg does not come back. Add legs, or give the known end.", "one-leg")
        return np.array([inputs.east, inputs.north])
    return np.array([inputs.end_east, inputs.end_north])


def _said(
    inputs: TraverseInputs, missing: float, ratio: float | None, angular: float | None, good: bool, good_angle: bool
) -> Said:
    wanted = f"1 in {inputs.allowed_ratio}"
    closes = (
        say("The traverse closes exactly: pass. A closure without any misclosure is rare; see that it was measured.")
        if ratio is None
        else say(
            "The traverse closes to {off}, 1 in {ratio}: {verdict}.",
            off=Quantity(missing, "mm", 1),
            ratio=f"{int(ratio)}",
            verdict="pass" if good else f"fail, {wanted} is asked for",
        )
    )
    turned = (
        say("")
        if angular is None
        else say(
            " The angles miss by {angle}{verdict}.",
            angle=Quantity(angular, "″", 1),
            verdict="" if good_angle else f": fail, {inputs.allowed_angle:g}″ is allowed",
        )
    )
    again = "" if good and good_angle else " Look for a blunder and measure again before adjusting."
    return say("{closes}{turned}{again}", closes=closes, turned=turned, again=again)


def _stations(inputs: TraverseInputs, shared: Legs, strict: LeastSquares) -> tuple[StationFound, ...]:
    return tuple(
        StationFound(leg.to, *map(float, (*shared.ends[k], *strict.legs.ends[k], *strict.sd[k])))
        for k, leg in enumerate(inputs.legs)
    )


def _legs(inputs: TraverseInputs, start: Floats, raw: Legs, shared: Legs) -> tuple[BalancedLeg, ...]:
    names = [inputs.start, *(leg.to for leg in inputs.legs)]
    steps, balanced = (np.diff(np.vstack([start, legs.ends]), axis=0) for legs in (raw, shared))
    bearings, adjusted = np.degrees(raw.bearings) % 360, np.degrees(shared.bearings)
    return tuple(
        BalancedLeg(
            f"{names[k]}–{names[k + 1]}",
            *map(float, (bearings[k], *steps[k], *balanced[k], adjusted[k], shared.lengths[k])),
        )
        for k in range(len(inputs.legs))
    )


def traverse_plot(inputs: TraverseInputs, result: TraverseResult) -> tuple[Plot, ...]:
    east, north = [inputs.east, *(s.east for s in result.stations)], [inputs.north, *(s.north for s in result.stations)]
    names = (inputs.start, *(s.station for s in result.stations))
    if names[-1] == names[0] or inputs.end_east is None:
        names = (*names[:-1], "")
    series = (
        Series(tuple(east), tuple(north), "line", "second"),
        Series(tuple(east), tuple(north), "points", names=names),
    )
    return (Plot("Plan", Axis("East", "mm"), Axis("North", "mm"), series, (), str(result.sentence), True),)


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="traverse-closure",
        title="Traverse: closure and adjustment",
        subject="Setting out",
        asks="How well does this traverse close, and where are its stations?",
        inputs=TraverseInputs,
        result=TraverseResult,
        compute=traverse,
        example=TraverseInputs(
            legs=(
                TraverseLeg("B", 91.1694, 24_117.0),
                TraverseLeg("C", 91.7433, 18_641.0),
                TraverseLeg("D", 86.2472, 25_062.0),
                TraverseLeg("A", 90.8431, 17_759.0),
            ),
            measured="angles left",
            first_bearing=14.25,
            east=500_000.0,
            north=200_000.0,
        ),
        formula=(
            "departure = d sin β, latitude = d cos β; Bowditch: correction of a leg = −misclosure × d ÷ Σ d; "
            "least squares: Σ (correction ÷ standard deviation)² least, the traverse closed"
        ),
        sources=(
            Source("Bowditch's (compass) rule and least squares of a traverse", "from memory"),
            Source("1 in 5 000 as the allowed misclosure of a building site's traverse", "common practice, no source"),
        ),
        cautions=(
            STAKES,
            "An adjustment hides a blunder as well as it spreads small errors: it is for traverses that pass.",
        ),
        plot=traverse_plot,
    ),
)
