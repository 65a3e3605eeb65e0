"""The pages of release: who may act, one effect per form, refusals that keep what was typed, the gate sheet."""

import uuid
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from logbook.models import Entry
from parts.models import Revision
from releases import services
from releases.gate import CHECKS
from releases.models import Concession, GatePlan, Hold, SignOff
from tests import make

pytestmark = pytest.mark.django_db


def at(name, *args):
    return reverse(f"releases:{name}", args=["TPW", *args])


def plan_form(**given):
    """Every check applies, with its starting values."""
    form = {f"{check.CODE}-applies": "on" for check in CHECKS}
    for check in CHECKS:
        form |= {f"{check.CODE}-{name}": value for name, value in check.DEFAULTS.items() if value is not False}
    return form | given


def concession_form(x, **given):
    day = timezone.localdate() + timedelta(days=30)
    asked = {"check_code": "strength", "reason": "Low load here.", "asked_by": x["technician"].pk, "quantity": "4"}
    return asked | {"expires_on": day.isoformat(), "condition": "Above high water"} | given


@pytest.fixture
def desk(put_forward, lead, second_lead, technician):
    """A revision put forward, one on trial, a concession and a hold on a batch that stops neither."""
    other = make.revision(make.component("PC-01"), author=lead, cautions="Wet cement burns: gloves.")
    services.grant_concession(
        revision=put_forward, check_code="scan", reason="Seen by eye.", asked_by=technician, by=second_lead,
        expires_on=timezone.localdate() + timedelta(days=9), quantity=2,
    )  # fmt: skip
    services.place_hold(on=make.batch(technician), by=lead, reason="Slump not noted.")
    return {"forward": put_forward, "trial": other, "technician": technician}


# What each writing page is sent by the second lead, and the act that it leaves in the logbook.
WRITES = {
    "plan": lambda x: (at("plan", "SB-02"), plan_form(), "plan.set"),
    "kit-plan": lambda x: (at("kit-plan"), plan_form(), "plan.set"),
    "put-forward": lambda x: (at("put-forward", "PC-01", "A"), {}, "revision.put-forward"),
    "send-back": lambda x: (at("send-back", "SB-02", "A"), {"why": "Seat radius."}, "revision.sent-back"),
    "sign": lambda x: (at("sign", "SB-02", "A"), {}, "revision.signed-off"),
    "withdraw": lambda x: (at("withdraw", "SB-02", "A"), {"reason": "Insert cracks."}, "revision.withdrawn"),
    "concession": lambda x: (at("concession", "SB-02", "A"), concession_form(x), "concession.granted"),
    "end-concession": lambda x: (at("end-concession", "CN-01"), {"why": "Scanned now."}, "concession.ended"),
    "place-hold": lambda x: (at("place-hold", "revision", "SB-02-A"), {"reason": "Crack 0.3 mm."}, "hold.placed"),
    "lift-hold": lambda x: (at("lift-hold", "H-01"), {"why": "Slump found: 120 mm."}, "hold.lifted"),
}
FORMS = [name for name in WRITES if name not in ("put-forward", "sign")]


def everything():
    """What no refused act may touch."""
    return (
        Entry.objects.count(),
        sorted(Revision.objects.values_list("pk", "state")),
        sorted(Hold.objects.values_list("code", "lifted_at", "placed_at")),
        sorted(Concession.objects.values_list("code", "ended_why")),
        sorted(GatePlan.objects.values_list("pk", "set_by")),
        SignOff.objects.count(),
    )


@pytest.mark.parametrize("name", WRITES)
def test_a_lead_may(name, desk, second_lead, signed_in):
    url, form, act = WRITES[name](desk)
    before = Entry.objects.filter(act=act).count()
    answer = signed_in(second_lead).post(url, form)
    assert answer.status_code == 302, answer.context["form"].errors
    assert Entry.objects.filter(act=act).count() == before + 1
    assert Entry.objects.filter(act=act).latest("number").who == second_lead


@pytest.mark.parametrize("name", WRITES)
@pytest.mark.parametrize("who", ["technician", "site_person", "visitor", "stranger"])
def test_others_are_refused_and_nothing_changes(name, who, desk, signed_in, request):
    url, form, _ = WRITES[name](desk)
    before = everything()
    assert signed_in(request.getfixturevalue(who)).post(url, form).status_code == 403
    assert everything() == before


@pytest.mark.parametrize("name", WRITES)
def test_who_is_not_signed_in_is_asked_to(name, desk, client):
    url, form, _ = WRITES[name](desk)
    before = everything()
    answer = client.post(url, form)
    assert (answer.status_code, "next=" in answer.url) == (302, True)
    assert everything() == before


@pytest.mark.parametrize("name", WRITES)
def test_other_methods_are_refused(name, desk, second_lead, signed_in):
    url, form, _ = WRITES[name](desk)
    session, before = signed_in(second_lead), everything()
    assert session.put(url, form).status_code == session.delete(url).status_code == 405
    if name not in FORMS:
        assert session.get(url).status_code == 405
    assert everything() == before


@pytest.mark.parametrize("name", FORMS)
def test_every_form_opens_and_changes_nothing(name, desk, second_lead, signed_in):
    url, _, _ = WRITES[name](desk)
    before = everything()
    assert signed_in(second_lead).get(url).status_code == 200
    assert everything() == before


@pytest.mark.parametrize("name", WRITES)
def test_pressing_twice_has_one_effect(name, desk, second_lead, signed_in):
    url, form, act = WRITES[name](desk)
    session, before = signed_in(second_lead), Entry.objects.filter(act=act).count()
    first, second = (session.post(url, form | {"once": "c0ffee00-0000-4000-8000-000000000001"}) for _ in range(2))
    assert first.url == second.url
    assert Entry.objects.filter(act=act).count() == before + 1


def test_a_refused_form_leaves_its_token_free_for_the_corrected_one(desk, second_lead, signed_in):
    session, token = signed_in(second_lead), {"once": str(uuid.uuid4())}
    url = at("concession", "SB-02", "A")
    assert session.post(url, concession_form(desk, quantity="") | token).status_code == 200
    assert session.post(url, concession_form(desk) | token).status_code == 302
    assert Concession.objects.count() == 2


KEPT = "Typed with cold hands"
REFUSED = {
    "concession without a scope": (
        "concession",
        lambda x: concession_form(x, quantity="", condition=KEPT),
        "Limit it to named serials or to a quantity",
    ),
    "concession that is over": (
        "concession",
        lambda x: concession_form(x, expires_on="2020-01-01", condition=KEPT),
        "That day is over. Choose today or a later day.",
    ),
    "hold without a reason": ("place-hold", lambda x: {"reason": " ", "what_to_do": KEPT}, "This field is required"),
    "plan without a reason": (
        "plan",
        lambda x: {k: v for k, v in plan_form().items() if k != "cautions-applies"} | {"casts-reason": KEPT},
        "Say why cautions does not apply.",
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_a_refusal_is_said_on_the_page_and_what_was_typed_stays(case, desk, second_lead, signed_in):
    name, form, sentence = REFUSED[case]
    before = everything()
    answer = signed_in(second_lead).post(WRITES[name](desk)[0], form(desk))
    page = answer.content.decode()
    assert answer.status_code == 200
    assert sentence in page
    assert KEPT in page
    assert everything() == before


def test_the_author_gets_no_concession_from_herself(desk, lead, signed_in):
    form = concession_form(desk, condition=KEPT)
    page = signed_in(lead).post(at("concession", "SB-02", "A"), form).content.decode()
    assert "Neither who asks nor the author may grant a concession" in page
    assert KEPT in page
    assert Concession.objects.count() == 1


def test_a_concession_names_serials_of_this_revision_only(desk, technician, second_lead, signed_in):
    own = make.cast(desk["forward"], technician)
    other = make.cast(desk["trial"], technician, "TP-PC-0001")
    session, url = signed_in(second_lead), at("concession", "SB-02", "A")
    assert session.post(url, concession_form(desk, quantity="", serials=[other.pk])).status_code == 200
    assert session.post(url, concession_form(desk, quantity="", serials=[own.pk])).status_code == 302
    assert list(Concession.objects.latest("pk").serials.all()) == [own]


def test_the_author_is_told_why_she_cannot_sign(desk, lead, signed_in):
    page = signed_in(lead).post(at("sign", "SB-02", "A"), follow=True).content.decode()
    assert "The author may not sign; ask another lead." in page
    assert not SignOff.objects.exists()


def test_a_closed_gate_is_said_after_the_button(desk, second_lead, signed_in):
    Revision.objects.filter(pk=desk["trial"].pk).update(cautions="")
    page = signed_in(second_lead).post(at("put-forward", "PC-01", "A"), follow=True).content.decode()
    assert "PC-01 A cannot be put forward: Cautions still to be settled." in page
    assert Revision.objects.get(pk=desk["trial"].pk).state == "on trial"


def test_who_signs_second_reads_who_signed_first(desk, second_lead, signed_in):
    session = signed_in(second_lead)
    session.post(at("sign", "SB-02", "A"))
    page = session.post(at("sign", "SB-02", "A"), follow=True).content.decode()
    assert "SB-02 A is buildable already: Kit Marsden signed it" in page
    assert SignOff.objects.count() == 1


@pytest.mark.parametrize(
    ("what", "name"), [("mould", "M-01"), ("batch", "B-01"), ("serial", "TP-SB-0001"), ("revision", "SB-02-A")]
)
def test_whatever_can_be_held_is_held_by_its_name(what, name, desk, technician, second_lead, signed_in):
    make.cast(desk["forward"], technician, mould=make.mould(desk["forward"]))
    answer = signed_in(second_lead).post(at("place-hold", what, name), {"reason": "Crack."})
    assert answer.url == at("hold", "H-02")
    assert str(Hold.objects.get(code="H-02").subject).replace(" ", "-").endswith(name)


@pytest.mark.parametrize(("what", "name"), [("mould", "X"), ("serial", "X"), ("revision", "SB-02-Z"), ("kit", "TPW")])
def test_what_is_not_there_cannot_be_held(what, name, desk, second_lead, signed_in):
    assert signed_in(second_lead).get(at("place-hold", what, name)).status_code == 404


READS = {
    "gate": lambda: at("gate", "SB-02", "A"),
    "holds": lambda: at("holds"),
    "hold": lambda: at("hold", "H-01"),
}


@pytest.mark.parametrize("name", READS)
def test_every_page_is_read_by_a_visitor_and_by_nobody_without_a_role(name, desk, visitor, stranger, client, signed_in):
    url = READS[name]()
    assert signed_in(visitor).get(url).status_code == 200
    assert signed_in(stranger).get(url).status_code == 403
    assert client.get(url).status_code == 302
    assert signed_in(visitor).post(url).status_code == 405


def test_the_gate_sheet_shows_every_check_with_what_its_evidence_says(lead, visitor, signed_in):
    revision = make.revision(author=lead, cautions="Wet cement burns: gloves.")
    answer = signed_in(visitor).get(at("gate", "SB-02", "A"))
    page = answer.content.decode()
    for row, check in zip(answer.context["reading"].rows, CHECKS, strict=True):
        assert f"<b>{check.TITLE}</b>" in page
        assert row.finding.sentence.replace("'", "&#x27;") in page
    assert f"Not buildable: {answer.context['reading'].stopping[0].title.lower()}" in page
    assert str(revision.author) in page


@pytest.mark.parametrize(
    ("who", "why"),
    [
        ("lead", "You drew it. The author may not sign."),
        ("technician", "Only a lead signs."),
        ("second_lead", ""),
    ],
)
def test_the_gate_sheet_says_why_this_person_may_not_sign(who, why, put_forward, signed_in, request):
    answer = signed_in(request.getfixturevalue(who)).get(at("gate", "SB-02", "A"))
    page = answer.content.decode()
    assert answer.context["signing"] == why
    assert why in page
    assert (at("sign", "SB-02", "A") in page) is (why == "")


def test_the_gate_sheet_says_which_rows_keep_a_lead_from_signing(put_forward, second_lead, signed_in):
    Revision.objects.filter(pk=put_forward.pk).update(cautions="")
    page = signed_in(second_lead).get(at("gate", "SB-02", "A")).content.decode()
    assert "You can sign when these have moved: Cautions." in page


def test_the_gate_sheet_costs_the_same_for_two_casts_and_twenty(lead, technician, visitor, signed_in):
    revision = make.revision(author=lead, strength_required=45)
    length, by = make.characteristic(revision), make.instrument()

    def pour(numbers):
        for n in numbers:
            cast = make.cast(
                revision, technician, f"TP-SB-{n:04}", batch=make.batch(technician, f"B-{n}"),
                mould=make.mould(revision, f"M-{n}"),
            )  # fmt: skip
            make.measurement(cast, length, 600, technician, by)
            make.strength(cast.batch, technician, label=f"X-{n}")

    session, url = signed_in(visitor), at("gate", "SB-02", "A")
    pour(range(1, 3))
    session.get(url)  # what is read once per process is read now
    with CaptureQueriesContext(connection) as few:
        session.get(url)
    pour(range(3, 21))
    with CaptureQueriesContext(connection) as many:
        session.get(url)
    assert len(few) == len(many)
    assert len(many) < 60


def test_the_list_of_holds_costs_the_same_for_two_and_twenty(desk, lead, technician, visitor, signed_in):
    def hold(numbers):
        for n in numbers:
            piece = make.cast(desk["forward"], technician, f"TP-SB-{n:04}")
            services.place_hold(on=piece, by=lead, reason=f"Crack {n}.")

    session, url = signed_in(visitor), at("holds")
    hold(range(1, 3))
    session.get(url)
    with CaptureQueriesContext(connection) as few:
        session.get(url)
    hold(range(3, 21))
    with CaptureQueriesContext(connection) as many:
        page = session.get(url).content.decode()
    assert len(few) == len(many)
    assert "Crack 20." in page


def test_open_holds_stand_before_lifted_ones(desk, lead, technician, visitor, signed_in):
    first, second = (
        services.place_hold(on=make.cast(desk["forward"], technician, f"TP-SB-000{n}"), by=lead, reason="Crack.")
        for n in (1, 2)
    )
    services.lift_hold(hold=second, by=lead, why="Dye test: no crack.")
    rows = signed_in(visitor).get(at("holds")).context["holds"]
    assert [row.code for row in rows] == [first.code, "H-01", second.code]
