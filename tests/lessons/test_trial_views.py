"""Pages of mock-ups, questions and trials: who may do what, what is shown, what a list costs. All is invented."""

import uuid
from datetime import timedelta
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from lessons import services
from lessons.models import FitCheck, Mockup, Question, Step, Trial, TrialPiece
from logbook.models import Entry
from tests import make
from tests.make import NOON

pytestmark = pytest.mark.django_db


def at(name, *args):
    return reverse(f"lessons:{name}", args=["TPW", *args])


@pytest.fixture
def yard(mockup, model, saddle, cap, joint, feeler, lead, technician, later):
    """One of everything, with a trial under way at full size and nothing in the logbook."""
    block = make.cast(saddle, technician)
    make.cast(cap, technician, "TP-PC-0001")
    trial = make.trial(mockup, technician, started_at=later - timedelta(minutes=42))
    TrialPiece.objects.create(trial=trial, revision=saddle, cast=block)
    make.cast(saddle, technician, "TP-SB-0002")
    question = make.question(mockup, lead, components=[saddle.component])
    return {"trial": trial, "question": question, "block": block, "saddle": saddle, "model": model, "feeler": feeler}


def other_gap(yard):
    """A gap already measured."""
    return FitCheck.objects.create(
        trial=yard["trial"],
        interface=yard["trial"].kit.interfaces.get(),
        gap=Decimal(35),
        lower=1,
        upper=4,
        uncertainty=Decimal("0.1"),
        result="does not conform",
        measured_at=NOON,
        measured_by=yard["trial"].logged_by,
    )


def other_piece(yard):
    cast = yard["block"].__class__.objects.get(serial="TP-SB-0002")
    return TrialPiece.objects.create(trial=yard["trial"], revision=yard["saddle"], cast=cast)


# What each writing page is sent, and the change in the number of its records.
WRITES = {
    "add-mockup": lambda y: (at("add-mockup"), {"name": "Ring", "scale": "12,5", "built_on": "2026-05-01"}, Mockup, 1),
    "change-mockup": lambda y: (
        at("change-mockup", "MU-01"),
        {"name": "Two bays", "scale": "1", "built_on": "2026-05-01", "code": "MU-01"},
        Mockup,
        0,
    ),
    "ask": lambda y: (
        at("ask", "MU-01"),
        {"text": "Does it rock?", "components": [y["saddle"].component_id]},
        Question,
        1,
    ),
    "answer": lambda y: (at("answer", "Q-01"), {"answer": "No.", "answered_in": y["trial"].pk}, Question, 0),
    "begin": lambda y: (
        at("begin", "MU-02"),
        {"pieces": [f"revision-{y['saddle'].pk}"], "started_at": "2026-06-01T09:00"},
        Trial,
        1,
    ),
    "step": lambda y: (at("step", "T-01"), {"text": "Cap set"}, Step, 1),
    "gap": lambda y: (
        at("gap", "T-01", "I-01"),
        {"I-01-gap": "2,5", "I-01-where": "pier 1", "I-01-instrument": y["feeler"].pk},
        FitCheck,
        1,
    ),
    "take-out-gap": lambda y: (at("take-out-gap", "T-01", other_gap(y).pk), {"reason": "3.5 was meant"}, FitCheck, -1),
    "piece": lambda y: (at("piece", "T-01"), {"piece": "tp-sb-0002", "place": "pier 2"}, TrialPiece, 1),
    "take-out-piece": lambda y: (at("take-out-piece", "T-01", other_piece(y).pk), {}, TrialPiece, -1),
    "note": lambda y: (at("note", "T-01"), {"went_wrong": "Shim lost"}, Trial, 0),
    "end": lambda y: (at("end", "T-01"), {"ended_at": "2026-07-11T12:00"}, Trial, 0),
}
POST_ONLY = ("answer", "step", "gap", "piece", "take-out-piece", "note")


@pytest.mark.parametrize("name", WRITES)
def test_a_technician_may(name, yard, technician, signed_in):
    url, form, model, change = WRITES[name](yard)
    before = model.objects.count()
    answer = signed_in(technician).post(url, form)
    assert answer.status_code == 302, answer.content.decode()
    assert model.objects.count() == before + change
    assert Entry.objects.count() == 1


@pytest.mark.parametrize("name", WRITES)
@pytest.mark.parametrize("who", ["visitor", "site_person", "stranger"])
def test_others_are_refused_and_nothing_changes(name, who, yard, signed_in, request):
    url, form, model, _ = WRITES[name](yard)
    before = model.objects.count()
    assert signed_in(request.getfixturevalue(who)).post(url, form).status_code == 403
    assert model.objects.count() == before
    assert not Entry.objects.exists()


@pytest.mark.parametrize("name", WRITES)
def test_who_is_not_signed_in_is_asked_to(name, yard, client):
    url, form, _, _ = WRITES[name](yard)
    assert "next=" in client.post(url, form).url
    assert not Entry.objects.exists()


@pytest.mark.parametrize("name", WRITES)
def test_other_methods_are_refused(name, yard, technician, signed_in):
    url, _, _, _ = WRITES[name](yard)
    session = signed_in(technician)
    assert session.put(url).status_code == session.delete(url).status_code == 405
    if name in POST_ONLY:
        assert session.get(url).status_code == 405


@pytest.mark.parametrize("name", [name for name in WRITES if name not in POST_ONLY])
def test_every_form_opens(name, yard, technician, signed_in):
    assert signed_in(technician).get(WRITES[name](yard)[0]).status_code == 200


READS = {
    "mockups": lambda: at("mockups"),
    "mockup": lambda: at("mockup", "MU-01"),
    "questions": lambda: at("questions"),
    "question": lambda: at("question", "Q-01"),
    "trials": lambda: at("trials"),
    "trial": lambda: at("trial", "T-01"),
    "revision_trials": lambda: at("revision_trials", "SB-02", "A"),
}


@pytest.mark.parametrize("name", READS)
def test_every_page_is_read_by_a_visitor_and_by_nobody_without_a_role(name, yard, visitor, stranger, client, signed_in):
    url = READS[name]()
    assert signed_in(visitor).get(url).status_code == 200
    assert signed_in(stranger).get(url).status_code == 403
    assert client.get(url).status_code == 302
    assert signed_in(visitor).post(url).status_code == 405


def test_what_is_not_there_is_not_found(yard, technician, signed_in):
    session = signed_in(technician)
    for url in (at("mockup", "X"), at("question", "X"), at("trial", "X"), at("revision_trials", "SB-02", "Z")):
        assert session.get(url).status_code == 404
    assert session.post(at("gap", "T-01", "X"), {}).status_code == 404
    assert session.get(at("take-out-gap", "T-01", 999)).status_code == 404


@pytest.mark.parametrize("name", READS)
def test_a_page_costs_the_same_for_2_and_for_20_rows(name, yard, lead, technician, visitor, signed_in, joint):
    session = signed_in(visitor)
    mockup, saddle = yard["trial"].mockup, yard["saddle"]

    def more(first, last):
        for n in range(first, last):
            make.mockup(f"MU-1{n:02d}")
            make.question(mockup, lead, f"Q-1{n:02d}", components=[saddle.component])
            cast = make.cast(saddle, technician, f"TP-SB-1{n:02d}")
            for trial in (make.trial(mockup, technician, f"T-1{n:02d}"), yard["trial"]):
                TrialPiece.objects.create(trial=trial, revision=saddle, cast=cast)
                trial.steps.create(number=n + 1, text="Cap set", minutes=3, done_at=NOON)
                FitCheck.objects.create(
                    trial=trial,
                    interface=joint,
                    gap=Decimal(2),
                    lower=1,
                    upper=4,
                    instrument=yard["feeler"],
                    uncertainty=Decimal("0.1"),
                    result="conforms",
                    measured_at=NOON,
                    measured_by=technician,
                )

    more(1, 3)
    session.get(READS[name]())  # whatever is cached once is cached now
    with CaptureQueriesContext(connection) as few:
        session.get(READS[name]())
    more(3, 21)
    with CaptureQueriesContext(connection) as many:
        session.get(READS[name]())
    assert len(few) == len(many)


def test_pressing_twice_is_one_step(yard, technician, signed_in):
    session, form = signed_in(technician), {"once": uuid.uuid4(), "text": "Cap set"}
    first, second = (session.post(at("step", "T-01"), form) for _ in range(2))
    assert first.url == second.url
    assert Step.objects.count() == 1


def test_a_gloved_hand_just_presses_and_the_step_is_timed(yard, technician, signed_in):
    signed_in(technician).post(at("step", "T-01"), {})
    step = Step.objects.get()
    assert (step.text, step.minutes) == ("Step 1", Decimal("42.0"))


def test_the_next_step_is_proposed_from_the_trial_before(yard, mockup, technician, signed_in):
    before = make.trial(mockup, technician, "T-00")
    before.steps.create(number=1, text="Plates set out", done_at=NOON)
    page = signed_in(technician).get(at("trial", "T-01")).content.decode()
    assert 'value="Plates set out"' in page
    assert "42\u00a0min" in page


def test_a_gap_is_answered_with_its_verdict_at_once(yard, technician, signed_in):
    url, form, _, _ = WRITES["gap"](yard)
    page = signed_in(technician).post(url, form | {"I-01-gap": "4,6"}, follow=True).content.decode()
    assert "Does not conform" in page
    assert "0.6\u00a0mm too wide" in page


def test_what_is_typed_is_judged_before_it_is_logged(yard, technician, signed_in):
    url, form, _, _ = WRITES["gap"](yard)
    page = signed_in(technician).post(url + "?say", form).content.decode()
    assert "Conforms" in page
    assert "Not logged yet" in page
    assert not FitCheck.objects.exists()
    assert not Entry.objects.exists()


BAD_GAPS = {
    "letters": ({"I-01-gap": "two"}, "is not a number"),
    "empty": ({"I-01-gap": ""}, "Give a number"),
    "no U": ({"I-01-instrument": ""}, "how sure the gap is"),
    "U of nothing": ({"I-01-instrument": "", "I-01-uncertainty": "0"}, "Nothing measures without uncertainty"),
    "two U": ({"I-01-uncertainty": "0,5"}, "Leave U empty"),
    "too many decimals": ({"I-01-gap": "2,1234"}, "at most 3 decimals"),
    "unknown instrument": ({"I-01-instrument": "999"}, "not one of the available choices"),
}


@pytest.mark.parametrize("case", BAD_GAPS)
def test_a_bad_gap_is_said_beside_its_field_and_nothing_is_lost(case, yard, technician, signed_in):
    bad, sentence = BAD_GAPS[case]
    url, form, _, _ = WRITES["gap"](yard)
    answer = signed_in(technician).post(url, form | bad)
    page = answer.content.decode()
    assert answer.status_code == 200
    assert sentence in page
    assert 'value="pier 1"' in page
    assert not FitCheck.objects.exists()


BAD_FORMS = {
    "add-mockup": ({"scale": "0"}, "above zero"),
    "change-mockup": ({"scale": "ten"}, "is not a number"),
    "ask": ({"components": []}, "at least one part"),
    "answer": ({"answer": ""}, "required"),
    "begin": ({"pieces": []}, "at least one piece"),
    "step": ({"minutes": "-3"}, "Too low"),
    "piece": ({"piece": "TP-SB-9999"}, "no serial"),
    "end": ({"ended_at": "2026-01-01T00:00"}, "cannot end before"),
    "take-out-gap": ({"reason": " "}, "required"),
}


@pytest.mark.parametrize("name", BAD_FORMS)
def test_a_bad_form_says_what_to_do_and_changes_nothing(name, yard, technician, signed_in):
    url, form, model, _ = WRITES[name](yard)
    bad, sentence = BAD_FORMS[name]
    before = model.objects.count()
    answer = signed_in(technician).post(url, form | bad)
    assert answer.status_code == 200
    assert sentence in answer.content.decode()
    assert model.objects.count() == before
    assert not Entry.objects.exists()


def test_what_is_cast_is_not_offered_as_a_revision_at_full_size(yard, technician, signed_in):
    session = signed_in(technician)
    full = session.get(at("begin", "MU-01")).context["form"].things
    small = session.get(at("begin", "MU-02")).context["form"].things
    assert {str(thing) for thing in full.values()} == {"TP-SB-0002", "TP-PC-0001"}
    assert {str(thing) for thing in small.values()} == {"SB-02 A", "PC-01 A"}


def test_a_model_says_what_its_gaps_stand_for(yard, joint, technician, visitor, signed_in):
    trial = services.log_trial(yard["model"], pieces=[yard["saddle"]], by=technician)
    services.log_fit_check(trial, joint, gap=Decimal("0.25"), uncertainty=Decimal("0.02"), by=technician)
    page = signed_in(visitor).get(trial.get_absolute_url()).content.decode()
    assert "0.25\u00a0mm here stands for 2.5\u00a0mm at full size." in page
    assert "0.1 to 0.4\u00a0mm here, 1 to 4\u00a0mm at full size" in page
    sheet = signed_in(visitor).get(at("revision_trials", "SB-02", "A")).content.decode()
    assert sheet.index("Full size") < sheet.index("Scale model") < sheet.index("2.5\u00a0mm")


def test_the_sheet_of_a_revision_shows_only_trials_it_stood_in(yard, cap, technician, visitor, signed_in):
    services.log_trial(yard["model"], pieces=[cap], by=technician)
    sizes = signed_in(visitor).get(at("revision_trials", "SB-02", "A")).context["sizes"]
    assert [[trial.code for trial in size.trials] for size in sizes] == [["T-01"], []]


def test_of_an_interface_the_gaps_of_the_newest_trial_count(yard, joint, feeler, technician, visitor, signed_in):
    services.log_fit_check(yard["trial"], joint, gap=Decimal(5), instrument=feeler, by=technician)
    services.end_trial(yard["trial"], by=technician)
    again = services.log_trial(yard["trial"].mockup, pieces=[yard["block"]], by=technician)
    services.log_fit_check(again, joint, gap=Decimal(2), instrument=feeler, by=technician)
    size = signed_in(visitor).get(at("revision_trials", "SB-02", "A")).context["sizes"][0]
    assert [gap.check.gap for gap in size.joints[0][1]] == [Decimal(2)]


def test_an_ended_trial_has_no_forms(yard, technician, signed_in):
    services.end_trial(yard["trial"], by=technician)
    page = signed_in(technician).get(at("trial", "T-01")).content.decode()
    assert "Log the gap" not in page
    assert "Step 1 done" not in page


def test_the_clock_alone_is_swapped_and_an_ended_trial_loads_anew(yard, technician, signed_in):
    session = signed_in(technician)
    clock = session.get(at("trial", "T-01") + "?part=clock", headers={"HX-Request": "true"})
    assert clock.content.decode().strip().startswith('<div id="clock"')
    services.end_trial(yard["trial"], by=technician)
    gone = session.get(at("trial", "T-01") + "?part=clock", headers={"HX-Request": "true"})
    assert (gone.status_code, gone.headers["HX-Refresh"]) == (204, "true")


def test_work_that_can_crush_says_so(yard, technician, signed_in):
    session = signed_in(technician)
    for url in (at("begin", "MU-01"), at("trial", "T-01")):
        page = session.get(url).content.decode()
        assert "nobody beneath" in page
        assert "licensed practice govern" in page
