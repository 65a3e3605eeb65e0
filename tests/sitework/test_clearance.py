"""May this piece go in: a table of reasons, decided without a database; then the same read from records."""

from dataclasses import replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest

from releases.services import place_hold
from sitework.clearance import Answer, Conceded, Evidence, clearances, decide
from tests import make

AT = datetime(2026, 5, 12, 9, 0, tzinfo=ZoneInfo("UTC"))
N = "\u00a0"

GOOD = Evidence(
    serial="TP-SB-0012",
    standing="in store",
    demoulded=True,
    open_nonconformities=(),
    scan=("conforms", "Conforms."),
    strength_required=40.0,
    strength_age_days=28,
    batch="B-07",
    strengths=(44.0,),
    revision="SB-02 B",
    letter="B",
    state="buildable",
    state_since=AT,
    withdrawn=None,
    holds=(),
    released_at=AT,
    signed_by="Kit Marsden",
    gate_stops=(),
    concessions=(),
    installed=None,
    free_positions=("North shore, pier 3, seaward seat",),
)
CONCESSION = Conceded("CN-01", "Absorption 5.4 %.", "Above high water", date(2026, 6, 30), frozenset(), None, 0)


def test_a_piece_without_any_reason_against_it_is_cleared_for_its_position():
    answer = decide(GOOD)
    assert (answer.answer, answer.reason) == (
        Answer.CLEARED,
        "Install at North shore, pier 3, seaward seat, and nowhere else.",
    )


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"withdrawn": (AT, "Cracks.")}, "withdrawn"),
        ({"holds": ((AT, "H-01", "Crack 0.3 mm.", "Do not lift it.", "Ines"),)}, "on-hold"),
        ({"standing": "scrapped"}, "scrapped"),
        ({"standing": "segregated"}, "segregated"),
        ({"state": "superseded"}, "superseded"),
        ({"state": "on trial"}, "not-buildable"),
        ({"state": "put forward"}, "not-buildable"),
        ({"state": "in preparation"}, "not-buildable"),
        ({"demoulded": False}, "in-mould"),
        ({"open_nonconformities": ("N-01, chipped",)}, "nonconformity"),
        ({"scan": ("does not conform", "1.8 mm too high.")}, "own-scan"),
        ({"strengths": ()}, "strength-unproven"),
        ({"strengths": (44.0, 35.9)}, "strength-low"),
        ({"gate_stops": (("fail", "Lessons", "1 blocking."),)}, "gate"),
        ({"concessions": (replace(CONCESSION, serials=frozenset({"TP-SB-0001"})),)}, "outside-concession"),
        ({"concessions": (replace(CONCESSION, quantity=4, used=4),)}, "concession-used-up"),
        ({"free_positions": ()}, "no-position"),
    ],
)
def test_each_reason_alone_keeps_a_piece_out(change, code):
    answer = decide(replace(GOOD, **change))
    assert (answer.answer, answer.code) == (Answer.NOT_CLEARED, code)


@pytest.mark.parametrize(
    "change",
    [{"released_at": None}, {"gate_stops": (("missing", "Questions", "1 open."),)}],
)
def test_evidence_that_is_no_longer_complete_cannot_be_told(change):
    answer = decide(replace(GOOD, **change))
    assert (answer.answer, answer.cleared) == (Answer.CANT_TELL, False)


def test_a_hold_tells_the_site_team_what_to_do():
    held = replace(GOOD, holds=((AT, "H-01", "Crack 0.3 mm.", "Do not lift it.\nTie on a hold tag.", "Ines"),))
    assert decide(held).todo == ("Do not lift it.", "Tie on a hold tag.")


def test_a_piece_named_in_a_concession_goes_in_with_its_caution():
    named = replace(CONCESSION, serials=frozenset({"TP-SB-0012"}))
    answer = decide(replace(GOOD, concessions=(named,), scan=("does not conform", "1.8 mm too high.")))
    assert answer.cleared
    assert answer.cautions == ("Absorption 5.4 %. Above high water.",)


def test_the_least_strength_allowed_is_ten_percent_below_above_35_mpa():
    """ACI 318 26.12.3, checked in tests/metrology/test_strength.py: 0.9 × 40 MPa = 36 MPa."""
    assert decide(replace(GOOD, strengths=(36.0,))).cleared


def test_an_installed_piece_stays_cleared_where_it_is():
    answer = decide(replace(GOOD, installed=(AT, "North shore, pier 3"), free_positions=()))
    assert (answer.answer, answer.reason) == (Answer.CLEARED, "Installed at North shore, pier 3.")


def test_a_piece_that_went_in_before_its_revision_was_superseded_stays_in():
    answer = decide(replace(GOOD, state="superseded", released_at=None, installed=(AT, "North shore, pier 3")))
    assert (answer.answer, answer.code) == (Answer.CLEARED, "installed")
    assert "stays in" in answer.reason


def test_a_hold_still_reaches_an_installed_piece_of_a_superseded_revision():
    held = ((AT, "H-01", "Crack 0.3 mm.", "", "Ines"),)
    answer = decide(replace(GOOD, state="superseded", installed=(AT, "North shore, pier 3"), holds=held))
    assert answer.code == "on-hold"


@pytest.mark.django_db
def test_a_hold_on_the_mould_reaches_the_pieces_that_came_out_of_it(lead):
    revision = make.revision(author=lead)
    mould = make.mould(revision)
    out, other = make.cast(revision, lead, "TP-1", mould=mould), make.cast(revision, lead, "TP-2")
    place_hold(on=mould, by=lead, reason="Worn rim.", at=AT)
    answers = clearances([out, other], AT)
    assert (answers[out.pk].code, answers[other.pk].code) == ("on-hold", "not-buildable")


@pytest.mark.django_db
@pytest.mark.parametrize("n", [2, 30])
def test_many_pieces_cost_the_same_queries(lead, n, django_assert_max_num_queries):
    revision = make.revision(author=lead, state="buildable")
    casts = [make.cast(revision, lead, f"TP-{k:04d}") for k in range(n)]
    with django_assert_max_num_queries(32):
        assert len(clearances(casts, AT)) == n
