"""Mock-ups and their questions."""

from datetime import date, timedelta
from decimal import Decimal

import pytest

from lessons import services
from lessons.models import FitCheck
from logbook.models import Entry
from tests import make
from tests.make import NOON
from tests.refusals import refused

pytestmark = pytest.mark.django_db


def add(kit, by, **given):
    return services.add_mockup(kit, **({"name": "Scale model", "built_on": date(2026, 5, 1), "by": by} | given))


def test_a_mockup_gets_the_next_code_and_an_entry(saddle, lead):
    mockup = add(saddle.component.kit, lead, scale=Decimal("12.5"), components=[saddle.component])
    assert (mockup.code, mockup.size_said) == ("MU-01", "1\u00a0:\u00a012.5")
    assert list(mockup.components.all()) == [saddle.component]
    assert Entry.objects.get().trail == "TPW/MU-01"


def test_a_scale_of_one_is_full_size(lead):
    assert add(make.kit(), lead).size_said == "full size"


@pytest.mark.parametrize("scale", ["0", "-10"])
def test_a_scale_is_above_zero(scale, lead):
    assert refused("bad-scale", add, kit=make.kit(), by=lead, scale=Decimal(scale)).field == "scale"


def test_a_code_is_taken_once_whatever_its_letters_case(mockup, lead):
    refused("taken", add, kit=mockup.kit, by=lead, code="mu-01")


def test_parts_of_another_kit_do_not_stand_in_it(lead):
    stranger = make.component("X-1", kit=make.kit("OTHER"))
    refused("other-kit", add, kit=make.kit(), by=lead, components=[stranger])


def test_a_change_is_logged_with_before_and_after(mockup, saddle, lead):
    services.change_mockup(mockup, name="Two bays", built_on=date(2026, 6, 2), components=[saddle.component], by=lead)
    entry = Entry.objects.get()
    assert entry.details["name"] == ["Two-bay mock-up", "Two bays"]
    assert entry.details["components"] == [[], ["SB-02"]]
    assert entry.details["built_on"][1] == "2026-06-02"


def test_a_change_of_nothing_is_no_entry(mockup, lead):
    services.change_mockup(mockup, name=mockup.name, by=lead)
    assert not Entry.objects.exists()


def test_the_scale_stays_once_a_gap_was_measured(model, joint, saddle, feeler, technician):
    services.change_mockup(model, scale=Decimal(5), by=technician)
    trial = services.log_trial(model, pieces=[saddle], by=technician)
    services.log_fit_check(trial, joint, gap=Decimal("0.4"), instrument=feeler, by=technician)
    refused("scale-in-use", services.change_mockup, mockup=model, scale=Decimal(10), by=technician)
    assert FitCheck.objects.get().upper == Decimal("0.8")


def test_a_question_waits_for_its_answer(mockup, saddle, lead, technician):
    question = services.ask_question(mockup, text=" Does it rock? ", components=[saddle.component], by=lead, at=NOON)
    assert (question.code, question.text, question.is_open) == ("Q-01", "Does it rock?", True)
    trial = make.trial(mockup, technician)
    services.answer_question(question, answer="No.", answered_in=trial, by=technician, at=NOON + timedelta(hours=1))
    question.refresh_from_db()
    assert (question.answer, question.answered_in, question.answered_by) == ("No.", trial, technician)
    assert [e.act for e in Entry.objects.order_by("number")] == ["question.asked", "question.answered"]


def test_a_question_names_its_parts_and_has_a_text(mockup, saddle, lead):
    refused("no-part", services.ask_question, mockup=mockup, text="Why?", components=[], by=lead)
    refused("no-text", services.ask_question, mockup=mockup, text=" ", components=[saddle.component], by=lead)


def test_an_answer_stays(mockup, saddle, lead):
    question = make.question(mockup, lead, components=[saddle.component])
    services.answer_question(question, answer="Yes.", by=lead)
    stale = type(question).objects.get(pk=question.pk)
    stale.answered_at = None
    refusal = refused("answered", services.answer_question, question=stale, answer="No.", by=lead)
    assert "ask a new question" in refusal.sentence
    question.refresh_from_db()
    assert question.answer == "Yes."


def test_an_answer_has_words_and_a_trial_that_has_begun(mockup, lead, technician):
    question = make.question(mockup, lead)
    refused("no-text", services.answer_question, question=question, answer="  ", by=lead)
    ahead = make.trial(mockup, technician, started_at=NOON + timedelta(days=1))
    refused("future", services.answer_question, question=question, answer="No", answered_in=ahead, by=lead, at=NOON)
    other = make.trial(make.mockup("MU-09", kit=make.kit("OTHER")), technician)
    refused("other-kit", services.answer_question, question=question, answer="No", answered_in=other, by=lead)
