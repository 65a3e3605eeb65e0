"""As-built anchors of a ring: errors of each, shims, and whether the measured pieces still close on them."""

from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats
from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import amount, choice, sentence, share, table, text, whole
from metrology.calculations.plots import Axis, Mark, Plot, Series, curve
from metrology.calculations.problems import refuse
from metrology.calculations.ring_setting_out import STAKES
from metrology.calculations.said import Quantity, Said, say
from metrology.features.fit import fit_circle, fit_plane
from metrology.site.anchors import Places, RingJoints, best_placed, joints, places, plan_errors, shims

VERDICTS = {"pass": "pass", "fail": "fail", "no limit": "no limit given"}


@dataclass(frozen=True)
class Anchor:
    anchor: str = text("Anchor")
    east: float = amount("East", "mm", shown="m")
    north: float = amount("North", "mm", shown="m")
    height: float = amount("Height", "mm", shown="m", default=0.0)


@dataclass(frozen=True)
class Piece:
    piece: str = text("Piece")
    length: float = amount("Length between joint faces", "mm", above=0.0)
    angle: float = amount("Angle between its faces, measured minus nominal", "°", default=0.0)


@dataclass(frozen=True, kw_only=True)
class AnchorInputs:
    anchors: tuple[Anchor, ...] = table("Anchors as built, in order", Anchor, least=3, most=720)
    radius: float = amount("Radius they were set out on", "mm", shown="m", above=0.0)
    count: int | None = whole("Places on the whole ring", lowest=3, highest=720, default=None, help="Empty: as many.")
    about: str = choice(
        "Errors are told about",
        {"design": "the centre and bearing below", "fit": "the ring shifted and turned to fit best"},
        default="fit",
    )
    east: float = amount("Centre, east", "mm", shown="m", default=0.0)
    north: float = amount("Centre, north", "mm", shown="m", default=0.0)
    start_bearing: float = amount("Bearing of the first anchor", "°", lowest=0.0, below=360.0, default=0.0)
    turning: str = choice(
        "Anchors follow", {"clockwise": "clockwise", "anticlockwise": "anticlockwise"}, default="clockwise"
    )
    allowed_plan: float | None = amount("Allowed, radial and tangential", "mm", above=0.0, default=None)
    allowed_height: float | None = amount("Allowed off the seat height", "mm", above=0.0, default=None)
    seat_height: float | None = amount(
        "Height the seats are shimmed to", "mm", shown="m", default=None, help="Empty: that of the highest anchor."
    )
    shim_step: float = amount("Thinnest shim", "mm", lowest=0.0, default=0.5, help="0: made to measure.")
    pieces: tuple[Piece, ...] = table("Measured pieces, in order", Piece, least=0, most=720, default=())
    joint: float = amount("Nominal joint", "mm", default=6.0)
    chord: float | None = amount(
        "Nominal length of a piece",
        "mm",
        above=0.0,
        default=None,
        help="Empty: what the radius leaves, joint taken off.",
    )
    depth: float = amount("Depth of a joint face across the ring", "mm", lowest=0.0, default=0.0)
    least_gap: float = amount("Joint at least", "mm", default=2.0)
    most_gap: float = amount("Joint at most", "mm", default=10.0)
    most_step: float = amount("Step of a joint at most, across and in height", "mm", above=0.0, default=3.0)


@dataclass(frozen=True)
class AnchorFound:
    anchor: str = text("Anchor")
    radial: float = amount("Radial, positive outwards", "mm", decimals=1)
    tangential: float = amount("Tangential, positive onwards", "mm", decimals=1)
    height: float = amount("Above the mean height", "mm", decimals=1)
    off_plane: float = amount("Above the plane", "mm", decimals=1)
    shim: float = amount("Shims", "mm", decimals=1)
    left: float = amount("Then too high by", "mm", decimals=2)


@dataclass(frozen=True)
class JointFound:
    joint: str = text("Joint after piece")
    gap: float = amount("Gap", "mm", decimals=1)
    narrowest: float = amount("Narrowest", "mm", decimals=1)
    widest: float = amount("Widest", "mm", decimals=1)
    step: float = amount("Step across, next further out", "mm", decimals=1)
    height: float = amount("Step in height", "mm", decimals=1)
    shift: float = amount("Shift of the first piece to even out", "mm", decimals=1)
    result: str = choice("Result", {"pass": "pass", "fail": "fail"})


@dataclass(frozen=True)
class AnchorResult:
    sentence: str = sentence()
    result: str = choice("Anchors and ring", VERDICTS)
    placed: str = choice("Anchors", VERDICTS)
    closes: str = choice("Ring with these pieces", {"pass": "pass", "fail": "fail", "not asked": "no pieces given"})
    fitted_radius: float = amount(
        "Radius of the circle through them", "mm", decimals=2, help="Least-squares geometric."
    )
    centre_east: float = amount("Its centre, east", "mm", decimals=2)
    centre_north: float = amount("Its centre, north", "mm", decimals=2)
    roundness: float = amount("Farthest outside to farthest inside it", "mm", decimals=2)
    slope: float = share("Slope of the plane through them", highest=None, decimals=5)
    falls_towards: float | None = amount("Falls towards, bearing", "°", decimals=0)
    flatness: float = amount("Highest above to lowest below the plane", "mm", decimals=2)
    mean_height: float = amount("Mean height", "mm", decimals=1)
    seat_height: float = amount("Seats shimmed to", "mm", decimals=1)
    worst_plan: float = amount("Worst error in plan", "mm", decimals=1)
    largest_shim: float = amount("Thickest shims", "mm", decimals=1)
    mean_gap: float | None = amount("Joints, if all were equal", "mm", decimals=2)
    largest_shift: float | None = amount("Pieces would then shift by up to", "mm", decimals=1)
    anchors: tuple[AnchorFound, ...] = table("Anchors", AnchorFound)
    joints: tuple[JointFound, ...] = table("Joints", JointFound)


def check_anchors(inputs: AnchorInputs) -> AnchorResult:
    """Errors of each anchor, the shims, and the joints of the measured pieces on them.

    Errors: too-many-anchors, pieces-missing, limits-swapped, no-room, and those of `fit_circle` and `fit_plane`.
    """
    measured = np.array([(one.east, one.north, one.height) for one in inputs.anchors])
    count = len(measured) if inputs.count is None else inputs.count
    if count < len(measured):
        raise refuse("/count", "There are more anchors than places. Check the number.", "too-many-anchors")
    circle = fit_circle(measured[:, :2])
    plane = fit_plane(measured).turned_to(np.array([0.0, 0.0, 1.0]))
    sense = 1.0 if inputs.turning == "clockwise" else -1.0
    centre = np.array([inputs.east, inputs.north])
    ring = places(centre, inputs.radius, count, float(np.radians(inputs.start_bearing)), sense)
    if inputs.about == "fit":
        ring = best_placed(ring, measured[:, :2])
    radial, tangential = plan_errors(ring, measured[:, :2])
    heights = measured[:, 2]
    level = float(heights.max()) if inputs.seat_height is None else inputs.seat_height
    used, left = shims(heights, level, inputs.shim_step)
    found = _joints(inputs, ring, radial, tangential, left, count) if inputs.pieces else None
    rows = _joint_rows(inputs, found) if found else ()
    normal = plane.direction if plane.direction is not None else np.array([0.0, 0.0, 1.0])
    slope = float(np.hypot(*normal[:2]) / max(float(normal[2]), 1e-12))
    worst = np.maximum(np.abs(radial), np.abs(tangential))
    closes = "not asked" if not rows else "fail" if any(row.result == "fail" for row in rows) else "pass"
    verdict = _verdict(inputs, worst, used, left)
    said = _said(inputs, radial, tangential, worst, used, verdict, rows, found)
    return AnchorResult(
        said, _both(verdict, closes), verdict, closes,
        float(circle.radius or 0.0), float(circle.point[0]), float(circle.point[1]), circle.form,
        slope, float(np.degrees(np.arctan2(normal[0], normal[1])) % 360) if slope > 1e-9 else None,
        plane.form, float(heights.mean()), level, float(worst.max()), float(used.max()),
        None if found is None else float(found.gap.mean()),
        None if found is None else float(np.abs(found.shifts).max()),
        tuple(
            AnchorFound(one.anchor, *map(float, figures))
            for one, *figures in zip(
                inputs.anchors, radial, tangential, heights - heights.mean(), plane.residuals, used, left, strict=True
            )
        ),
        rows,
    )  # fmt: skip


def _both(anchors: str, ring: str) -> str:
    """The graver of the two."""
    if "fail" in (anchors, ring):
        return "fail"
    return "pass" if "pass" in (anchors, ring) else "no limit"


def _verdict(inputs: AnchorInputs, worst: Floats, used: Floats, left: Floats) -> str:
    failed = False
    if inputs.allowed_plan is not None:
        failed |= bool(worst.max() > inputs.allowed_plan + 1e-9)
    if inputs.allowed_height is not None:
        failed |= bool((np.abs(left) > inputs.allowed_height + 1e-9).any())
    failed |= bool((used < -1e-9).any())
    judged = inputs.allowed_plan is not None or inputs.allowed_height is not None
    return "fail" if failed else "pass" if judged else "no limit"


def _joints(
    inputs: AnchorInputs, ring: Places, radial: Floats, tangential: Floats, left: Floats, count: int
) -> RingJoints:
    if len(inputs.pieces) != count or len(inputs.anchors) != count:
        raise refuse(
            "/pieces",
            f"The ring closes only when each of its {count} places has an anchor and a piece; there are "
            f"{len(inputs.anchors)} and {len(inputs.pieces)}.",
            "pieces-missing",
        )
    if inputs.least_gap > inputs.most_gap:
        raise refuse("/most_gap", "The joint's limits are swapped. Exchange them.", "limits-swapped")
    chord = 2 * inputs.radius * float(np.tan(np.pi / count)) - inputs.joint if inputs.chord is None else inputs.chord
    if chord <= 0:
        raise refuse("/joint", "The joints leave no room for pieces. Enter a smaller joint.", "no-room")
    return joints(
        ring, radial, tangential, left, np.array([one.length for one in inputs.pieces]), inputs.joint, chord,
        np.radians([one.angle for one in inputs.pieces]), inputs.depth,
    )  # fmt: skip


def _joint_rows(inputs: AnchorInputs, found: RingJoints) -> tuple[JointFound, ...]:
    good = (found.narrowest >= inputs.least_gap - 1e-9) & (found.widest <= inputs.most_gap + 1e-9)
    good &= (np.abs(found.step) <= inputs.most_step + 1e-9) & (np.abs(found.height) <= inputs.most_step + 1e-9)
    shifts = found.shifts
    return tuple(
        JointFound(
            name, float(found.gap[k]), float(found.narrowest[k]),
            float(found.widest[k]), float(found.step[k]), float(found.height[k]), float(shifts[k]),
            "pass" if good[k] else "fail",
        )
        for k, name in enumerate(one.piece for one in inputs.pieces)
    )  # fmt: skip


def _said(
    inputs: AnchorInputs, radial: Floats, tangential: Floats, worst: Floats, used: Floats, verdict: str,
    rows: tuple[JointFound, ...], found: RingJoints | None,
) -> Said:  # fmt: skip
    place = int(np.argmax(worst))
    outside = abs(radial[place]) >= abs(tangential[place])
    error = float(radial[place] if outside else tangential[place])
    way = ("too far out" if error > 0 else "too far in") if outside else ("too far on" if error > 0 else "too far back")
    high = int(np.argmin(used))
    return say(
        "Anchor {name} is {off} {way}, the worst in plan; shims of up to {shim} level the seats{verdict}.{high}{ring}",
        name=inputs.anchors[place].anchor,
        off=Quantity(abs(error), "mm", 1),
        way=way,
        shim=Quantity(max(float(used.max()), 0.0), "mm", 1),
        verdict="" if verdict == "no limit" else f": {verdict}",
        high=""
        if used[high] >= -1e-9
        else say(
            " Anchor {name} stands {off} above the seat height.",
            name=inputs.anchors[high].anchor,
            off=Quantity(-float(used[high]), "mm", 1),
        ),
        ring=_ring_said(inputs, rows, found) if found is not None else "",
    )


def _ring_said(inputs: AnchorInputs, rows: tuple[JointFound, ...], found: RingJoints) -> Said:
    bad = [row for row in rows if row.result == "fail"]
    narrow, wide = Quantity(float(found.narrowest.min()), "mm", 1), Quantity(float(found.widest.max()), "mm", 1)
    if not bad:
        return say(" With these pieces the ring closes: joints of {narrow} to {wide}.", narrow=narrow, wide=wide)
    mean = float(found.gap.mean())
    even = inputs.least_gap <= mean <= inputs.most_gap
    return say(
        " With these pieces the ring does not close: {bad} of {all} joints fail, first the one after {name}. {mend}",
        bad=len(bad),
        all=len(rows),
        name=bad[0].joint,
        mend=say(
            "Shifted along by up to {shift}, every gap is {gap}.",
            shift=Quantity(float(np.abs(found.shifts).max()), "mm", 1),
            gap=Quantity(mean, "mm", 1),
        )
        if even
        else say("Even shared out, every gap is {gap}.", gap=Quantity(mean, "mm", 1)),
    )


def anchors_plot(inputs: AnchorInputs, result: AnchorResult) -> tuple[Plot, ...]:
    order = [float(k + 1) for k in range(len(result.anchors))]
    names = tuple(one.anchor for one in result.anchors)
    axis = Axis("Anchor", names=names if len(names) <= 24 else ())
    says = str(result.sentence)
    plan = (
        curve(order, [one.radial for one in result.anchors], "points", "main", "radial"),
        curve(order, [one.tangential for one in result.anchors], "points", "second", "tangential"),
    )
    shims = (curve(order, [one.shim for one in result.anchors], "bars"),)
    limits: tuple[Mark, ...] = ()
    if inputs.allowed_plan is not None:
        limits = (
            Mark(inputs.allowed_plan, "allowed", forbidden="above"),
            Mark(-inputs.allowed_plan, "", forbidden="below"),
        )
    plots = [
        Plot("Errors in plan", axis, Axis("Error", "mm"), plan, limits, says),
        Plot("Shims", axis, Axis("Shims", "mm"), shims, (), says),
    ]
    if result.joints:
        gaps = (Series(tuple(order), tuple(one.gap for one in result.joints), "bars"),)
        marks = (
            Mark(inputs.least_gap, "at least", forbidden="below"),
            Mark(inputs.most_gap, "at most", forbidden="above"),
        )
        plots.append(Plot("Joints", Axis("Joint"), Axis("Gap", "mm"), gaps, marks, says))
    return tuple(plots)


def _example() -> AnchorInputs:
    off = [(2.1, -1.0, 0), (-1.4, 2.2, 3), (0.6, 0.4, 5), (3.9, -2.5, 1), (-2.2, 1.1, 2), (0.2, 0.9, 4)]
    off += [(1.3, -0.7, 0), (-0.8, -1.9, 2), (2.4, 3.1, 6), (-1.7, 0.3, 3), (0.9, 1.6, 1), (-0.5, -2.2, 2)]
    anchors = []
    for k, (out, on, up) in enumerate((0.4 * out, 0.4 * on, up) for out, on, up in off):
        angle = np.radians(15.0 + 30.0 * k)
        east = (3000 + out) * np.sin(angle) + on * np.cos(angle)
        north = (3000 + out) * np.cos(angle) - on * np.sin(angle)
        anchors.append(Anchor(str(k + 1), round(float(east), 1), round(float(north), 1), 100_000.0 + up))
    lengths = [1601.7, 1601.2, 1602.0, 1601.5, 1600.9, 1601.6, 1602.2, 1601.1, 1601.4, 1601.8, 1601.3, 1601.6]
    return AnchorInputs(
        anchors=tuple(anchors), radius=3000.0, start_bearing=15.0, allowed_plan=6.0,
        pieces=tuple(Piece(f"TP-SB-{k + 1:04d}", length) for k, length in enumerate(lengths)), joint=6.0,
    )  # fmt: skip


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="anchors-as-built",
        title="Anchors of a ring as built",
        subject="Setting out",
        asks="How far is each anchor from its place, what shims do the seats need, and does the ring still close?",
        inputs=AnchorInputs,
        result=AnchorResult,
        compute=check_anchors,
        example=_example(),
        formula=(
            "radial, tangential = components of (found − nominal) at the nominal place; shim = seat height − height; "
            "gap along the pieces = joint − half of both length errors + tangential of the next − tangential + "
            "tan(180° ÷ N) × both radials"
        ),
        sources=(
            Source(
                "Geometry of the regular polygon; least-squares geometric circle, least-squares plane", "definition"
            ),
            Source("±6 mm within a group of anchors as a starting value (after ACI 117)", "from memory"),
        ),
        cautions=(
            STAKES,
            "Shims, grout and anchors carry load: thickness and bearing are the engineer's. Nobody stands beneath or "
            "beside a piece until it is fixed.",
        ),
        plot=anchors_plot,
    ),
)
