"""Rings of equal pieces: the chance that they close, what spoils it and what would do."""

from dataclasses import dataclass, replace
from math import radians

import numpy as np

from metrology.bodies import Floats
from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import amount, choice, sentence, share, table, text, whole
from metrology.calculations.loop_parts import PIVOTS, gap_plot, percent
from metrology.calculations.plots import Axis, Plot, Series
from metrology.calculations.problems import refuse
from metrology.calculations.said import Quantity, Said, say
from metrology.closure.loop_chance import GapLimits
from metrology.closure.ring_chain import Closing, Errors, Joints, Ring
from metrology.closure.ring_chance import chances_behind, spreads_of
from metrology.closure.ring_closure import (
    FREE_KINDS,
    KINDS,
    PLACES,
    Chance,
    Limits,
    PieceErrors,
    Spread,
    chance_fixed,
    chance_free,
    factor_for,
    resample_fixed,
    resample_free,
    simulate_fixed,
    simulate_free,
    spoilers,
)
from metrology.statistics.tolerance_interval import clopper_pearson
from metrology.wording import NBSP, listed

CLOSED = Source(
    "Closed forms: lengths √(N/2)·s each way; angles at the joints R·s·√(2N), both ways together", "definition"
)
PRACTICE = Source("Chance by simulation of pieces that are independent of each other", "common practice, no source")
CAUTIONS = (
    "Setting out, bedding and joint sealing are not in the pieces. Give the places their own errors, or add them.",
    "Lifting and placing: nobody beneath; follow the lifting plan. Local codes and licensed practice govern.",
)
BUILT = {
    "free": "piece against piece, errors add up to the last joint",
    "fixed": "each piece on its set-out place",
}
SHAPES = {"normal": "normal", "uniform": "alike likely between the limits", "triangular": "middle likelier"}
OVER = {"uniform": 3**0.5, "triangular": 6**0.5}
NAMES = {
    "length": "length of a piece",
    "angle": "angle between its faces in plan",
    "height": "height of its far end",
    "pitch": "angle between its faces in elevation",
    "along": "place along the ring",
    "across": "place across the ring",
    "up": "place in height",
}
ANGLES = ("angle", "pitch")
# Pieces in all that one answer may draw of each kind.
MOST_DRAWN = 100_000_000


@dataclass(frozen=True, kw_only=True)
class RingOf:
    """What the ring is."""

    pieces: int = whole("Pieces", lowest=3, highest=1000)
    chord: float = amount("Length of a piece", "mm", above=0.0, help="Chord between its joint faces.")
    joint: float = amount("Joint", "mm", default=0.0, lowest=0.0)
    depth: float = amount("Depth of the joint face", "mm", default=0.0, lowest=0.0, help="From inner to outer edge.")
    built: str = choice("Built", BUILT, default="free")


@dataclass(frozen=True, kw_only=True)
class CastRow:
    """Errors of one measured cast; empty: not measured."""

    name: str = text("Cast", longest=40)
    length: float | None = amount("Length error", "mm", default=None)
    angle: float | None = amount("Angle error in plan", "°", default=None, help="Positive turns the ring inwards.")
    height: float | None = amount("Height error", "mm", default=None, help="Of the far end over the near one.")
    pitch: float | None = amount("Angle error in elevation", "°", default=None, help="Positive rises.")


@dataclass(frozen=True, kw_only=True)
class RingInputs(RingOf):
    least_gap: float | None = amount("Least joint allowed", "mm", default=None)
    largest_gap: float | None = amount("Largest joint allowed", "mm", default=None)
    step: float | None = amount("Largest step across", "mm", default=None, lowest=0.0)
    height_step: float | None = amount("Largest step in height", "mm", default=None, lowest=0.0)
    length_mean: float = amount("Length: mean error", "mm", default=0.0)
    length_tolerance: float = amount("Length ±", "mm", default=0.0, lowest=0.0)
    angle_mean: float = amount("Angle in plan: mean error", "°", default=0.0)
    angle_tolerance: float = amount("Angle in plan ±", "°", default=0.0, lowest=0.0)
    height_mean: float = amount("Height: mean error", "mm", default=0.0)
    height_tolerance: float = amount("Height ±", "mm", default=0.0, lowest=0.0)
    pitch_mean: float = amount("Angle in elevation: mean error", "°", default=0.0)
    pitch_tolerance: float = amount("Angle in elevation ±", "°", default=0.0, lowest=0.0)
    along_tolerance: float = amount("Place along ±", "mm", default=0.0, lowest=0.0, help="Of set-out places only.")
    across_tolerance: float = amount("Place across ±", "mm", default=0.0, lowest=0.0)
    up_tolerance: float = amount("Place in height ±", "mm", default=0.0, lowest=0.0)
    spread: str = choice("Spread", SHAPES, default="normal")
    sds_to_limit: float = amount("Standard deviations to a limit", default=3.0, above=0.0, help="Of normal only.")
    casts: tuple[CastRow, ...] = table(
        "Measured casts", CastRow, default=(), least=0, help="Instead of the means and tolerances of the pieces."
    )
    wanted: float | None = share("Wanted chance", default=None, above=0.0, below=1.0, help="Asks for the tolerances.")
    confidence: float = share("Confidence of the bounds", default=0.95, above=0.0, below=1.0)
    assemblies: int = whole("Rings to simulate", default=20_000, lowest=100, highest=1_000_000)
    seed: int = whole("Seed", default=1, lowest=0, highest=2**31 - 1, help="The same seed gives the same answer.")


@dataclass(frozen=True, kw_only=True)
class SpoilerRow:
    what: str = text("Error")
    chance_without: float | None = share("Chance without it", decimals=4)
    tolerance: float | None = amount("Tolerance ± now", help="mm or °; of casts 3 standard deviations.")
    allowed: float | None = amount("Tolerance ± that would do, all alike changed")
    allowed_alone: float | None = amount("Tolerance ± that would do, this alone changed")


@dataclass(frozen=True, kw_only=True)
class RingResult:
    sentence: str = sentence()
    radius: float = amount("Radius to the middle of the joints", "mm")
    radius_growth: float = amount("Radius grows by", "mm", help="From the mean length error, with the joints kept.")
    perimeter_growth: float = amount("Room the pieces take more", "mm", help="Round a circle that may not grow.")
    chance: float | None = share("Chance of closing", decimals=4)
    chance_low: float | None = share("At least", decimals=4)
    chance_high: float | None = share("At most", decimals=4)
    gap_mean: float = amount("Mean of the last or narrowest joint", "mm")
    gap_sd: float = amount("Its standard deviation", "mm")
    step_sd: float = amount("Standard deviation of its step across", "mm")
    plan_sd: float = amount("Standard deviation of the closing error in plan", "mm", help="Both ways together.")
    wedge_sd: float = amount("Standard deviation of its opening between the edges", "mm")
    height_sd: float = amount("Standard deviation of its step in height", "mm")
    factor: float | None = amount("All tolerances times", decimals=3, help="Reaches the wanted chance.")
    rows: tuple[SpoilerRow, ...] = table("What spoils it", SpoilerRow, help="Worst first.")
    note: str | None = text("Note")


def ring_of(inputs: RingOf) -> Ring:
    return Ring(inputs.pieces, inputs.chord, inputs.joint, inputs.depth)


def _limits(inputs: RingInputs) -> Limits | None:
    given = (inputs.least_gap, inputs.largest_gap, inputs.step, inputs.height_step)
    if all(one is None for one in given):
        return None
    least, most, step, height = (np.inf if one is None else one for one in given)
    if inputs.least_gap is None:
        least = -np.inf
    if least > most:
        raise refuse(
            "/largest_gap", "The largest joint allowed is below the least one. Exchange them.", "limits-swapped"
        )
    return Limits(least, most, step, height)


def _errors(inputs: RingInputs) -> PieceErrors:
    """From means and tolerances; kinds that have neither are left out."""
    over = OVER.get(inputs.spread, inputs.sds_to_limit)
    found = {}
    for kind in KINDS if inputs.built == "fixed" else FREE_KINDS:
        mean, half = getattr(inputs, f"{kind}_mean", 0.0), getattr(inputs, f"{kind}_tolerance")
        if mean or half:
            turn = radians(1) if kind in ANGLES else 1.0
            found[kind] = Spread(mean * turn, half / over * turn, inputs.spread)
    return PieceErrors(**found)


def measured(rows: tuple[CastRow, ...]) -> tuple[Errors, tuple[str, ...], tuple[str, ...]]:
    """Complete casts (n, 1), their names, and the names of those with a figure missing."""
    kinds = [kind for kind in FREE_KINDS if any(getattr(row, kind) is not None for row in rows)]
    whole_rows = [row for row in rows if all(getattr(row, kind) is not None for kind in kinds)] if kinds else []
    missing = tuple(row.name for row in rows if row not in whole_rows)
    if not kinds:
        raise refuse("/casts", "No cast has a figure. Give at least the length errors.", "no-errors")
    turn = {kind: radians(1) if kind in ANGLES else 1.0 for kind in kinds}
    values = {kind: np.array([[getattr(row, kind) * turn[kind]] for row in whole_rows]) for kind in kinds}
    return Errors(**values), tuple(row.name for row in whole_rows), missing


def ring_closure(inputs: RingInputs) -> RingResult:
    """Chance, what spoils it, and what each tolerance may be to reach the wanted chance."""
    ring, limits, fixed = ring_of(inputs), _limits(inputs), inputs.built == "fixed"
    if inputs.pieces * inputs.assemblies > MOST_DRAWN:
        raise refuse("/assemblies", "These are too many pieces to draw at once. Simulate fewer rings.", "too-many")
    if inputs.wanted is not None and limits is None:
        raise refuse("/least_gap", "Missing. Give limits of the joints, or no wanted chance.", "no-limits")
    notes: list[str] = []
    casts = None
    if inputs.casts:
        casts, names, missing = measured(inputs.casts)
        if len(names) < 2:
            raise refuse("/casts", "Give at least two casts with all figures.", "too-few-casts")
        if missing:
            notes.append(f"Left out, a figure is missing: {listed(missing, 6)}.")
        notes.append("The bounds carry how few casts were measured, each error taken as normal and by itself.")
        errors = spreads_of(casts)
        errors = replace(errors, **{kind: getattr(_errors(inputs), kind) for kind in PLACES})
    else:
        errors = _errors(inputs)
    if all(getattr(errors, kind) is None for kind in KINDS):
        raise refuse("/length_tolerance", "Give at least one tolerance or mean error of the pieces.", "no-errors")
    drawn = _drawn(inputs, ring, errors, casts)
    chance = (
        None
        if limits is None
        else (chance_fixed(drawn, limits) if isinstance(drawn, Joints) else chance_free(drawn, limits))
    )
    low, high = (None, None) if chance is None or limits is None else _bounds(inputs, ring, chance, casts, limits)
    rows, factor = _spoilers(inputs, ring, errors, limits, fixed)
    grown = 0.0 if errors.length is None else errors.length.mean
    if grown and not fixed:
        notes.append("A common length error widens the circle; a free ring closes all the same.")
    gap = drawn.gap if isinstance(drawn, Closing) else drawn.narrowest
    return RingResult(
        sentence=_said(inputs, chance, low, rows, ring, gap),
        radius=ring.radius,
        radius_growth=replace(ring, chord=ring.chord + grown).radius - ring.radius,
        perimeter_growth=ring.pieces * grown,
        chance=None if chance is None else chance.share,
        chance_low=low,
        chance_high=high,
        gap_mean=float(gap.mean()),
        gap_sd=float(gap.std()),
        step_sd=float(drawn.step.std()),
        plan_sd=float(np.sqrt(gap.var() + drawn.step.var())),
        wedge_sd=float(drawn.wedge.std()) if isinstance(drawn, Closing) else float((drawn.widest - gap).std()),
        height_sd=float(drawn.height.std()),
        factor=factor,
        rows=rows,
        note=" ".join(notes) or None,
    )


def _drawn(inputs: RingInputs, ring: Ring, errors: PieceErrors, casts: Errors | None) -> Closing | Joints:
    """errors: of the pieces and the places; of measured casts those of the places count."""
    if inputs.built == "fixed":
        if casts is not None:
            return resample_fixed(ring, casts, inputs.assemblies, inputs.seed, errors)
        return simulate_fixed(ring, errors, inputs.assemblies, inputs.seed)
    if casts is not None:
        return resample_free(ring, casts, inputs.assemblies, inputs.seed)
    return simulate_free(ring, errors, inputs.assemblies, inputs.seed)


def _bounds(
    inputs: RingInputs, ring: Ring, chance: Chance, casts: Errors | None, limits: Limits
) -> tuple[float, float]:
    left = 1 - inputs.confidence
    if casts is None:
        return clopper_pearson(chance.inside, chance.assemblies, left, left)
    places = PieceErrors(**{kind: getattr(_errors(inputs), kind) for kind in PLACES})
    fixed = inputs.built == "fixed"
    shares = chances_behind(ring, casts, limits, fixed=fixed, seed=inputs.seed, others=places)
    low, high = np.quantile(shares, [left, inputs.confidence])
    return float(low), float(high)


def _spoilers(
    inputs: RingInputs, ring: Ring, errors: PieceErrors, limits: Limits | None, fixed: bool
) -> tuple[tuple[SpoilerRow, ...], float | None]:
    if limits is None:
        return (), None
    factor = None
    if inputs.wanted is not None:
        factor = factor_for(ring, errors, limits, inputs.wanted, fixed=fixed, seed=inputs.seed)
    rows = []
    for kind, without in spoilers(ring, errors, limits, fixed=fixed, seed=inputs.seed):
        over = 3.0 if inputs.casts and kind in FREE_KINDS else OVER.get(inputs.spread, inputs.sds_to_limit)
        now = getattr(errors, kind).sd * over / (radians(1) if kind in ANGLES else 1.0)
        alone = None
        if inputs.wanted is not None and now > 0:
            alone = factor_for(ring, errors, limits, inputs.wanted, fixed=fixed, seed=inputs.seed, kind=kind)
        rows.append(
            SpoilerRow(
                what=NAMES[kind],
                chance_without=without,
                tolerance=now,
                allowed=None if factor is None else now * factor,
                allowed_alone=None if alone is None else now * alone,
            )
        )
    return tuple(rows), factor


def _said(
    inputs: RingInputs, chance: Chance | None, low: float | None, rows: tuple[SpoilerRow, ...], ring: Ring, gap: Floats
) -> Said:
    middle, spread = float(gap.mean()), float(gap.std())
    which = "narrowest" if inputs.built == "fixed" else "last"
    if chance is None or low is None:
        return say(
            f"The {which} joint comes out at {{gap}} with a standard deviation of {{sd}}.",
            gap=Quantity(middle, "mm", 2),
            sd=Quantity(spread, "mm", 2),
        )
    said = (
        f"{percent(chance.share)} of rings of {ring.pieces} close inside the limits, at least {percent(low)} with "
        f"{100 * inputs.confidence:.0f}{NBSP}% confidence"
    )
    best = rows[0].chance_without
    if best is not None and best > chance.share + 0.001:
        said += f"; the {rows[0].what} spoils most, without it {percent(best)} would"
    return Said(said + ".")


def ring_plot(inputs: RingInputs, result: RingResult) -> tuple[Plot, ...]:
    ring = ring_of(inputs)
    small = replace(inputs, assemblies=min(inputs.assemblies, 20_000))
    casts = measured(inputs.casts)[0] if inputs.casts else None
    drawn = _drawn(small, ring, _errors(inputs), casts)
    gap = drawn.gap if isinstance(drawn, Closing) else drawn.narrowest
    limits = None
    if inputs.least_gap is not None or inputs.largest_gap is not None:
        limits = GapLimits(inputs.least_gap, inputs.largest_gap)
    drawings = [gap_plot(gap, limits, "mm", result.sentence)]
    if result.rows and result.chance is not None:
        ends = tuple(100 * (row.chance_without or 0.0) for row in result.rows)
        bars = Series(tuple(float(i) for i in range(1, len(ends) + 1)), ends, "bars")
        names = tuple(row.what for row in result.rows)
        says = f"Without errors of the {names[0]}, {percent(ends[0] / 100)} of the rings would close."
        drawings.append(
            Plot("If one error were gone", Axis("error", names=names), Axis("chance", "%", low=0.0), (bars,), says=says)
        )
    return tuple(drawings)


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="ring-closure",
        title="Will a ring close",
        subject="Assembly",
        asks="How often does a ring close inside its joints, what spoils it, and what may each error be?",
        inputs=RingInputs,
        result=RingResult,
        compute=ring_closure,
        example=RingInputs(
            pieces=24,
            chord=777.157,
            joint=6.0,
            depth=240.0,
            least_gap=2.0,
            largest_gap=10.0,
            step=4.0,
            height_step=4.0,
            length_tolerance=1.5,
            angle_tolerance=0.03,
            height_tolerance=1.0,
            wanted=0.95,
        ),
        formula="""free: closing error = chain of all pieces, each turned by the angle errors before it (third order)
fixed: joint k = nominal − half the length errors of its two pieces + what their places differ
radius = (chord + joint) ÷ (2 sin(π/N)); bounds: Clopper and Pearson for draws; for casts s√((n − 1)/χ²), mean + z s/√n
tolerances that would do: standard deviations times a factor found by halving on the same draws""",
        sources=(CLOSED, PRACTICE, PIVOTS),
        cautions=CAUTIONS,
        plot=ring_plot,
    ),
)
