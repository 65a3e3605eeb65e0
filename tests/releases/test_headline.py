"""The sentence under the head of a gate sheet, as a table: pure, without a database."""

from dataclasses import replace
from types import SimpleNamespace

import pytest

from parts.models import Component, Revision
from releases.gate import CHECKS, GateReading
from releases.gate.base import failed, inconclusive, missing, passed
from releases.gate.reading import Row
from releases.headline import headline
from releases.models import Hold, Verdict, Withdrawal
from tests.make import NOON

FORM, CASTS, CAUTIONS = CHECKS[0], CHECKS[1], CHECKS[-1]


def drawn(state, letter="B"):
    return Revision(component=Component(part_number="SB-02"), letter=letter, state=state, state_since=NOON)


def gate(revision, *findings):
    rows = zip((FORM, CASTS, CAUTIONS), findings, strict=False)
    return GateReading(revision, NOON, tuple(Row(check, "", finding, None) for check, finding in rows))


GOOD, BAD = passed("good", "Good."), failed("bad", "1.8 mm too high.")
UNSURE, NONE = inconclusive("unsure", "It may be."), missing("none", "No cast yet.")
SIGNED = SimpleNamespace(
    sign_offs=SimpleNamespace(all=lambda: [SimpleNamespace(signed_name="Kit Marsden")]), released_at=NOON
)
HOLD = Hold(code="H-01", reason="Crack 0.3 mm.", placed_at=NOON)
GONE = Withdrawal(reason="Insert cracks.", withdrawn_at=NOON)
OLD = drawn("buildable", "A")


@pytest.mark.parametrize(
    ("state", "findings", "more", "word", "sentence", "then"),
    [
        ("withdrawn", [BAD], {"withdrawal": GONE, "holds": [HOLD]}, "withdrawn", "never use it again", "Insert cracks"),
        ("buildable", [GOOD], {"release": SIGNED, "holds": [HOLD]}, "on hold", "On hold: Crack 0.3 mm.", "H-01"),
        ("superseded", [GOOD], {"release": SIGNED, "buildable": OLD}, "superseded", "Superseded", "with revision A"),
        ("superseded", [GOOD], {}, "superseded", "Superseded since", "No later revision is buildable"),
        ("buildable", [GOOD], {"release": SIGNED}, "buildable", "Buildable: signed by Kit Marsden", "1 of 1"),
        (
            "buildable",
            [BAD],
            {"release": SIGNED, "changed_for_worse": ["form", "casts"]},
            "inconclusive",
            "the evidence has changed: form and casts",
            "Tags answer by today's evidence",
        ),
        ("put forward", [GOOD], {}, "put forward", "waits for the signature of a lead who is not its author", ""),
        ("on trial", [GOOD], {}, "pass", "It can be put forward.", ""),
        ("on trial", [GOOD], {"buildable": OLD}, "pass", "It can be put forward.", "Keep building with revision A."),
        ("on trial", [BAD], {}, "fail", "1.8 mm too high.", ""),
        ("on trial", [UNSURE], {}, "inconclusive", "It may be.", ""),
        ("on trial", [NONE], {"buildable": OLD}, "missing", "No cast yet.", "Keep building with revision A."),
    ],
)
def test_the_headline_follows_what_stands(state, findings, more, word, sentence, then):
    revision = drawn(state)
    said = headline(revision, gate(revision, *findings), **more)
    assert said.word == word
    assert sentence in said.sentence.replace("\u00a0", " ")
    assert then in said.then.replace("\u00a0", " ")


def test_the_gravest_check_is_named_and_the_rest_are_counted():
    revision = drawn("on trial")
    said = headline(revision, gate(revision, NONE, BAD, UNSURE)).sentence.replace("\u00a0", " ")
    assert said == f"Not buildable: {CASTS.TITLE.lower()}, and 2 checks more wait. 1.8 mm too high."
    assert "1 check more waits" in headline(revision, gate(revision, NONE, BAD)).sentence.replace("\u00a0", " ")


def test_a_release_that_rests_on_a_concession_says_so_in_its_mark():
    revision = drawn("buildable")
    reading = gate(revision, replace(BAD, verdict=Verdict.CONCEDED))
    assert headline(revision, reading, release=SIGNED).word == "conceded"
