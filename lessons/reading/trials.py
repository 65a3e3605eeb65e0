"""Trials, gaps and questions as their pages read them out: one sentence, and what now."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple

from casting.moments import said
from inspection.models import Result
from lessons.models import FitCheck, Mockup, Question, Trial
from metrology.amounts.decimals import places
from metrology.closure.gap import judge_gap
from metrology.closure.scaling import full_size
from metrology.wording import NBSP, count, limits, listed, quantity
from parts.models import Interface


class Spoken(NamedTuple):
    mark: str
    sentence: str
    then: str = ""


def span_said(span: timedelta) -> str:
    """ "35 min", "2 h 5 min", "3 days"."""
    minutes = max(int(span.total_seconds() // 60), 0)
    if minutes < 60:
        return f"{minutes}{NBSP}min"
    if minutes < 48 * 60:
        return f"{minutes // 60}{NBSP}h" + (f" {minutes % 60}{NBSP}min" if minutes % 60 else "")
    return count(minutes // (24 * 60), "day")


def trial_in_words(trial: Trial, now: datetime) -> Spoken:
    """trial: with steps and fit checks prefetched."""
    steps, checks = len(trial.steps.all()), trial.fit_checks.all()
    done = f"{count(steps, 'step')}, {count(len(checks), 'gap')} measured"
    found = outcome(checks)
    if not trial.ended_at:
        return Spoken("way", f"Under way for {span_said(now - trial.started_at)}: {done}.", found)
    span = span_said(trial.ended_at - trial.started_at)
    return Spoken(gravest(checks), f"Ended after {span}: {done}.", found)


def gravest(checks: Sequence[FitCheck]) -> str:
    """The result that weighs most, by which a trial is marked."""
    results = {check.result for check in checks}
    for result in (Result.DOES_NOT, Result.INCONCLUSIVE, Result.CONFORMS):
        if result in results:
            return result.value
    return Result.NOT_MEASURED.value


def outcome(checks: Sequence[FitCheck]) -> str:
    """ "3 gaps conform, 1 does not." """
    if not checks:
        return "No gap was measured."
    good = sum(check.result == Result.CONFORMS for check in checks)
    bad = sum(check.result == Result.DOES_NOT for check in checks)
    parts = [f"{count(good, 'gap')} {'conforms' if good == 1 else 'conform'}"] if good else []
    if bad:
        parts.append(f"{count(bad, 'gap')} {'does not conform' if bad == 1 else 'do not conform'}")
    if unsure := len(checks) - good - bad:
        parts.append(f"{count(unsure, 'gap')} {'is' if unsure == 1 else 'are'} inconclusive")
    return listed(parts) + "."


def question_in_words(question: Question) -> Spoken:
    if question.is_open:
        parts = listed([component.part_number for component in question.components.all()])
        return Spoken("missing", "Open: not answered yet.", f"{parts} cannot be released before it is answered.")
    where = f" in trial {question.answered_in}" if question.answered_in else ""
    at = said(question.kit, question.answered_at)
    return Spoken("pass", "Answered.", f"By {question.answered_by}{where}, {at}.")


def mockup_in_words(mockup: Mockup) -> Spoken:
    """mockup: with its counts, see `queries.trials.mockups_for_list`."""
    if mockup.open_count:
        verb = "is" if mockup.open_count == 1 else "are"
        sentence = f"{mockup.open_count} of {count(mockup.question_count, 'question')} {verb} open."
        return Spoken("missing", sentence, "Try it, measure, and answer.")
    if mockup.question_count:
        return Spoken("pass", f"{count(mockup.question_count, 'question')} asked, all answered.")
    return Spoken("none", "No question has been asked of it.", "Say what it must answer before it is built.")


@dataclass(frozen=True)
class Gap:
    """One fit check with the sentence that goes with it. stands_for: in words, on a model only.

    full_size: mm, what the gap stands for at full size.
    """

    check: FitCheck
    sentence: str
    stands_for: str
    full_size: float


def gap_in_words(check: FitCheck, scale: float) -> Gap:
    """scale: n of the mock-up's 1 : n. The limits of a check are frozen at that size already."""
    lower, upper = (None if limit is None else float(limit) for limit in (check.lower, check.upper))
    gap = float(check.gap)
    fit = judge_gap(gap, lower, upper, float(check.uncertainty))
    return Gap(check, fit.sentence, "" if scale == 1 else stands_for(gap, scale), full_size(gap, scale))


def stands_for(gap: float, scale: float) -> str:
    """ "0.8 mm here stands for 4.0 mm at full size." """
    large = full_size(abs(gap), scale)
    what = "" if gap >= 0 else " of overlap"
    here, there = quantity(abs(gap), "mm", places(gap)), quantity(large, "mm", places(large))
    return f"{here}{what} here stands for {there} at full size."


def limits_here(interface: Interface, scale: float) -> str:
    """ "0.2 to 0.8 mm; 1 to 4 mm at full size" """
    full = _limits(interface, 1.0)
    return full if scale == 1 else f"{_limits(interface, scale)} here, {full} at full size"


def _limits(interface: Interface, scale: float) -> str:
    scaled = [None if v is None else round(float(v) / scale, 4) for v in (interface.lower, interface.upper)]
    return limits(*scaled, "mm", places(*scaled))
