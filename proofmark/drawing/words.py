"""Which mark belongs to which word, and times as a sheet writes them."""

from datetime import date, datetime, timedelta

from .numbers import NBSP

MARKS = {
    # verdicts of checks
    "pass": "pass",
    "fail": "fail",
    "inconclusive": "inconclusive",
    "missing": "missing",
    "conceded": "conceded",
    "not applicable": "none",
    # results of measurements
    "conforms": "pass",
    "does not conform": "fail",
    "not measured": "missing",
    # states of a revision
    "in preparation": "prepared",
    "on trial": "way",
    "put forward": "forward",
    "buildable": "pass",
    "superseded": "superseded",
    "withdrawn": "withdrawn",
    "on hold": "hold",
    # clearance
    "cleared": "pass",
    "not cleared": "hold",
    "can't tell": "hold",
    # anything else that runs or is over
    "waiting": "missing",
    "under way": "way",
    "running": "way",
    "curing": "way",
    "in the mould": "way",
    "done": "pass",
    "stopped": "none",
    "segregated": "hold",
    "scrapped": "withdrawn",
    "open": "missing",
    "blocks": "fail",
}
NAMES = (
    "pass", "fail", "cross", "inconclusive", "missing", "prepared", "way", "forward", "conceded", "hold",
    "withdrawn", "superseded", "none", "change",
)  # fmt: skip
REVISION_CLASSES = {
    "in preparation": "trial",
    "on trial": "trial",
    "put forward": "trial",
    "buildable": "signed",
    "superseded": "past",
    "withdrawn": "struck",
}


def plain(word: object) -> str:
    """The word in lower case with a plain apostrophe, as the table above is keyed."""
    return str(word or "").strip().lower().replace("\u2019", "'")


def mark_of(word: object) -> str:
    """The mark that belongs to a word of the glossary, or an empty string."""
    return MARKS.get(plain(word), "")


def sentence_case(words: object) -> str:
    text = str(words or "")
    return text[:1].upper() + text[1:]


def written_moment(moment: date | datetime, style: str = "") -> str:
    """11 May 2026 15:20; "day" leaves the time out, "short" the year, "weekday" is Mon 11 May 15:20, "time" 15:20.

    Parts never separate. A datetime must already be in the zone it is to be read in.
    """
    clock = f"{moment:%H:%M}" if isinstance(moment, datetime) else ""
    if style == "time":
        return clock
    parts = [f"{moment:%a}" if style == "weekday" else "", str(moment.day), f"{moment:%b}"]
    parts.append("" if style in ("short", "weekday") else str(moment.year))
    parts.append("" if style == "day" else clock)
    return NBSP.join(part for part in parts if part)


def written_span(span: timedelta) -> str:
    """4 min, 3 h, 2 days: one figure, rounded down, never negative."""
    seconds = max(int(span.total_seconds()), 0)
    if seconds < 60:
        return f"{seconds}{NBSP}s"
    if seconds < 3600:
        return f"{seconds // 60}{NBSP}min"
    if seconds < 48 * 3600:
        return f"{seconds // 3600}{NBSP}h"
    return f"{seconds // 86400}{NBSP}days"


def written_ago(moment: datetime, now: datetime) -> str:
    """4 min ago; in 3 h when it is still to come; now within a minute."""
    span = now - moment
    if abs(span) < timedelta(minutes=1):
        return "now"
    return f"{written_span(span)} ago" if span > timedelta(0) else f"in {written_span(-span)}"
