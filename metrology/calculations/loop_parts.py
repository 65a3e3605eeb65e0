"""What the loops have in common: rows of dimensions, limits of the gap, figures and drawing of the answer."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats
from metrology.calculations.calculation import Source
from metrology.calculations.fields import amount, amounts, choice, sentence, share, table, text, whole
from metrology.calculations.plots import Axis, Mark, Plot, Series, curve
from metrology.calculations.problems import refuse
from metrology.calculations.said import digits, written
from metrology.closure.loop_chance import ClosingChance, GapLimits, closing_chance, normal_chance, remedies
from metrology.closure.loops import Contributor, Loop, StackUp, draw_gaps, numeric_sensitivities, stack_up
from metrology.errors import InputError
from metrology.wording import NBSP, number

PRACTICE = Source("Worst case, root sum of squares and shares of the variance", "common practice, no source")
PIVOTS = Source("Generalised confidence limits (Weerahandi, 1993); Clopper and Pearson, 1934", "from memory")
CAUTIONS = (
    "A dimension that is in no row is not in the answer. Add bedding, joint sealing and setting out.",
    "The chance holds if casts come as the rows say: independent, and as many standard deviations to a limit.",
)
SPREADS = {
    "normal": "normal, limits at so many standard deviations",
    "uniform": "alike likely between the limits",
    "triangular": "middle likelier, between the limits",
    "measured": "measured casts, drawn again",
}
BARS = 60


@dataclass(frozen=True, kw_only=True)
class DimensionRow:
    name: str = text("Name", longest=40)
    nominal: float = amount("Nominal", "@unit")
    tolerance: float | None = amount("Tolerance ±", "@unit", default=None, lowest=0.0, help="Or both limits.")
    lower: float | None = amount("Lower limit", "@unit", default=None)
    upper: float | None = amount("Upper limit", "@unit", default=None)
    spread: str = choice("Spread", SPREADS, default="normal")
    sds_to_limit: float = amount("Standard deviations to a limit", default=3.0, above=0.0, help="Of normal only.")
    measured: tuple[float, ...] = amounts("Measured casts", "@unit", default=(), least=0)


@dataclass(frozen=True, kw_only=True)
class Closing:
    """Inputs that every loop has."""

    gap_lower: float | None = amount("Least gap allowed", "@unit", default=None)
    gap_upper: float | None = amount("Largest gap allowed", "@unit", default=None)
    confidence: float = share("Confidence of the bounds", default=0.95, above=0.0, below=1.0)
    assemblies: int = whole("Assemblies to simulate", default=100_000, lowest=100, highest=1_000_000)
    seed: int = whole("Seed", default=1, lowest=0, highest=2**31 - 1, help="The same seed gives the same answer.")


@dataclass(frozen=True, kw_only=True)
class LoopRow:
    name: str = text("Dimension")
    sensitivity: float = amount("Sensitivity", help="How far the gap moves when the dimension grows by 1.")
    by_steps: float = amount("Sensitivity by small steps")
    middle: float = amount("Mean")
    sd: float = amount("Standard deviation")
    reach: float = amount("Worst case ±", "@unit", help="Size of sensitivity × half the limits.")
    share: float = share("Share of variance", decimals=3)


@dataclass(frozen=True, kw_only=True)
class ChangeRow:
    change: str = text("One change")
    chance: float = share("Chance of closing then", decimals=4)


@dataclass(frozen=True, kw_only=True)
class LoopResult:
    sentence: str = sentence()
    nominal: float = amount("Gap of the nominals", "@unit")
    middle: float = amount("Mean gap", "@unit")
    least: float = amount("Worst case from", "@unit")
    most: float = amount("Worst case to", "@unit")
    worst: float = amount("Worst case ± by the sensitivities", "@unit")
    rss: float = amount("Root sum of squares ±", "@unit")
    sd: float = amount("Standard deviation of the gap", "@unit")
    simulated_mean: float = amount("Mean of the simulated gaps", "@unit")
    simulated_sd: float = amount("Standard deviation of the simulated gaps", "@unit")
    chance: float | None = share("Chance of closing", decimals=4, help="Of the simulated assemblies.")
    chance_low: float | None = share("At least", decimals=4, help="With the confidence asked for.")
    chance_high: float | None = share("At most", decimals=4, help="With the confidence asked for.")
    too_small: float | None = share("Gap too small", decimals=4)
    too_large: float | None = share("Gap too large", decimals=4)
    chance_normal: float | None = share("Chance if the gap were normal", decimals=4, help="By closed form.")
    rows: tuple[LoopRow, ...] = table("What the gap is made of", LoopRow)
    changes: tuple[ChangeRow, ...] = table("What would mend it", ChangeRow, help="Best first.")
    note: str | None = text("Note")


def contributor(row: DimensionRow, path: str) -> Contributor:
    """A row as the loop needs it. Raises Refused at the row."""
    lower, upper = row.lower, row.upper
    if row.tolerance is not None:
        if lower is not None or upper is not None:
            raise refuse(f"{path}/tolerance", "Give a tolerance or the two limits, not both.", "both-given")
        lower, upper = row.nominal - row.tolerance, row.nominal + row.tolerance
    elif row.spread == "measured" and row.measured and lower is None and upper is None:
        lower, upper = min(row.measured), max(row.measured)
    if lower is None or upper is None:
        raise refuse(f"{path}/tolerance", "Missing. Give a tolerance, or both limits.", "no-tolerance")
    if lower > upper:
        raise refuse(f"{path}/upper", "The upper limit is below the lower one. Exchange the two.", "limits-swapped")
    if row.spread == "measured" and len(row.measured) < 2:
        raise refuse(f"{path}/measured", "Give at least two measured casts, or another spread.", "too-few-measured")
    if row.spread != "measured" and row.measured:
        raise refuse(f"{path}/spread", "There are measured casts, but the row is drawn otherwise.", "idle-measured")
    return Contributor(row.name, row.nominal, lower, upper, row.spread, row.sds_to_limit, row.measured)


def gap_limits(inputs: Closing) -> GapLimits | None:
    """None where no limit is given. Raises Refused."""
    if inputs.gap_lower is None and inputs.gap_upper is None:
        return None
    try:
        return GapLimits(inputs.gap_lower, inputs.gap_upper)
    except InputError as error:
        raise refuse("/gap_upper", error.sentence, error.code) from error


def answer(loop: Loop, contributors: Sequence[Contributor], inputs: Closing, unit: str, note: str = "") -> LoopResult:
    """Every figure of a loop."""
    limits = gap_limits(inputs)
    stack = stack_up(loop, contributors)
    chance, gaps = None, None
    if limits is not None:
        chance = closing_chance(
            loop, contributors, limits, confidence=inputs.confidence, assemblies=inputs.assemblies, seed=inputs.seed
        )
        gaps = chance.gaps
    else:
        gaps = draw_gaps(loop, contributors, inputs.assemblies, inputs.seed)
    notes = [note] if note else []
    if chance is not None and chance.surely == "casts":
        notes.append("The bounds carry how few casts were measured, taken as normal.")
    if stack.sd == 0:
        notes.append("No dimension varies: that is never so. Give each its tolerance.")
    return LoopResult(
        sentence=_said(stack, chance, inputs, unit, [one.name for one in contributors]),
        nominal=stack.nominal,
        middle=stack.middle,
        least=stack.least,
        most=stack.most,
        worst=float(np.abs(stack.sensitivities * [one.half for one in contributors]).sum()),
        rss=stack.rss,
        sd=stack.sd,
        simulated_mean=float(gaps.mean()),
        simulated_sd=float(gaps.std()),
        chance=None if chance is None else chance.share,
        chance_low=None if chance is None else chance.low,
        chance_high=None if chance is None else chance.high,
        too_small=None if chance is None else chance.too_small,
        too_large=None if chance is None else chance.too_large,
        chance_normal=None if limits is None else normal_chance(loop, contributors, limits),
        rows=_rows(loop, contributors, stack),
        changes=() if limits is None else _changes(loop, contributors, limits, inputs.seed),
        note=" ".join(notes) or None,
    )


def _rows(loop: Loop, contributors: Sequence[Contributor], stack: StackUp) -> tuple[LoopRow, ...]:
    middle = np.array([one.middle for one in contributors])
    steps = np.array([one.sd / 10 or 1e-6 * (abs(one.middle) or 1.0) for one in contributors])
    by_steps = numeric_sensitivities(loop, middle, steps)
    return tuple(
        LoopRow(
            name=one.name,
            sensitivity=float(slope),
            by_steps=float(stepped),
            middle=one.middle,
            sd=one.sd,
            reach=abs(float(slope)) * one.half,
            share=float(part),
        )
        for one, slope, stepped, part in zip(contributors, stack.sensitivities, by_steps, stack.shares, strict=True)
    )


def _changes(loop: Loop, contributors: Sequence[Contributor], limits: GapLimits, seed: int) -> tuple[ChangeRow, ...]:
    return tuple(
        ChangeRow(
            change=f"{one.name}: half the spread"
            if one.kind == "halve"
            else f"{one.name}: mean moved by {digits(one.shift, 4)}",
            chance=one.share,
        )
        for one in remedies(loop, contributors, limits, seed=seed)[:10]
    )


def percent(value: float) -> str:
    """Finer near the ends, where it matters; never rounded up to all."""
    if value in (0.0, 1.0):
        return f"{100 * value:.0f}{NBSP}%"
    if value < 1e-4:
        return f"less than 0.01{NBSP}%"
    decimals = 2 if min(value, 1 - value) < 0.01 else 1
    cut = np.floor(100 * value * 10**decimals + 1e-9) / 10**decimals
    return f"{number(float(cut), decimals)}{NBSP}%"


def _said(stack: StackUp, chance: ClosingChance | None, inputs: Closing, unit: str, names: Sequence[str]) -> str:
    fine = _decimals(stack.sd)
    worst = f"worst case {written(stack.least, unit, unit, fine)} to {written(stack.most, unit, unit, fine)}"
    most = int(np.argmax(stack.shares))
    spoiler = ""
    if stack.sd > 0 and len(names) > 1:
        spoiler = f"; {names[most]} spoils it most, {number(100 * stack.shares[most], 0)}{NBSP}% of the variance"
    if chance is None:
        nominal, rss = (written(value, unit, unit, fine) for value in (stack.nominal, stack.rss))
        return f"The gap is {nominal} ± {rss} by root sum of squares, {worst}{spoiler}."
    sure = number(100 * inputs.confidence, 0)
    close = "Every simulated assembly closes" if chance.share == 1 else f"{percent(chance.share)} of assemblies close"
    return f"{close} inside the limits, at least {percent(chance.low)} with {sure}{NBSP}% confidence; {worst}{spoiler}."


def _decimals(sd: float) -> int | None:
    """Two digits of the standard deviation are enough; six digits where nothing varies."""
    return None if sd <= 0 else int(min(6, max(0, 1 - np.floor(np.log10(sd)))))


def plots(
    loop: Loop, contributors: Sequence[Contributor], inputs: Closing, unit: str, result: LoopResult
) -> tuple[Plot, ...]:
    """How the gap lies against its limits, and what it is made of."""
    if result.sd == 0:
        return ()
    gaps = draw_gaps(loop, contributors, min(inputs.assemblies, 100_000), inputs.seed)
    rows = sorted(result.rows, key=lambda row: -row.share)[:10]
    bars = Series(tuple(float(i) for i in range(1, len(rows) + 1)), tuple(100 * row.share for row in rows), "bars")
    return (
        gap_plot(gaps, gap_limits(inputs), unit, result.sentence),
        Plot(
            "What spoils it",
            Axis("dimension", names=tuple(row.name for row in rows)),
            Axis("share of the variance", "%", low=0.0),
            (bars,),
            says=f"{rows[0].name} brings most, {number(100 * rows[0].share, 0)}{NBSP}% of the variance.",
        ),
    )


def gap_plot(gaps: Floats, limits: GapLimits | None, unit: str, says: str) -> Plot:
    """Simulated gaps as a stepped outline, with the limits hatched outside."""
    low, high = (float(end) for end in np.quantile(gaps, [0.0005, 0.9995]))
    if high <= low:
        low, high = low - 0.5, high + 0.5
    counted, edges = np.histogram(gaps, bins=BARS, range=(low, high))
    shares = 100 * counted / len(gaps)
    marks = []
    if limits is not None:
        if limits.lower is not None:
            marks.append(Mark(limits.lower, "least", "x", "below"))
        if limits.upper is not None:
            marks.append(Mark(limits.upper, "largest", "x", "above"))
    return Plot(
        "How the gap comes out",
        Axis("gap", unit),
        Axis("share of assemblies", "%", low=0.0),
        (curve(edges, np.append(shares, shares[-1]), "steps"),),
        tuple(marks),
        says=says,
    )
