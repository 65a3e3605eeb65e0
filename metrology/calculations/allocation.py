"""What each tolerance of a loop may be to reach a wanted chance of closing, and which cast goes to which place."""

from collections import Counter
from dataclasses import dataclass

import numpy as np

from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import amount, flag, sentence, share, table, text, unit_choice, whole
from metrology.calculations.loop_parts import CAUTIONS, PRACTICE, DimensionRow, contributor, percent
from metrology.calculations.problems import refuse
from metrology.calculations.said import digits, written
from metrology.closure.loop_chance import GapLimits, closing_chance, factor_to_reach
from metrology.closure.loop_formula import FormulaLoop
from metrology.closure.loops import LinearLoop, Loop
from metrology.closure.matching import match_to_places
from metrology.errors import InputError
from metrology.wording import NBSP, count, listed

# ---- tolerances for a wanted chance ----------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class AllocationRow(DimensionRow):
    coefficient: float = amount("Sensitivity", default=1.0, help="Without a formula: +1 opens the gap, −1 closes it.")
    stays: bool = flag("Stays as it is", help="Bought in, or already as good as it gets.")


@dataclass(frozen=True, kw_only=True)
class AllocationInputs:
    unit: str = unit_choice("Unit of the dimensions")
    gap_lower: float | None = amount("Least gap allowed", "@unit", default=None)
    gap_upper: float | None = amount("Largest gap allowed", "@unit", default=None)
    wanted: float = share("Wanted chance of closing", default=0.99, above=0.0, below=1.0)
    formula: str = text(
        "Formula of the gap", default="", longest=500, help="Empty: the sum of sensitivity × dimension."
    )
    rows: tuple[AllocationRow, ...] = table("Dimensions", AllocationRow, most=60)
    seed: int = whole("Seed", default=1, lowest=0, highest=2**31 - 1, help="The same seed gives the same answer.")


@dataclass(frozen=True, kw_only=True)
class AllowedRow:
    name: str = text("Dimension")
    now: float = amount("Tolerance ± now", "@unit", help="Half its limits.")
    allowed: float | None = amount("Tolerance ± that would do", "@unit", help="All that may change, alike.")
    alone: float | None = amount(
        "Tolerance ± that would do, this alone", "@unit", help="Empty: this alone cannot do it."
    )


@dataclass(frozen=True, kw_only=True)
class AllocationResult:
    sentence: str = sentence()
    chance: float = share("Chance of closing now", decimals=4)
    factor: float | None = amount("All that may change times", decimals=3)
    centred_chance: float | None = share("Chance with the mean gap in the middle", decimals=4)
    rows: tuple[AllowedRow, ...] = table("What each tolerance may be", AllowedRow)
    note: str | None = text("Note")


def _loop(inputs: AllocationInputs) -> Loop:
    if not inputs.formula:
        return LinearLoop(tuple(row.coefficient for row in inputs.rows))
    try:
        return FormulaLoop(inputs.formula, [row.name for row in inputs.rows])
    except InputError as error:
        raise refuse("/formula", error.sentence, error.code) from error


def allocation(inputs: AllocationInputs) -> AllocationResult:
    """Tolerances that reach the wanted chance: all alike changed, and each alone."""
    parts = [contributor(row, f"/rows/{place}") for place, row in enumerate(inputs.rows)]
    try:
        limits = GapLimits(inputs.gap_lower, inputs.gap_upper)
    except InputError as error:
        raise refuse("/gap_upper", error.sentence, error.code) from error
    loop = _loop(inputs)
    free = [place for place, row in enumerate(inputs.rows) if not row.stays]
    if not free:
        raise refuse("/rows/0/stays", "Every dimension stays as it is. Let at least one change.", "all-stay")
    now = closing_chance(loop, parts, limits, seed=inputs.seed)
    factor = factor_to_reach(loop, parts, limits, inputs.wanted, rows=free, seed=inputs.seed)
    rows = []
    for place, one in enumerate(parts):
        alone = None
        if place in free and one.sd > 0:
            alone = factor_to_reach(loop, parts, limits, inputs.wanted, rows=[place], seed=inputs.seed)
        rows.append(
            AllowedRow(
                name=one.name,
                now=one.half,
                allowed=one.half if place not in free else None if factor is None else one.half * factor,
                alone=None if alone is None else one.half * alone,
            )
        )
    centred = None
    if limits.lower is not None and limits.upper is not None:
        aside = (limits.lower + limits.upper) / 2 - float(now.gaps.mean())
        centred = float(limits.inside(now.gaps + aside).mean())
    return AllocationResult(
        sentence=_allocation_said(inputs, now.share, factor, centred),
        chance=now.share,
        factor=factor,
        centred_chance=centred,
        rows=tuple(rows),
        note="There is more room than a hundredfold." if factor == 100.0 else None,
    )


def _allocation_said(inputs: AllocationInputs, now: float, factor: float | None, centred: float | None) -> str:
    wanted = f"{digits(100 * inputs.wanted)}{NBSP}%"
    if factor is None:
        said = f"No tolerance brings {wanted}: now {percent(now)} close, and the mean gap or what stays is in the way"
        return said + (f"; in the middle of its limits {percent(centred)} would." if centred is not None else ".")
    if factor >= 1:
        return f"{percent(now)} close now; the tolerances may be {digits(factor, 3)} times as wide for {wanted}."
    return f"{percent(now)} close now; for {wanted} the tolerances must shrink to {digits(factor, 3)} of what they are."


# ---- measured casts to places ----------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Place:
    name: str = text("Place", longest=40)
    room: float = amount("Room", "@unit")


@dataclass(frozen=True, kw_only=True)
class Measured:
    name: str = text("Cast", longest=40)
    size: float | None = amount("Size", "@unit", default=None, help="Empty: not measured, so it is left out.")


@dataclass(frozen=True, kw_only=True)
class MatchInputs:
    unit: str = unit_choice("Unit of the sizes")
    places: tuple[Place, ...] = table("Places", Place, most=500)
    casts: tuple[Measured, ...] = table("Casts", Measured, most=500)
    joint: float = amount("Nominal joint", "@unit", default=0.0, help="What a place leaves free beside its cast.")


@dataclass(frozen=True, kw_only=True)
class MatchRow:
    place: str = text("Place")
    cast: str = text("Cast")
    joint: float = amount("Joint then", "@unit")


@dataclass(frozen=True, kw_only=True)
class MatchResult:
    sentence: str = sentence()
    before: float = amount("Off the nominal joint, in the order given", "@unit", help="Root mean square.")
    after: float = amount("Off the nominal joint, matched", "@unit", help="Root mean square.")
    typical: float = amount("Off the nominal joint, usual order", "@unit", help="The middle of 200 orders by chance.")
    worst_before: float = amount("Worst joint off, in the order given", "@unit")
    worst_after: float = amount("Worst joint off, matched", "@unit")
    rows: tuple[MatchRow, ...] = table("Which cast goes where", MatchRow)
    spare: str | None = text("Not needed")
    missing: str | None = text("Left out, not measured")


def match(inputs: MatchInputs) -> MatchResult:
    """The best of all assignments of measured casts to places."""
    twice = [name for name, times in Counter(row.name for row in inputs.casts).items() if times > 1]
    if twice:
        place = [row.name for row in inputs.casts].index(twice[0])
        raise refuse(f"/casts/{place}/name", f"“{twice[0]}” has two rows. Give each cast one.", "name-twice")
    casts = [(row.name, row.size) for row in inputs.casts if row.size is not None]
    missing = [row.name for row in inputs.casts if row.size is None]
    if not casts:
        raise refuse("/casts", "No cast is measured. Give at least one size for each place.", "too-few-casts")
    room = np.array([row.room - inputs.joint for row in inputs.places])
    sizes = np.array([size for _, size in casts])
    try:
        found = match_to_places(room, sizes)
    except InputError as error:
        raise refuse("/casts", error.sentence, error.code) from error
    off = room - sizes[found.order]
    result_rows = tuple(
        MatchRow(place=row.name, cast=casts[cast][0], joint=float(free) + inputs.joint)
        for row, cast, free in zip(inputs.places, found.order, off, strict=True)
    )
    used = {int(cast) for cast in found.order}
    unit = inputs.unit
    said = f"Matched, the joints are off by {written(found.after, unit, unit, 2)} (root mean square)"
    if found.after < found.before - 1e-12:
        said += f" instead of {written(found.before, unit, unit, 2)} in the order given"
    else:
        said += ": no better than in the order given"
    return MatchResult(
        sentence=f"{said}; {count(len(casts) - len(room), 'cast')} to spare." if len(casts) > len(room) else said + ".",
        before=found.before,
        after=found.after,
        typical=found.typical,
        worst_before=float(np.abs(room - sizes[: len(room)]).max()),
        worst_after=float(np.abs(off).max()),
        rows=result_rows,
        spare=listed([name for place, (name, _) in enumerate(casts) if place not in used], 12) or None,
        missing=listed(missing, 12) or None,
    )


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="tolerance-allocation",
        title="Tolerances for a wanted chance",
        subject="Assembly",
        asks="What may each tolerance be so that the gap is inside its limits often enough?",
        inputs=AllocationInputs,
        result=AllocationResult,
        compute=allocation,
        example=AllocationInputs(
            gap_lower=6.0,
            gap_upper=14.0,
            wanted=0.99,
            rows=(
                AllocationRow(name="Bay between posts", nominal=1810.0, tolerance=6.0),
                AllocationRow(name="Slab 1", nominal=600.0, tolerance=1.5, coefficient=-1.0),
                AllocationRow(name="Slab 2", nominal=600.0, tolerance=1.5, coefficient=-1.0),
                AllocationRow(name="Slab 3", nominal=600.0, tolerance=1.5, coefficient=-1.0),
            ),
        ),
        formula="""standard deviations times a factor, found by halving; the means stay
a sum of normal dimensions: closed form; else 20 000 draws, the same in every step""",
        sources=(PRACTICE,),
        cautions=CAUTIONS,
    ),
    Calculation(
        name="match-to-places",
        title="Which cast goes where",
        subject="Assembly",
        asks="Which measured cast goes to which place so that the joints come out most even?",
        inputs=MatchInputs,
        result=MatchResult,
        compute=match,
        example=MatchInputs(
            joint=6.0,
            places=tuple(
                Place(name=f"Bay {place + 1}", room=room) for place, room in enumerate((607.2, 605.1, 606.4, 604.8))
            ),
            casts=tuple(
                Measured(name=f"TP-SL-{place + 1:04d}", size=size)
                for place, size in enumerate((599.1, 601.0, 600.2, None, 599.4, 600.9))
            ),
        ),
        formula="least Σ (size + joint − room)² over all assignments (linear sum assignment)",
        sources=(Source("Linear assignment problem, solved exactly (SciPy linear_sum_assignment)", "COMPUTED"),),
        cautions=("A match holds as long as nobody exchanges casts. Mark each cast with its place.",),
    ),
)
