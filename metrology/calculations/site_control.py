"""Site control: a 2-D similarity between two sets of coordinates, the two-peg test, the plane of a pad."""

from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats
from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import amount, choice, flag, sentence, share, table, text
from metrology.calculations.problems import refuse
from metrology.calculations.ring_setting_out import STAKES
from metrology.calculations.said import Quantity, say

MIRRORED = " Mirrored they fit much better: check whether east and north, or left and right, were exchanged."

# ---- similarity ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class PointPair:
    name: str = text("Point")
    x: float = amount("Drawing x", "mm", shown="m")
    y: float = amount("Drawing y", "mm", shown="m")
    east: float = amount("East", "mm", shown="m")
    north: float = amount("North", "mm", shown="m")


@dataclass(frozen=True)
class OwnPoint:
    name: str = text("Point")
    x: float = amount("Drawing x", "mm", shown="m")
    y: float = amount("Drawing y", "mm", shown="m")


@dataclass(frozen=True)
class SimilarityInputs:
    control: tuple[PointPair, ...] = table("Control points in both systems", PointPair, least=2, most=500)
    others: tuple[OwnPoint, ...] = table("Points to carry over", OwnPoint, least=0, default=())
    keep_scale: bool = flag("Keep lengths as they are (scale 1)", default=False)


@dataclass(frozen=True)
class ControlResidual:
    name: str = text("Point")
    east: float = amount("East, found minus given", "mm", decimals=1)
    north: float = amount("North, found minus given", "mm", decimals=1)


@dataclass(frozen=True)
class CarriedPoint:
    name: str = text("Point")
    east: float = amount("East", "mm", decimals=1)
    north: float = amount("North", "mm", decimals=1)


@dataclass(frozen=True)
class SimilarityResult:
    sentence: str = sentence()
    a: float = amount("Scale × cosine of the rotation", "1")
    b: float = amount("Scale × sine of the rotation", "1")
    east_shift: float = amount("Shift, east", "mm", decimals=2)
    north_shift: float = amount("Shift, north", "mm", decimals=2)
    rotation: float = amount("Rotation, anticlockwise", "°", decimals=6)
    scale: float = amount("Scale", "1")
    standard_deviation: float | None = amount("Standard deviation of one coordinate", "mm", decimals=2)
    worst: str = text("Point that fits worst")
    residuals: tuple[ControlResidual, ...] = table("Residuals", ControlResidual)
    carried: tuple[CarriedPoint, ...] = table("Carried over", CarriedPoint)


def similarity(inputs: SimilarityInputs) -> SimilarityResult:
    """Least squares: east = a x − b y + shift, north = b x + a y + shift. Two points leave nothing to check.

    Error: same-place, when all control points coincide.
    """
    own = np.array([(pair.x, pair.y) for pair in inputs.control])
    site = np.array([(pair.east, pair.north) for pair in inputs.control])
    own_middle, site_middle = own.mean(axis=0), site.mean(axis=0)
    x, y = (own - own_middle).T
    east, north = (site - site_middle).T
    size = float(x @ x + y @ y)
    if size <= 1e-12 * max(1.0, float(np.abs(own).max()) ** 2):
        raise refuse("/control", "The control points lie in one place. Give points that are far apart.", "same-place")
    a, b = float(x @ east + y @ north) / size, float(x @ north - y @ east) / size
    unknowns = 4
    if inputs.keep_scale:
        length = float(np.hypot(a, b))
        if length == 0:
            raise refuse("/control", "These points give no direction. Check that they are paired rightly.", "no-turn")
        a, b, unknowns = a / length, b / length, 3
    shift = site_middle - _turned(own_middle[None], a, b)[0]
    left = _turned(own, a, b) + shift - site
    free = 2 * len(own) - unknowns
    deviation = float(np.sqrt((left**2).sum() / free)) if free > 0 else None
    size_of = np.hypot(*left.T)
    worst = int(np.argmax(size_of))
    carried = _turned(np.array([(p.x, p.y) for p in inputs.others]).reshape(-1, 2), a, b) + shift
    scale = float(np.hypot(a, b))
    said = say(
        "The worst point, {worst}, fits to {off}; scale {scale}.{check}{mirror}",
        worst=inputs.control[worst].name,
        off=Quantity(float(size_of[worst]), "mm", 1),
        scale=f"{scale:.6f}",
        check="" if free > 0 else " Two points always fit: this checks nothing. Measure a third.",
        mirror=MIRRORED if free > 0 and _fits_mirrored(x, y, east, north, float((left**2).sum())) else "",
    )
    return SimilarityResult(
        said, a, b, float(shift[0]), float(shift[1]), float(np.degrees(np.arctan2(b, a)) % 360), scale, deviation,
        inputs.control[worst].name,
        tuple(ControlResidual(p.name, float(e), float(n)) for p, (e, n) in zip(inputs.control, left, strict=True)),
        tuple(CarriedPoint(p.name, float(e), float(n)) for p, (e, n) in zip(inputs.others, carried, strict=True)),
    )  # fmt: skip


def _fits_mirrored(x: Floats, y: Floats, east: Floats, north: Floats, squares: float) -> bool:
    """Whether east and north exchanged would fit much better. All about their middles; squares: of what is left."""
    size = float(x @ x + y @ y)
    a, b = float(x @ north + y @ east) / size, float(x @ east - y @ north) / size
    left = float(((a * x - b * y - north) ** 2).sum() + ((b * x + a * y - east) ** 2).sum())
    return squares > 1e-12 * size and left < 0.25 * squares


def _turned(points: Floats, a: float, b: float) -> Floats:
    turned: Floats = points @ np.array([[a, b], [-b, a]])
    return turned


# ---- two-peg test ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class TwoPegInputs:
    apart: float = amount("Staffs apart", "mm", shown="m", above=0.0)
    middle_a: float = amount("From the middle: reading on A", "mm", shown="m")
    middle_b: float = amount("From the middle: reading on B", "mm", shown="m")
    end_a: float = amount("From beyond B: reading on A", "mm", shown="m")
    end_b: float = amount("From beyond B: reading on B", "mm", shown="m")
    beyond: float = amount("Level beyond B by", "mm", shown="m", lowest=0.0, default=0.0)
    allowed: float = amount("Allowed over the distance of the staffs", "mm", above=0.0, default=3.0)


@dataclass(frozen=True)
class TwoPegResult:
    sentence: str = sentence()
    error: float = amount("Line of sight off, over the distance of the staffs", "mm", decimals=1)
    arc: float = amount("As an angle, positive rises", "″", decimals=0)
    right_a: float = amount("Reading on A without the error", "mm", decimals=1)
    right_b: float = amount("Reading on B without the error", "mm", decimals=1)
    difference: float = amount("A minus B, true", "mm", decimals=1)
    result: str = choice("Level", {"pass": "pass", "fail": "fail"})


def two_peg(inputs: TwoPegInputs) -> TwoPegResult:
    """From the middle the error cancels; from one end it does not. An error that equals the allowed one passes."""
    true = inputs.middle_a - inputs.middle_b
    error = (inputs.end_a - inputs.end_b) - true
    per_mm = error / inputs.apart
    right_a = inputs.end_a - per_mm * (inputs.apart + inputs.beyond)
    right_b = inputs.end_b - per_mm * inputs.beyond
    good = abs(error) <= inputs.allowed + 1e-9
    said = say(
        "The line of sight {way} by {error} over {apart}: {verdict}.",
        way="rises" if error > 0 else "falls",
        error=Quantity(abs(error), "mm", 1),
        apart=Quantity(inputs.apart / 1000, "m", 2),
        verdict="pass" if good else "fail. Have the level adjusted, and keep sights equally long until then",
    )
    arc = float(np.degrees(np.arctan(per_mm)) * 3600)
    return TwoPegResult(said, error, arc, right_a, right_b, true, "pass" if good else "fail")


# ---- pad -------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class SpotHeight:
    x: float = amount("East", "mm", shown="m")
    y: float = amount("North", "mm", shown="m")
    height: float = amount("Height", "mm", shown="m")


@dataclass(frozen=True)
class PadInputs:
    spots: tuple[SpotHeight, ...] = table("Spot heights", SpotHeight, least=3, most=2000)
    height: float | None = amount("Height wanted, in the middle", "mm", shown="m", default=None)
    allowed: float | None = amount("Allowed off the height wanted", "mm", above=0.0, default=None)
    flat_within: float | None = amount("Allowed off the plane", "mm", above=0.0, default=None)


@dataclass(frozen=True)
class SpotFinding:
    x: float = amount("East", "mm", decimals=0)
    y: float = amount("North", "mm", decimals=0)
    off_plane: float = amount("Above the plane", "mm", decimals=1)
    off_height: float | None = amount("Above the height wanted", "mm", decimals=1)


@dataclass(frozen=True)
class PadResult:
    sentence: str = sentence()
    slope: float = share("Slope", highest=None, decimals=5)
    falls_towards: float | None = amount("Falls towards, bearing", "°", decimals=0)
    mean_height: float = amount("Mean height", "mm", decimals=1)
    flatness: float = amount("Highest above to lowest below the plane", "mm", decimals=1)
    highest_off: float | None = amount("Most above the height wanted", "mm", decimals=1)
    lowest_off: float | None = amount("Most below the height wanted", "mm", decimals=1)
    result: str = choice("Pad", {"pass": "pass", "fail": "fail", "no limit": "no limit given"})
    spots: tuple[SpotFinding, ...] = table("Spots", SpotFinding)


def pad(inputs: PadInputs) -> PadResult:
    """Least-squares plane of height over east and north. A figure that equals its limit passes. Error: on-one-line."""
    spots = np.array([(spot.x, spot.y, spot.height) for spot in inputs.spots])
    middle = spots.mean(axis=0)
    plan = spots[:, :2] - middle[:2]
    spread = np.linalg.svd(plan, compute_uv=False)
    if spread[1] <= 1e-9 * max(spread[0], 1e-300):
        raise refuse(
            "/spots", "The spots lie on one line: they show no plane. Measure to the sides too.", "on-one-line"
        )
    slopes = np.linalg.lstsq(plan, spots[:, 2] - middle[2], rcond=None)[0]
    off_plane = spots[:, 2] - middle[2] - plan @ slopes
    slope = float(np.hypot(*slopes))
    bearing = float(np.degrees(np.arctan2(-slopes[0], -slopes[1])) % 360) if slope > 1e-9 else None
    off = None if inputs.height is None else spots[:, 2] - inputs.height
    failed = []
    if off is not None and inputs.allowed is not None and np.abs(off).max() > inputs.allowed + 1e-9:
        worst = int(np.argmax(np.abs(off)))
        way = "high" if off[worst] > 0 else "low"
        failed.append(say(" Spot {n} is {off} too {way}.", n=worst + 1, off=_mm(abs(off[worst])), way=way))
    if inputs.flat_within is not None and np.abs(off_plane).max() > inputs.flat_within + 1e-9:
        worst = int(np.argmax(np.abs(off_plane)))
        way = "above" if off_plane[worst] > 0 else "below"
        failed.append(
            say(" Spot {n} lies {off} {way} the plane.", n=worst + 1, off=_mm(abs(off_plane[worst])), way=way)
        )
    judged = (off is not None and inputs.allowed is not None) or inputs.flat_within is not None
    said = say(
        "The pad slopes {slope}{towards}; flat within {flat}.{first}{second}",
        slope=Quantity(100 * slope, "%", 2),
        towards="" if bearing is None else say(", falling towards {b}", b=Quantity(bearing, "°", 0)),
        flat=_mm(float(np.ptp(off_plane))),
        first=failed[0] if failed else "",
        second=failed[1] if len(failed) > 1 else "",
    )
    return PadResult(
        said, slope, bearing, float(middle[2]), float(np.ptp(off_plane)),
        None if off is None else float(off.max()), None if off is None else float(off.min()),
        "no limit" if not judged else "fail" if failed else "pass",
        tuple(
            SpotFinding(x, y, float(off_plane[k]), None if off is None else float(off[k]))
            for k, (x, y, _) in enumerate(spots.tolist())
        ),
    )  # fmt: skip


def _mm(value: float) -> Quantity:
    return Quantity(float(value), "mm", 1)


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="site-similarity",
        title="From one coordinate system to the site's",
        subject="Setting out",
        asks="Where do drawing coordinates lie on the site's control, and how well do the control points agree?",
        inputs=SimilarityInputs,
        result=SimilarityResult,
        compute=similarity,
        example=SimilarityInputs(
            (
                PointPair("C1", 0.0, 0.0, 502_110.0, 208_340.0),
                PointPair("C2", 24_000.0, 0.0, 525_295.0, 214_551.0),
                PointPair("C3", 24_000.0, 18_000.0, 520_640.0, 231_940.0),
                PointPair("C4", 0.0, 18_000.0, 497_452.0, 225_722.0),
            ),
            (OwnPoint("centre stake", 12_000.0, 9_000.0),),
            True,
        ),
        formula="east = a x − b y + shift; north = b x + a y + shift; sum of squares least",
        sources=(Source("Least squares of a plane similarity transformation (Helmert)", "from memory"),),
        cautions=(STAKES, "A scale that is not 1 says that one system uses other units or a map grid. Find out why."),
    ),
    Calculation(
        name="two-peg-test",
        title="Two-peg test of a level",
        subject="Setting out",
        asks="Is the line of sight of this level really level?",
        inputs=TwoPegInputs,
        result=TwoPegResult,
        compute=two_peg,
        example=TwoPegInputs(30_000.0, 1452.0, 1187.0, 1388.0, 1121.0, 3000.0, 3.0),
        formula="error = (A − B from the end) − (A − B from the middle)",
        sources=(Source("With equal sights the error is the same in both readings and cancels", "definition"),),
        cautions=(STAKES,),
    ),
    Calculation(
        name="pad-plane",
        title="Slope, height and flatness of a pad",
        subject="Setting out",
        asks="Which way does the pad fall, and is it at its height?",
        inputs=PadInputs,
        result=PadResult,
        compute=pad,
        example=PadInputs(
            tuple(
                SpotHeight(float(x), float(y), 100_000.0 + off)
                for x, y, off in (
                    (0, 0, 4),
                    (3000, 0, 1),
                    (6000, 0, -3),
                    (0, 3000, 5),
                    (3000, 3000, 2),
                    (6000, 3000, -6),
                )
            ),
            100_000.0,
            10.0,
            5.0,
        ),
        formula="height = c + a·east + b·north by least squares; slope = √(a² + b²)",
        sources=(Source("Least-squares plane", "definition"),),
        cautions=(STAKES,),
    ),
)
