"""Do the loops that the part stands in close often enough, with its own dimensions drawn from its casts."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from inspection.closure import loops_with, read_loops
from inspection.closure_words import chance_in_words, percent, spoils
from metrology.closure.closing import Closes, PartLoop, closes, verdict
from metrology.wording import count
from parts.models import Revision
from releases.models import Verdict

from .base import Finding, Gauge, Link, missing, not_applicable

CODE = "closure"
TITLE = "Closure"
OWNER = "lead"
NEXT = "See what spoils the loop, and change it"
# A chance of 95 % with 95 % confidence: a starting value of our own, no source.
DEFAULTS: Mapping[str, Any] = {"wanted": 0.95, "confidence": 0.95, "minimum": 3}

# The gravest first: what the check as a whole says.
GRAVEST = (Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.MISSING, Verdict.PASS)
WORDS = {"pass": Verdict.PASS, "fail": Verdict.FAIL, "inconclusive": Verdict.INCONCLUSIVE}


@dataclass(frozen=True)
class Loop:
    """part: what to judge, None while `fault` says why not. own: the part's dimensions in it."""

    code: str
    name: str
    part: PartLoop | None
    fault: str
    own: tuple[str, ...]
    url: str


@dataclass(frozen=True)
class Evidence:
    loops: tuple[Loop, ...]


def ask(settings: Mapping[str, Any]) -> str:
    return f"Loops close with a chance of {percent(settings['wanted'])}, {percent(settings['confidence'])} confidence"


def evidence(revisions: Sequence[Revision]) -> dict[int, Evidence]:
    loops = loops_with(revisions)
    read = read_loops(loops, revisions)
    found: dict[int, list[Loop]] = {revision.pk: [] for revision in revisions}
    for revision in revisions:
        for loop in loops:
            if (one := read.get((loop.pk, revision.pk))) is None:
                continue
            own = tuple(row.member.name for row in one.rows if row.member.component_id == revision.component_id)
            found[revision.pk].append(Loop(loop.code, loop.name, one.part, one.fault, own, loop.get_absolute_url()))
    return {pk: Evidence(tuple(rows)) for pk, rows in found.items()}


def decide(evidence: Evidence, settings: Mapping[str, Any], at: datetime) -> Finding:
    if not evidence.loops:
        return not_applicable("no-loop", "No loop has a dimension of this part.")
    found = sorted((_judge(loop, settings) for loop in evidence.loops), key=lambda one: GRAVEST.index(one.verdict))
    first = found[0]
    if first.verdict == Verdict.PASS and len(found) > 1:
        worst = min(found, key=lambda one: one.figures["low"])
        said = f"All {count(len(found), 'loop')} close. {worst.sentence}"
        return Finding(Verdict.PASS, "closes", said, first.links, worst.gauge, worst.figures)
    return first


def _judge(loop: Loop, settings: Mapping[str, Any]) -> Finding:
    links = (Link(loop.code, loop.url),)
    if loop.part is None:
        return missing("unreadable", f"{loop.code} {loop.name}: {loop.fault}", links=links)
    minimum = settings["minimum"]
    short = [one for one in loop.part.members if one.name in loop.own and not one.from_casts(minimum)]
    if short:
        return missing(
            "too-few",
            f"{loop.code} {loop.name}: {short[0].name} is measured on {len(short[0].casts)} of "
            f"{count(max(2, minimum), 'cast')}.",
            links=links,
        )
    judged = closes(loop.part, minimum, settings["confidence"])
    word = WORDS[verdict(judged, settings["wanted"])]
    code = {Verdict.PASS: "closes", Verdict.FAIL: "does-not-close"}.get(word, "unsure")
    return Finding(
        word, code, f"{loop.code} {loop.name}: {_said(loop.part, judged, settings)}", links,
        Gauge(settings["wanted"], None, (judged.share,), unit="", decimals=2),
        {"chance": judged.share, "low": judged.low, "high": judged.high},
    )  # fmt: skip


def _said(part: PartLoop, judged: Closes, settings: Mapping[str, Any]) -> str:
    return f"{chance_in_words(judged, settings['confidence'])} {spoils(part, judged)}".strip()
