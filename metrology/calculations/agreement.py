"""Agreement of appraisers who judge by words."""

from collections import Counter
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.conformity_risk import percent
from metrology.calculations.fields import amount, grid, sentence, share, table, text, whole
from metrology.calculations.problems import refuse
from metrology.calculations.said import digits
from metrology.statistics.agreement import Kappa, cohen, cross_counts, fleiss
from metrology.statistics.tolerance_interval import clopper_pearson
from metrology.wording import NBSP, count, number

KAPPA = Source("Cohen (1960); Fleiss (1971); Fleiss, Cohen and Everitt (1969)", "from memory")
MSA = Source("AIAG Measurement Systems Analysis, 4th edition: attribute study", "from memory")
CHOSEN = "Choose items near the border as well: clear ones alone make any appraiser look good."


@dataclass(frozen=True)
class Judgement:
    item: str = text("Item")
    appraiser: str = text("Appraiser")
    rating: str = text("Judgement")
    reference: str = text("Right judgement", default="", help="Where it is known.")


@dataclass(frozen=True, kw_only=True)
class AgreementInputs:
    judgements: tuple[Judgement, ...] = table("Judgements", Judgement, least=2, most=20_000)
    confidence: float = share("Confidence", default=0.95, above=0.0, below=1.0)


@dataclass(frozen=True)
class ByAppraiser:
    appraiser: str = text("Appraiser")
    items: int = whole("Items")
    with_self: float | None = share("Agrees with self", decimals=4, help="Items judged alike every time.")
    with_self_low: float | None = share("From", decimals=4)
    with_self_high: float | None = share("To", decimals=4)
    with_reference: float | None = share("Agrees with the right one", decimals=4, help="Every time.")
    with_reference_low: float | None = share("From", decimals=4)
    with_reference_high: float | None = share("To", decimals=4)
    kappa_self: float | None = amount("Kappa with self", decimals=4)
    kappa_reference: float | None = amount("Kappa with the right one", decimals=4)


@dataclass(frozen=True)
class Pair:
    first: str = text("First")
    second: str = text("Second")
    agreement: float = share("Agreement", decimals=4)
    kappa: float | None = amount("Cohen's kappa", decimals=4)


@dataclass(frozen=True, kw_only=True)
class AgreementResult:
    sentence: str = sentence()
    items: int = whole("Items")
    appraisers: int = whole("Appraisers")
    repeats: int = whole("Judgements each")
    words: str = text("Judgements used")
    all_agree: float | None = share("All appraisers agree", decimals=4, help="Every time, with one another.")
    all_agree_low: float | None = share("All agree, from", decimals=4)
    all_agree_high: float | None = share("All agree, to", decimals=4)
    all_right: float | None = share("All agree with the right one", decimals=4)
    all_right_low: float | None = share("All right, from", decimals=4)
    all_right_high: float | None = share("All right, to", decimals=4)
    fleiss_kappa: float | None = amount("Fleiss' kappa of all judgements", decimals=5)
    fleiss_low: float | None = amount("Fleiss' kappa, from", decimals=4)
    fleiss_high: float | None = amount("Fleiss' kappa, to", decimals=4)
    by_appraiser: tuple[ByAppraiser, ...] = table("Each appraiser", ByAppraiser)
    pairs: tuple[Pair, ...] = table("Each two appraisers", Pair, help="Judgement by judgement, in their order.")


Cells = dict[tuple[str, str], list[str]]


def agreement(inputs: AgreementInputs) -> AgreementResult:
    """Agreement of each appraiser with self, with one another and with the right judgement."""
    items = tuple(dict.fromkeys(one.item for one in inputs.judgements))
    people = tuple(dict.fromkeys(one.appraiser for one in inputs.judgements))
    right = _references(inputs)
    words = tuple(sorted({one.rating for one in inputs.judgements} | set(right.values())))
    cells, repeats = _cells(inputs, items, people)
    given = [Counter(word for p in people for word in cells[i, p]) for i in items]
    counts = np.array([[one[word] for word in words] for one in given])
    whole_lot = fleiss(counts, inputs.confidence) if counts[0].sum() > 1 else None
    alike = sum(len(one) == 1 for one in given)
    both = len(people) > 1
    agree = _share(alike, len(items), inputs.confidence) if both else (None, None, None)
    good: tuple[float | None, float | None, float | None] = (None, None, None)
    if right:
        hits = sum(set(one) == {right[i]} for one, i in zip(given, items, strict=True))
        good = _share(hits, len(items), inputs.confidence)
    rows = tuple(_of(p, cells, items, words, right, inputs.confidence) for p in people)
    return AgreementResult(
        sentence=_said(whole_lot, agree[0], good[0], rows, len(items), inputs.confidence),
        items=len(items),
        appraisers=len(people),
        repeats=repeats,
        words=", ".join(words),
        all_agree=agree[0],
        all_agree_low=agree[1],
        all_agree_high=agree[2],
        all_right=good[0],
        all_right_low=good[1],
        all_right_high=good[2],
        fleiss_kappa=whole_lot.value if whole_lot else None,
        fleiss_low=whole_lot.low if whole_lot else None,
        fleiss_high=whole_lot.high if whole_lot else None,
        by_appraiser=rows,
        pairs=tuple(_pair(one, other, cells, items, words) for one, other in combinations(people, 2)),
    )


def _references(inputs: AgreementInputs) -> dict[str, str]:
    """Item → right judgement; empty when none is given."""
    found: dict[str, str] = {}
    for row, one in enumerate(inputs.judgements):
        if one.reference and found.setdefault(one.item, one.reference) != one.reference:
            said = f"Item {one.item} has two right judgements. Correct one of them."
            raise refuse(f"/judgements/{row}/reference", said, "two-references")
    if found:
        for row, one in enumerate(inputs.judgements):
            if one.item not in found:
                said = f"Item {one.item} has no right judgement and others have. Give it, or none at all."
                raise refuse(f"/judgements/{row}/reference", said, "missing")
    return found


def _cells(inputs: AgreementInputs, items: tuple[str, ...], people: tuple[str, ...]) -> tuple[Cells, int]:
    cells: Cells = {}
    for row, one in enumerate(inputs.judgements):
        if not one.rating:
            raise refuse(f"/judgements/{row}/rating", "Give the judgement.", "missing")
        cells.setdefault((one.item, one.appraiser), []).append(one.rating)
    repeats = max(len(cell) for cell in cells.values())
    for item in items:
        for person in people:
            have = len(cells.get((item, person), ()))
            if have != repeats:
                said = (
                    f"Appraiser {person} judged item {item} {have} times, not {repeats}. Complete it or leave it out."
                )
                raise refuse("/judgements", said, "not-balanced")
    return cells, repeats


def _share(hits: int, n: int, confidence: float) -> tuple[float, float, float]:
    return hits / n, *clopper_pearson(hits, n, (1 - confidence) / 2, (1 - confidence) / 2)


def _of(
    person: str, cells: Cells, items: tuple[str, ...], words: tuple[str, ...], right: dict[str, str], confidence: float
) -> ByAppraiser:
    given = [cells[item, person] for item in items]
    repeats = len(given[0])
    own: tuple[float | None, float | None, float | None] = (None, None, None)
    if repeats > 1:
        own = _share(sum(len(set(one)) == 1 for one in given), len(items), confidence)
    kappa_self = fleiss(np.array([[one.count(w) for w in words] for one in given])).value if repeats > 1 else None
    if not right:
        return ByAppraiser(person, len(items), *own, None, None, None, kappa_self=kappa_self, kappa_reference=None)
    hits = sum(set(one) == {right[item]} for one, item in zip(given, items, strict=True))
    flat = [word for one in given for word in one]
    true = [right[item] for item in items for _ in range(repeats)]
    return ByAppraiser(
        person,
        len(items),
        *own,
        *_share(hits, len(items), confidence),
        kappa_self=kappa_self,
        kappa_reference=cohen(cross_counts(flat, true, words)).value,
    )


def _pair(one: str, other: str, cells: Cells, items: tuple[str, ...], words: tuple[str, ...]) -> Pair:
    first = [word for item in items for word in cells[item, one]]
    second = [word for item in items for word in cells[item, other]]
    found = cohen(cross_counts(first, second, words))
    return Pair(one, other, found.agreement, found.value)


def _said(
    found: Kappa | None,
    agree: float | None,
    right: float | None,
    rows: tuple[ByAppraiser, ...],
    items: int,
    confidence: float,
) -> str:
    of = f"of {count(items, 'item')}"
    if right is not None:
        said = (
            f"All judge rightly {percent(right)} {of}" if len(rows) > 1 else f"Right every time: {percent(right)} {of}"
        )
    elif agree is not None:
        said = f"All agree on {percent(agree)} {of}"
    else:
        said = f"{rows[0].appraiser} agrees with self on {percent(rows[0].with_self or 0.0)} {of}"
    if found is None:
        return said + "."
    if found.value is None:
        return said + "; one judgement only was used, so kappa is not defined."
    said += f"; Fleiss' kappa is {number(found.value, 2)}"
    if found.low is not None and found.high is not None:
        ends = f"{number(found.low, 2)} to {number(found.high, 2)}"
        said += f", with {digits(100 * confidence)}{NBSP}% confidence from {ends}"
    return said + "."


# ---- kappa of counts -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class KappaInputs:
    counts: tuple[tuple[float, ...], ...] = grid(
        "Counts", lowest=0.0, help="Rows: the first appraiser's words; columns: the second's."
    )
    confidence: float = share("Confidence", default=0.95, above=0.0, below=1.0)


@dataclass(frozen=True, kw_only=True)
class KappaResult:
    sentence: str = sentence()
    kappa: float | None = amount("Kappa", decimals=5, help="None when one word only was used.")
    low: float | None = amount("Kappa, from", decimals=4)
    high: float | None = amount("Kappa, to", decimals=4)
    error: float | None = amount("Standard error", decimals=5)
    agreement: float = share("Agreement", decimals=4)
    chance: float = share("Agreement by chance", decimals=4)
    n: int = whole("Items")


def cohen_kappa(inputs: KappaInputs) -> KappaResult:
    """Two appraisers, from a table of counts."""
    return _kappa_result("Cohen's", cohen(np.asarray(inputs.counts), inputs.confidence), inputs.confidence)


@dataclass(frozen=True, kw_only=True)
class FleissInputs:
    counts: tuple[tuple[float, ...], ...] = grid(
        "Counts", lowest=0.0, most=20_000, help="A row for each item: how many gave it each word."
    )
    confidence: float = share("Confidence", default=0.95, above=0.0, below=1.0)


def fleiss_kappa(inputs: FleissInputs) -> KappaResult:
    """Any number of appraisers, from the counts of each item."""
    return _kappa_result("Fleiss'", fleiss(np.asarray(inputs.counts), inputs.confidence), inputs.confidence)


def _kappa_result(whose: str, found: Kappa, confidence: float) -> KappaResult:
    if found.value is None:
        said = f"One word only was used for {count(found.n, 'item')}, so kappa is not defined."
    else:
        said = f"{whose} kappa of {count(found.n, 'item')} is {number(found.value, 3)}"
        if found.low is not None and found.high is not None:
            ends = f"{number(found.low, 2)} to {number(found.high, 2)}"
            said += f", with {digits(100 * confidence)}{NBSP}% confidence from {ends}"
        said += f": {percent(found.agreement)} agree where chance would give {percent(found.chance)}."
    return KappaResult(
        sentence=said,
        kappa=found.value,
        low=found.low,
        high=found.high,
        error=found.error,
        agreement=found.agreement,
        chance=found.chance,
        n=found.n,
    )


def _example() -> tuple[Judgement, ...]:
    """Two people judge eight arrises twice, invented."""
    bad, good = "chipped", "pass"
    rows = ((good,) * 5, (bad,) * 5, (good, good, good, bad, good), (good,) * 5,
            (bad, bad, bad, good, bad), (good,) * 5, (bad,) * 5, (good,) * 5)  # fmt: skip
    return tuple(
        Judgement(str(i + 1), who, row[1 + place], row[0])
        for i, row in enumerate(rows)
        for place, who in enumerate(("Ines", "Ines", "Mara", "Mara"))
    )


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="attribute-agreement",
        title="Agreement of appraisers",
        subject="Gauges and process",
        asks="Do appraisers judge alike, and rightly?",
        inputs=AgreementInputs,
        result=AgreementResult,
        compute=agreement,
        example=AgreementInputs(judgements=_example()),
        formula="""agreement: items judged alike every time ÷ items, with Clopper–Pearson limits
kappa = (agreement − chance) ÷ (1 − chance); Fleiss: all judgements of each item; Cohen: two appraisers""",
        sources=(MSA, KAPPA),
        cautions=(CHOSEN,),
    ),
    Calculation(
        name="cohen-kappa",
        title="Kappa of two appraisers",
        subject="Gauges and process",
        asks="How far do two appraisers agree beyond chance?",
        inputs=KappaInputs,
        result=KappaResult,
        compute=cohen_kappa,
        example=KappaInputs(counts=((20.0, 5.0), (10.0, 15.0))),
        formula="""kappa = (agreement − chance) ÷ (1 − chance), chance = Σ share of row · share of column
standard error by Fleiss, Cohen and Everitt; normal interval""",
        sources=(KAPPA,),
        cautions=(CHOSEN,),
    ),
    Calculation(
        name="fleiss-kappa",
        title="Kappa of many appraisers",
        subject="Gauges and process",
        asks="How far do many appraisers agree beyond chance?",
        inputs=FleissInputs,
        result=KappaResult,
        compute=fleiss_kappa,
        example=FleissInputs(counts=((3.0, 0.0), (2.0, 1.0), (0.0, 3.0), (3.0, 0.0), (1.0, 2.0), (0.0, 3.0))),
        formula="""kappa = (agreement − chance) ÷ (1 − chance); agreement: mean of (Σ counts² − m) ÷ m(m − 1) over items
chance = Σ (share of each word)²; interval by leaving out one item at a time""",
        sources=(KAPPA,),
        cautions=(CHOSEN,),
    ),
)
