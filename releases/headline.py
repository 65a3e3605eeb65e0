"""The sentence under the head of a gate sheet: what stands, and what now."""

from collections.abc import Sequence
from dataclasses import dataclass

from metrology.wording import count, day, listed
from parts.models import Revision

from .gate import GateReading
from .models import Hold, Release, Verdict, Withdrawal

State = Revision.State


@dataclass(frozen=True)
class Headline:
    """word: a verdict or state whose mark stands before the sentence."""

    word: str
    sentence: str
    then: str


def headline(
    revision: Revision,
    reading: GateReading,
    *,
    release: Release | None = None,
    holds: Sequence[Hold] = (),
    withdrawal: Withdrawal | None = None,
    buildable: Revision | None = None,
    changed_for_worse: Sequence[str] = (),
) -> Headline:
    """One sentence, then one line."""
    if withdrawal:
        return Headline(
            "withdrawn",
            f"Withdrawn on {day(withdrawal.withdrawn_at)}: never use it again.",
            withdrawal.reason,
        )
    if holds:
        return Headline("on hold", f"On hold: {holds[0].reason}", f"Since {day(holds[0].placed_at)}, {holds[0].code}.")
    if revision.state == State.SUPERSEDED:
        later = f"Build with revision {buildable.letter}." if buildable else "No later revision is buildable now."
        return Headline("superseded", f"Superseded since {day(revision.state_since)}.", later)
    if revision.state == State.BUILDABLE and release:
        signed = listed([sign.signed_name for sign in release.sign_offs.all()])
        if changed_for_worse:
            return Headline(
                "inconclusive",
                f"Signed, but the evidence has changed: {listed(list(changed_for_worse))}.",
                f"Signed by {signed} on {day(release.released_at)}. Tags answer by today's evidence.",
            )
        verdict = "conceded" if reading.verdict == Verdict.CONCEDED else "buildable"
        return Headline(verdict, f"Buildable: signed by {signed} on {day(release.released_at)}.", reading.summary)
    keep = f" Keep building with revision {buildable.letter}." if buildable else ""
    if reading.is_clear:
        if revision.state == State.PUT_FORWARD:
            waits = "Every check passes. It waits for the signature of a lead who is not its author."
            return Headline("put forward", waits, reading.summary + keep)
        return Headline("pass", "Every check passes. It can be put forward.", reading.summary + keep)
    first = reading.stopping[0]
    rest = len(reading.stopping) - 1
    more = f", and {count(rest, 'check')} more {'waits' if rest == 1 else 'wait'}" if rest else ""
    said = first.finding.sentence
    verdict = {Verdict.FAIL: "fail", Verdict.INCONCLUSIVE: "inconclusive"}.get(first.verdict, "missing")
    return Headline(verdict, f"Not buildable: {first.title.lower()}{more}. {said}", reading.summary + keep)
