"""The order in which measured casts close a ring best, and how they close as they stand."""

from dataclasses import dataclass, replace

import numpy as np

from metrology.bodies import Ints
from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import amount, choice, sentence, table, text, whole
from metrology.calculations.problems import refuse
from metrology.calculations.rings import BUILT, CAUTIONS, CLOSED, CastRow, measured
from metrology.calculations.said import Quantity, Said, say
from metrology.closure.ring_chain import Errors, Ring
from metrology.closure.ring_chance import best_order, close_one, joints_of_one
from metrology.errors import InputError
from metrology.wording import listed


@dataclass(frozen=True, kw_only=True)
class OrderInputs:
    chord: float = amount("Length of a piece", "mm", above=0.0, help="Chord between its joint faces.")
    joint: float = amount("Joint", "mm", default=0.0, lowest=0.0)
    depth: float = amount("Depth of the joint face", "mm", default=0.0, lowest=0.0, help="From inner to outer edge.")
    built: str = choice("Built", BUILT, default="free")
    pieces: int | None = whole("Pieces", default=None, lowest=3, highest=200, help="Empty: as many as casts.")
    casts: tuple[CastRow, ...] = table("Measured casts in the order they stand", CastRow, least=3, most=200)
    seed: int = whole("Seed", default=1, lowest=0, highest=2**31 - 1)


@dataclass(frozen=True, kw_only=True)
class PlaceRow:
    position: int = whole("Position")
    cast: str = text("Cast")


@dataclass(frozen=True, kw_only=True)
class OrderResult:
    sentence: str = sentence()
    gap: float = amount("Joint as they stand", "mm", help="The last joint; on set-out places the narrowest.")
    step: float = amount("Step across as they stand", "mm")
    misclosure: float = amount("Closing error as they stand", "mm", help="In plan; on set-out places of the joints.")
    wedge: float = amount("Opening between the edges as they stand", "mm")
    height: float = amount("Step in height as they stand", "mm")
    radius_growth: float = amount("Radius grows by", "mm")
    best_gap: float = amount("Joint in the better order", "mm")
    best_misclosure: float = amount("Closing error in the better order", "mm")
    typical: float = amount("Closing error in a usual order", "mm", help="The middle of 200 orders by chance.")
    order: tuple[PlaceRow, ...] = table("Better order", PlaceRow)
    left_out: str | None = text("Not needed")
    missing: str | None = text("Left out, a figure is missing")


def ring_order(inputs: OrderInputs) -> OrderResult:
    """How measured casts close as they stand, and an order in which they close better."""
    casts, names, missing = measured(inputs.casts)
    pieces = len(names) if inputs.pieces is None else inputs.pieces
    if pieces > len(names):
        raise refuse(
            "/pieces",
            f"{len(names)} casts with all figures cannot fill {pieces} positions. Measure more.",
            "too-few-casts",
        )
    if pieces < 3:
        raise refuse("/casts", "A ring has at least 3 casts with all figures.", "too-few-casts")
    ring, fixed = Ring(pieces, inputs.chord, inputs.joint, inputs.depth), inputs.built == "fixed"
    try:
        found = best_order(ring, casts, fixed=fixed, seed=inputs.seed)
        stands, better = (_closed(ring, casts, order, fixed) for order in (np.arange(pieces), found.casts))
    except InputError as error:
        raise refuse("/casts", error.sentence, error.code) from error
    length = 0.0 if casts.length is None else float(casts.length[:pieces].mean())
    result = OrderResult(
        sentence="",
        gap=stands[0],
        step=stands[1],
        misclosure=stands[4],
        wedge=stands[2],
        height=stands[3],
        radius_growth=replace(ring, chord=ring.chord + length).radius - ring.radius,
        best_gap=better[0],
        best_misclosure=better[4],
        typical=found.typical,
        order=tuple(PlaceRow(position=place + 1, cast=names[cast]) for place, cast in enumerate(found.casts)),
        left_out=listed([names[cast] for cast in found.left_out], 12) or None,
        missing=listed(missing, 12) or None,
    )
    return replace(result, sentence=_order_said(result, fixed))


def _closed(ring: Ring, casts: Errors, order: Ints, fixed: bool) -> tuple[float, float, float, float, float]:
    """Joint, step, opening, height and closing error of one ring."""
    if fixed:
        joints = joints_of_one(ring, casts, order)
        length = np.zeros(len(order)) if casts.length is None else casts.length[order, 0]
        uneven = float(np.sqrt((((length + np.roll(length, -1)) / 2) ** 2).mean()))
        narrow, wide = float(joints.narrowest[0]), float(joints.widest[0])
        return narrow, float(joints.step[0]), wide - narrow, float(joints.height[0]), uneven
    closed = close_one(ring, casts, order)
    gap, step = float(closed.gap[0]), float(closed.step[0])
    return gap, step, float(closed.wedge[0]), float(closed.height[0]), float(np.hypot(gap - ring.joint, step))


def _order_said(result: OrderResult, fixed: bool) -> Said:
    what = "joints are uneven by" if fixed else "ring misses its closing by"
    if result.best_misclosure >= result.misclosure - 0.005:
        return say(
            f"As they stand the {what} {{now}}; no better order was found.", now=Quantity(result.misclosure, "mm", 2)
        )
    return say(
        f"As they stand the {what} {{now}}, in the better order by {{better}}; a usual order misses by {{usual}}.",
        now=Quantity(result.misclosure, "mm", 2),
        better=Quantity(result.best_misclosure, "mm", 2),
        usual=Quantity(result.typical, "mm", 2),
    )


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="ring-order",
        title="Order of measured casts in a ring",
        subject="Assembly",
        asks="How do these casts close as they stand, and in which order would they close better?",
        inputs=OrderInputs,
        result=OrderResult,
        compute=ring_order,
        example=OrderInputs(
            chord=900.0,
            joint=6.0,
            depth=240.0,
            casts=tuple(
                CastRow(name=f"TP-KB-{1 + place:04d}", length=length, angle=angle)
                for place, (length, angle) in enumerate(
                    [
                        (1.2, 0.03),
                        (0.9, 0.02),
                        (0.7, 0.02),
                        (0.4, 0.01),
                        (-0.2, 0.0),
                        (-0.5, -0.02),
                        (-0.9, -0.02),
                        (-1.3, -0.03),
                    ]
                )
            ),
        ),
        formula="""free: closing error by the chain; fixed: root mean square of (e₁ + e₂)/2 over the joints
swaps of two casts, the best first, until none helps, from several starts: good, not provably the best
more casts than positions: those farthest from the middle length are left out""",
        sources=(Source("Search by swapping pairs", "common practice, no source"), CLOSED),
        cautions=CAUTIONS,
    ),
)
