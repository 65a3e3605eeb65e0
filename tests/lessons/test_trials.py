"""A trial from its begin to its end."""

from datetime import timedelta
from decimal import Decimal

import pytest

from lessons import services
from lessons.models import Step, Trial, TrialPiece
from lessons.services import Piece
from logbook.models import Entry
from tests import make
from tests.make import NOON
from tests.refusals import refused

pytestmark = pytest.mark.django_db
MINUTE = timedelta(minutes=1)
LATER = NOON + timedelta(hours=5)


@pytest.fixture
def block(saddle, technician):
    return make.cast(saddle, technician, poured_at=NOON - timedelta(days=9), demoulded_at=NOON - timedelta(days=8))


@pytest.fixture
def trial(mockup, block, technician):
    return services.log_trial(mockup, pieces=[block], started_at=NOON, by=technician, at=NOON)


def test_a_trial_begins_with_its_pieces(mockup, block, technician):
    trial = services.log_trial(
        mockup, pieces=[Piece(block, "pier 1")], conditions="9 °C", crew="Mara", by=technician, at=NOON
    )
    piece = trial.pieces.get()
    assert (trial.code, trial.started_at, trial.ended_at) == ("T-01", NOON, None)
    assert (piece.cast, piece.revision, piece.place) == (block, block.revision, "pier 1")
    entry = Entry.objects.get()
    assert (entry.act, entry.trail) == ("trial.begun", "TPW/MU-01/T-01")


def test_a_model_is_tried_with_pieces_of_a_revision(model, saddle, technician):
    trial = services.log_trial(model, pieces=[saddle], by=technician)
    assert trial.pieces.get().cast is None


def test_a_trial_needs_a_piece_and_a_start_that_has_come(mockup, block, technician):
    refused("no-piece", services.log_trial, mockup, pieces=[], by=technician)
    ahead = {"started_at": NOON + MINUTE, "at": NOON, "by": technician}
    assert refused("future", services.log_trial, mockup, pieces=[block], **ahead).field == "started_at"
    assert not Trial.objects.exists()


@pytest.mark.parametrize(
    ("code", "fields"),
    [
        ("cannot-stand", {"standing": "in mould", "demoulded_at": None}),
        ("cannot-stand", {"standing": "scrapped"}),
        ("cannot-stand", {"standing": "installed"}),
        ("poured-later", {"poured_at": LATER, "demoulded_at": LATER}),
    ],
)
def test_what_cannot_stand_is_refused_and_no_trial_is_left(code, fields, mockup, saddle, technician):
    piece = make.cast(saddle, technician, "TP-SB-0009", **fields)
    refused(code, services.log_trial, mockup, pieces=[piece], started_at=NOON, by=technician, at=LATER)
    assert not Trial.objects.exists()
    assert not Entry.objects.exists()


def test_a_withdrawn_revision_is_never_tried(model, lead, technician):
    gone = make.revision(make.component("DP-01"), author=lead, state="withdrawn")
    refused("withdrawn", services.log_trial, model, pieces=[gone], by=technician)


def test_at_full_size_a_serial_is_named_where_there_is_one(mockup, saddle, lead, technician):
    assert "serial" in refused("no-serial", services.log_trial, mockup, pieces=[saddle], by=technician).sentence
    bought = make.revision(make.component("BO-01", made_how="bought"), author=lead)
    assert services.log_trial(mockup, pieces=[bought], by=technician)


def test_a_full_size_cast_does_not_stand_on_a_model(model, block, technician):
    refused("cast-on-model", services.log_trial, model, pieces=[block], by=technician)


def test_a_piece_stands_in_one_running_trial_only(trial, mockup, block, technician):
    refused("twice", services.add_piece, trial, block, by=technician)
    refused("elsewhere", services.log_trial, mockup, pieces=[block], by=technician)
    services.end_trial(trial, by=technician)
    assert services.log_trial(mockup, pieces=[block], by=technician).code == "T-02"


def test_a_piece_of_another_kit_is_refused(trial, lead, technician):
    other = make.revision(make.component("X-1", kit=make.kit("OTHER"), made_how="bought"), author=lead)
    refused("other-kit", services.add_piece, trial, other, by=technician)


def test_a_piece_entered_by_mistake_is_taken_out_but_not_the_last(trial, saddle, technician):
    wrong = services.add_piece(
        trial, make.cast(saddle, technician, "TP-SB-0002", poured_at=NOON - MINUTE), by=technician
    )
    services.take_out_piece(wrong, by=technician)
    last = trial.pieces.get()
    refused("last-piece", services.take_out_piece, last, by=technician)
    assert Entry.objects.order_by("number").last().act == "trial.piece-taken-out"


def test_a_piece_whose_gaps_were_measured_stays(trial, joint, block, cap, feeler, technician):
    other = services.add_piece(trial, make.cast(cap, technician, "TP-PC-0001", poured_at=NOON - MINUTE), by=technician)
    services.log_fit_check(trial, joint, gap=Decimal(2), instrument=feeler, by=technician)
    refused("measured", services.take_out_piece, other, by=technician)
    assert TrialPiece.objects.filter(pk=other.pk).exists()


def test_steps_are_timed_from_the_one_before(trial, technician):
    first = services.log_step(trial, text="Plates set", by=technician, at=NOON + 12 * MINUTE)
    second = services.log_step(trial, by=technician, at=NOON + 12 * MINUTE + timedelta(seconds=93))
    assert (first.number, first.minutes) == (1, Decimal("12.0"))
    assert (second.number, second.text, second.minutes) == (2, "Step 2", Decimal("1.6"))  # 93 s are 1.55 min


def test_minutes_may_be_given_and_the_clock_goes_on_from_then(trial, technician):
    services.log_step(trial, minutes=Decimal("7.5"), by=technician, at=NOON + 30 * MINUTE)
    assert services.log_step(trial, by=technician, at=NOON + 32 * MINUTE).minutes == Decimal("2.0")


def test_a_step_before_the_last_one_needs_its_minutes(trial, technician):
    services.log_step(trial, by=technician, at=NOON + 30 * MINUTE)
    refused("before-last", services.log_step, trial, by=technician, at=NOON + 20 * MINUTE)
    refused("bad-minutes", services.log_step, trial, minutes=Decimal(-1), by=technician, at=NOON + 40 * MINUTE)
    assert Step.objects.count() == 1


def test_what_went_wrong_in_a_step_stands_in_the_logbook(trial, technician):
    services.log_step(trial, text="Cap set", went_wrong="Shim lost", by=technician, at=NOON + MINUTE)
    assert "Went wrong: Shim lost" in Entry.objects.order_by("number").last().sentence


def test_a_trial_ends_once_and_keeps_what_was_noted(trial, technician):
    services.change_trial(trial, went_wrong="One shim lost", conditions="9 °C", by=technician)
    services.end_trial(trial, ended_at=NOON + 90 * MINUTE, by=technician, at=LATER)
    trial.refresh_from_db()
    assert (trial.ended_at, trial.went_wrong) == (NOON + 90 * MINUTE, "One shim lost")
    stale = Trial.objects.get(pk=trial.pk)
    stale.ended_at = None
    refused("ended", services.end_trial, stale, by=technician, at=LATER)


def test_a_trial_does_not_end_before_it_began_or_in_the_future(trial, technician):
    before = refused("before-start", services.end_trial, trial, ended_at=NOON - MINUTE, by=technician, at=LATER)
    assert before.field == "ended_at"
    refused("future", services.end_trial, trial, ended_at=LATER + MINUTE, by=technician, at=LATER)
    trial.refresh_from_db()
    assert trial.ended_at is None


def test_after_the_end_nothing_is_added(trial, joint, block, feeler, technician):
    services.end_trial(trial, by=technician)
    refused("ended", services.log_step, trial, by=technician)
    refused("ended", services.change_trial, trial, crew="x", by=technician)
    refused("ended", services.add_piece, trial, block, by=technician)
    refused("ended", services.log_fit_check, trial, joint, gap=Decimal(2), instrument=feeler, by=technician)
