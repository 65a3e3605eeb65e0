"""A cast as its page reads it out: one sentence on where it stands, and what now."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import NamedTuple

from metrology.concrete.strength import acceptance
from metrology.wording import NBSP, count
from parts.models import Revision

from .models import Cast, StrengthTest
from .moments import said

Standing = Cast.Standing


class Spoken(NamedTuple):
    mark: str
    sentence: str
    then: str


def cast_in_words(cast: Cast, now: datetime) -> Spoken:
    """cast: with `open_count`, see `queries.casts_with_facts`."""
    open_ones = cast.open_count
    at = f", {cast.place}" if cast.place else ""
    match cast.standing:
        case Standing.SCRAPPED:
            return Spoken("withdrawn", f"{cast} is scrapped. It may not be used.", "")
        case Standing.IN_MOULD:
            return Spoken(
                "way",
                f"{cast} has been in {cast.mould or 'its mould'} for {_span(now - cast.poured_at)}.",
                "Demould it when its age and the measured strength allow; the strength for demoulding and lifting is "
                "the engineer's value.",
            )
        case Standing.SEGREGATED:
            sentence = f"{cast} is segregated{at}."
        case Standing.CURING:
            sentence = f"{cast} has been curing for {_span(now - cast.demoulded_at)}{at}."
        case _:
            sentence = f"{cast} is {cast.get_standing_display()}{at}."
    if open_ones:
        what = "nonconformity is" if open_ones == 1 else "nonconformities are"
        return Spoken("hold", sentence, f"{open_ones}{NBSP}{what} open. It is not used until that is decided.")
    if cast.standing == Standing.SEGREGATED:
        return Spoken("hold", sentence, "No nonconformity is open on it: move it back when it may be used again.")
    mark = "way" if cast.standing == Standing.CURING else "pass"
    return Spoken(mark, sentence, f"Demoulded {said(cast.kit, cast.demoulded_at)}." if cast.demoulded_at else "")


def _span(span: timedelta) -> str:
    """ "3 days", "5 hours", counted down."""
    hours = max(int(span.total_seconds() // 3600), 0)
    return count(hours // 24, "day") if hours >= 48 else count(hours, "hour")


def strength_in_words(revision: Revision, tests: Sequence[StrengthTest]) -> Spoken | None:
    """What the tests at the required age or later say; None when no strength is asked for."""
    if revision.strength_required is None:
        return None
    ripe = [float(test.strength) for test in tests if test.age_days >= revision.strength_age_days]
    found = acceptance(ripe, float(revision.strength_required))
    age = count(revision.strength_age_days, "day")
    return Spoken(found.result, found.sentence, f"Tests at {age} or later count; {len(ripe)} of {len(tests)} do.")
