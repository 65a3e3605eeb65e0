"""Acceptance by a sample."""

from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats
from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.conformity_risk import percent
from metrology.calculations.fields import amount, choice, flag, sentence, share, table, text, whole
from metrology.calculations.plots import Axis, Mark, Plot, Series, curve
from metrology.calculations.problems import refuse
from metrology.calculations.said import digits
from metrology.errors import InputError
from metrology.statistics.sampling import (
    AQLS,
    LEVELS,
    accept_from_lot,
    accept_from_process,
    share_accepted_with,
    single_plan,
    zero_acceptance_size,
)
from metrology.wording import NBSP, count

HYPERGEOMETRIC = Source("Hypergeometric distribution, counted in whole numbers", "definition")
TABLES = Source("ISO 2859-1 and MIL-STD-105E, tables I and II-A: single sampling, normal inspection", "from memory")
RANDOM = "Take the sample at random from the whole lot: by drawn serials, not from the top of the stack."
POINTS = 61


# ---- no nonconforming item in the sample -----------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class ZeroInputs:
    lot: int = whole("Lot", lowest=1, highest=10_000_000)
    limit: float = share("Nonconforming share that must not pass", default=0.05, above=0.0, below=1.0)
    risk: float = share("Risk of accepting it", default=0.1, above=0.0, below=1.0)


@dataclass(frozen=True, kw_only=True)
class ZeroResult:
    sentence: str = sentence()
    n: int = whole("Sample")
    bad: int = whole("Nonconforming items meant", help="The share of the lot, as the next whole number of items.")
    risk: float = share("Risk with that sample", decimals=4)


def zero_plan(inputs: ZeroInputs) -> ZeroResult:
    """The least sample of a plan that accepts only when the sample holds no nonconforming item."""
    n, bad = zero_acceptance_size(inputs.lot, inputs.limit, inputs.risk)
    risk = float(accept_from_lot(inputs.lot, n, 0, [bad])[0])
    said = (
        f"Inspect {n} of {count(inputs.lot, 'item')} and accept only if none is nonconforming: a lot with "
        f"{count(bad, 'nonconforming item')} passes with a probability of {percent(risk)}."
    )
    if n == inputs.lot:
        said = f"Inspect all {count(n, 'item')}: no smaller sample keeps the risk."
    return ZeroResult(sentence=said, n=n, bad=bad, risk=risk)


def zero_plot(inputs: ZeroInputs, result: ZeroResult) -> tuple[Plot, ...]:
    most = min(inputs.lot, max(4 * result.bad, 8))
    bad = np.unique(np.linspace(0, most, POINTS).astype(int))
    accepted = 100 * accept_from_lot(inputs.lot, result.n, 0, bad)
    line = Series(tuple(bad.astype(float).tolist()), tuple(accepted.tolist()), "points")
    marks = (
        Mark(float(result.bad), "must not pass", "x", "above"),
        Mark(100 * inputs.risk, "risk allowed", heavy=False),
    )
    axes = Axis("nonconforming items in the lot"), Axis("accepted", "%", low=0.0, high=100.0)
    return (Plot("How often a lot is accepted", *axes, (line,), marks, result.sentence),)


# ---- plans of the standard -------------------------------------------------------------------------------------------

_AQLS = {f"{aql:g}": f"{aql:g}" for aql in AQLS}
_LEVELS = {level: level for level in LEVELS}


@dataclass(frozen=True, kw_only=True)
class PlanInputs:
    lot: int = whole("Lot", lowest=2, highest=10**9)
    level: str = choice("Inspection level", _LEVELS, default="II")
    aql: str = choice(
        "AQL", _AQLS, default="1", help="Percent nonconforming to 10, above that nonconformities per 100 items."
    )


@dataclass(frozen=True, kw_only=True)
class PlanResult:
    sentence: str = sentence()
    letter: str = text("Code letter")
    n: int = whole("Sample")
    accept: int = whole("Acceptance number Ac")
    reject: int = whole("Rejection number Re")
    asked: str = text("Code letter of the lot")
    arrow: bool = flag("An arrow was followed")
    whole_lot: bool = flag("The whole lot is inspected")
    accepted_at_aql: float | None = share("Accepted at the AQL", decimals=5, help="A lot of a long series.")
    share_95: float | None = share("Share accepted 95 times in 100", decimals=5)
    share_10: float | None = share("Share accepted 10 times in 100", decimals=5)


def plan(inputs: PlanInputs) -> PlanResult:
    """A single sampling plan for normal inspection, looked up with its arrows."""
    aql = float(inputs.aql)
    try:
        found = single_plan(inputs.lot, inputs.level, aql)
    except InputError as error:
        raise refuse("/lot", error.sentence, error.code) from error
    sharp = aql <= 10 and not found.whole_lot and found.accept < found.n
    said = (
        f"Inspect {count(found.n, 'item')}; accept with {found.accept} nonconforming or fewer, refuse with "
        f"{found.reject} or more (letter {found.letter})."
    )
    if found.whole_lot:
        said = f"Inspect the whole lot of {count(found.n, 'item')}: letter {found.letter} asks for as many or more."
    return PlanResult(
        sentence=said,
        letter=found.letter,
        n=found.n,
        accept=found.accept,
        reject=found.reject,
        asked=found.asked,
        arrow=found.letter != found.asked,
        whole_lot=found.whole_lot,
        accepted_at_aql=float(accept_from_process(found.n, found.accept, [aql / 100])[0]) if sharp else None,
        share_95=share_accepted_with(found.n, found.accept, 0.95) if sharp else None,
        share_10=share_accepted_with(found.n, found.accept, 0.10) if sharp else None,
    )


def plan_plot(inputs: PlanInputs, result: PlanResult) -> tuple[Plot, ...]:
    if result.share_10 is None:
        return ()
    return (_curve(result.n, result.accept, None, result.share_10, result.sentence),)


# ---- operating characteristic ----------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class CharacteristicInputs:
    n: int = whole("Sample", lowest=1, highest=1_000_000)
    accept: int = whole("Acceptance number", default=0, lowest=0, highest=2000)
    lot: int | None = whole("Lot", default=None, lowest=1, highest=10_000_000, help="Empty: lots of a long series.")
    share: float = share("Nonconforming share", default=0.01)


@dataclass(frozen=True, kw_only=True)
class CharacteristicRow:
    share: float = amount("Nonconforming", shown="%", decimals=4)
    accepted: float = amount("Accepted", shown="%", decimals=5)


@dataclass(frozen=True, kw_only=True)
class CharacteristicResult:
    sentence: str = sentence()
    accepted: float = share("Accepted at the share given", decimals=4)
    bad: int | None = whole("Nonconforming items in the lot")
    share_95: float = share("Share accepted 95 times in 100", decimals=5, help="A long series; the maker’s point.")
    share_50: float = share("Share accepted 50 times in 100", decimals=5)
    share_10: float = share("Share accepted 10 times in 100", decimals=5, help="A long series; the user’s point.")
    curve: tuple[CharacteristicRow, ...] = table("Curve", CharacteristicRow)


def characteristic(inputs: CharacteristicInputs) -> CharacteristicResult:
    """How often lots are accepted, by their nonconforming share."""
    if inputs.accept >= inputs.n:
        raise refuse(
            "/accept", "It reaches the sample: every lot would be accepted. Give a smaller number.", "bad-sample"
        )
    if inputs.lot is not None and inputs.n > inputs.lot:
        raise refuse("/n", "The sample is larger than the lot. Take fewer.", "bad-sample")
    bad = None if inputs.lot is None else round(inputs.share * inputs.lot)
    share_now = inputs.share if bad is None or inputs.lot is None else bad / inputs.lot
    accepted = float(_accepted(inputs.n, inputs.accept, inputs.lot, np.asarray([share_now]))[0])
    ends = [share_accepted_with(inputs.n, inputs.accept, p) for p in (0.95, 0.5, 0.1)]
    shares = _shares(inputs.lot, min(1.0, 2 * ends[2]), 21)
    rows = zip(shares, _accepted(inputs.n, inputs.accept, inputs.lot, shares), strict=True)
    lot = f" of {count(inputs.lot, 'item')}" if inputs.lot else ""
    said = (
        f"A lot{lot} with {digits(100 * share_now, 4)}{NBSP}% nonconforming is accepted with a probability of "
        f"{percent(accepted)} by a sample of {inputs.n} that may hold {inputs.accept}."
    )
    return CharacteristicResult(
        sentence=said,
        accepted=accepted,
        bad=bad,
        share_95=ends[0],
        share_50=ends[1],
        share_10=ends[2],
        curve=tuple(CharacteristicRow(share=float(a), accepted=float(b)) for a, b in rows),
    )


def _accepted(n: int, accept: int, lot: int | None, shares: Floats) -> Floats:
    if lot is None:
        return accept_from_process(n, accept, shares)
    return accept_from_lot(lot, n, accept, np.rint(shares * lot).astype(int))


def _shares(lot: int | None, most: float, points: int) -> Floats:
    """Shares along the curve; in a lot those that a whole number of items makes."""
    shares = np.linspace(0.0, most, points)
    return shares if lot is None else np.unique(np.rint(shares * lot)) / lot


def characteristic_plot(inputs: CharacteristicInputs, result: CharacteristicResult) -> tuple[Plot, ...]:
    return (_curve(inputs.n, inputs.accept, inputs.lot, result.share_10, result.sentence),)


def _curve(n: int, accept: int, lot: int | None, share_10: float, says: str) -> Plot:
    shares = _shares(lot, min(1.0, 2 * share_10), POINTS)
    line = curve(100 * shares, 100 * _accepted(n, accept, lot, shares), "line" if lot is None else "points")
    return Plot(
        "Operating characteristic",
        Axis("nonconforming", "%", low=0.0),
        Axis("accepted", "%", low=0.0, high=100.0),
        (line,),
        (Mark(95.0, "95", heavy=False), Mark(10.0, "10", heavy=False)),
        says,
    )


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="zero-acceptance-plan",
        title="Accept only without a fault",
        subject="Series and samples",
        asks="How many of a lot must be inspected, when one nonconforming item refuses it?",
        inputs=ZeroInputs,
        result=ZeroResult,
        compute=zero_plan,
        example=ZeroInputs(lot=50, limit=0.1, risk=0.1),
        formula="""the least n with C(N − D, n) ÷ C(N, n) ≤ risk; D = share × lot, up to the next whole number
a probability that equals the risk exactly keeps it""",
        sources=(HYPERGEOMETRIC,),
        cautions=(RANDOM,),
        plot=zero_plot,
    ),
    Calculation(
        name="sampling-plan",
        title="Single sampling plan",
        subject="Series and samples",
        asks="Which sample and acceptance number does the standard give for this lot?",
        inputs=PlanInputs,
        result=PlanResult,
        compute=plan,
        example=PlanInputs(lot=500),
        formula="code letter by lot and level; sample and Ac by letter and AQL; arrows lead to another plan",
        sources=(TABLES,),
        cautions=(
            RANDOM,
            "Normal inspection only. A plan by AQL protects over a run of lots with its switching rules; for one lot "
            "alone take the plan that accepts only without a fault.",
        ),
        plot=plan_plot,
    ),
    Calculation(
        name="operating-characteristic",
        title="Operating characteristic",
        subject="Series and samples",
        asks="How often does a sampling plan accept lots of this quality?",
        inputs=CharacteristicInputs,
        result=CharacteristicResult,
        compute=characteristic,
        example=CharacteristicInputs(n=50, accept=1, share=0.03),
        formula="accepted = P(nonconforming in the sample ≤ Ac): binomial for a long series, hypergeometric for a lot",
        sources=(HYPERGEOMETRIC, Source("Binomial distribution", "definition")),
        cautions=(RANDOM,),
        plot=characteristic_plot,
    ),
)
