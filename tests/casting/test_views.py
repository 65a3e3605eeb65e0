"""The pages of casting: who may do what, what is shown, what a list costs. All records are invented."""

import uuid
from datetime import timedelta
from urllib.parse import quote

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from casting import hooks
from casting.models import Batch, Cast, Mould, Nonconformity, StrengthTest
from logbook.models import Entry
from tests import make
from tests.make import NOON

pytestmark = pytest.mark.django_db


def at(name, *args):
    return reverse(f"casting:{name}", args=["TPW", *args])


@pytest.fixture
def block(lead):
    return make.revision(author=lead)


@pytest.fixture
def poured(block, technician):
    return make.cast(block, technician, demoulded_at=None, standing="in mould", mould=make.mould(block))


@pytest.fixture
def stored(block, technician):
    return make.cast(block, technician, batch=make.batch(technician))


def pour_form(block, **given):
    usual = {
        "part": "SB-02",
        "revision": block.pk,
        "mould": "",
        "batch": "new",
        "mix_design": "C40 mortar",
        "serial": "TP-SB-0001",
        "poured_at": "2026-05-12T12:00",
    }
    return usual | given


SCALE = {"scale_x": "1,0018", "scale_y": "1", "scale_z": "1"}
MOULD = {"kind": "open-face", "pull": "+z", "made_on": "2026-05-12"} | SCALE

# What each writing page is sent, and what proves that it had its effect.
WRITES = {
    "log-cast": lambda x: (at("log-cast"), pour_form(x["block"], serial="TP-SB-0100"), Cast),
    "log-mould": lambda x: (at("log-mould"), MOULD | {"revision": x["block"].pk}, Mould),
    "log-batch": lambda x: (at("log-batch"), {"mix_design": "C40", "mixed_at": "2026-05-12T12:00"}, Batch),
    "log-strength": lambda x: (
        at("log-strength", "B-01"),
        {"label": "X-1", "strength": "48,2", "tested_on": "2026-06-09", "specimen": "cylinder"},
        StrengthTest,
    ),
    "report": lambda x: (at("report", "TP-SB-0001"), {"what": "Chip", "found_at": "2026-05-14T12:00"}, Nonconformity),
    "demould": lambda x: (at("demould", "TP-SB-0002"), {"demoulded_at": "2026-05-13T12:00"}, None),
    "correct": lambda x: (at("correct", "TP-SB-0001"), {"mass": "139,6"}, None),
    "move": lambda x: (at("move", "TP-SB-0001"), {"standing": "on site", "place": "North"}, None),
    "mould-state": lambda x: (at("mould-state", "M-01"), {"state": "resting"}, None),
    "decide": lambda x: (at("decide", "N-07"), {"disposition": "scrap"}, None),
}


@pytest.fixture
def shop(block, technician):
    """One of everything."""
    stored = make.cast(block, technician, batch=make.batch(technician))
    make.cast(block, technician, "TP-SB-0002", demoulded_at=None, standing="in mould", mould=make.mould(block))
    make.nonconformity(make.cast(block, technician, "TP-SB-0003"), technician, code="N-07")
    return {"block": block, "stored": stored}


@pytest.fixture
def later(monkeypatch):
    """The clock of the services and of the pages stands a season after the invented pours."""
    monkeypatch.setattr(timezone, "now", lambda: NOON + timedelta(days=60))


@pytest.mark.parametrize("name", [name for name in WRITES if name != "decide"])
def test_a_technician_may(name, shop, technician, signed_in, later):
    url, form, model = WRITES[name](shop)
    before = model.objects.count() if model else 0
    answer = signed_in(technician).post(url, form)
    assert answer.status_code == 302, answer.context and answer.context["form"].errors
    assert Entry.objects.count() in (1, 2)
    assert model is None or model.objects.count() == before + 1


def test_a_lead_decides_what_becomes_of_a_nonconformity(shop, lead, signed_in, later):
    url, form, _ = WRITES["decide"](shop)
    assert signed_in(lead).post(url, form).status_code == 302
    assert Cast.objects.get(serial="TP-SB-0003").standing == "scrapped"


def test_a_technician_does_not_decide(shop, technician, signed_in, later):
    url, form, _ = WRITES["decide"](shop)
    assert signed_in(technician).post(url, form).status_code == 403
    assert not Entry.objects.exists()


@pytest.mark.parametrize("name", list(WRITES))
@pytest.mark.parametrize("who", ["visitor", "site_person", "stranger"])
def test_others_are_refused_and_nothing_changes(name, who, shop, signed_in, request, later):
    url, form, model = WRITES[name](shop)
    before = model.objects.count() if model else 0
    assert signed_in(request.getfixturevalue(who)).post(url, form).status_code == 403
    assert not Entry.objects.exists()
    assert model is None or model.objects.count() == before


@pytest.mark.parametrize("name", list(WRITES))
def test_who_is_not_signed_in_is_asked_to(name, shop, client, later):
    url, form, _ = WRITES[name](shop)
    answer = client.post(url, form)
    assert answer.status_code == 302
    assert "next=" in answer.url
    assert not Entry.objects.exists()


@pytest.mark.parametrize("name", list(WRITES))
def test_other_methods_are_refused(name, shop, lead, signed_in, later):
    url, form, _ = WRITES[name](shop)
    session = signed_in(lead)
    assert session.put(url).status_code == session.delete(url).status_code == 405
    assert not Entry.objects.exists()


READS = {
    "casts": lambda: at("casts"),
    "cast": lambda: at("cast", "TP-SB-0001"),
    "moulds": lambda: at("moulds"),
    "mould": lambda: at("mould", "M-01"),
    "batches": lambda: at("batches"),
    "batch": lambda: at("batch", "B-01"),
    "nonconformities": lambda: at("nonconformities"),
    "nonconformity": lambda: at("nonconformity", "N-07"),
    "revision_casts": lambda: at("revision_casts", "SB-02", "A"),
}


@pytest.mark.parametrize("name", list(READS))
def test_every_page_is_read_by_a_visitor_and_by_nobody_without_a_role(name, shop, visitor, stranger, client, signed_in):
    url = READS[name]()
    assert signed_in(visitor).get(url).status_code == 200
    assert signed_in(stranger).get(url).status_code == 403
    assert client.get(url).status_code == 302
    assert signed_in(visitor).post(url).status_code == 405


@pytest.mark.parametrize("name", [name for name in WRITES if name not in ("mould-state", "decide")])
def test_every_form_opens(name, shop, technician, signed_in):
    url, _, _ = WRITES[name](shop)
    assert signed_in(technician).get(url).status_code == 200


def test_what_is_not_there_is_not_found(shop, technician, signed_in):
    session = signed_in(technician)
    for url in (
        at("cast", "X"),
        at("mould", "X"),
        at("batch", "X"),
        at("nonconformity", "X"),
        at("log-cast") + "?part=X",
    ):
        assert session.get(url).status_code == 404


def test_a_serial_is_found_whatever_its_letters_case(shop, visitor, signed_in):
    assert signed_in(visitor).get(at("cast", "tp-sb-0001")).status_code == 200


def test_the_form_of_a_pour_is_filled_in(block, technician, signed_in):
    older, newer = make.mould(block, "M-01"), make.mould(block, "M-02")
    make.cast(block, technician, "TP-SB-0013", mould=newer)
    batch = make.batch(technician, mixed_at=timezone.now())
    form = signed_in(technician).get(at("log-cast")).context["form"]
    assert form["serial"].value() == "TP-SB-0014"
    assert (form.initial["revision"], form.initial["mould"], form.initial["batch"]) == (block, newer, str(batch.pk))
    assert older in form.fields["mould"].queryset


def test_yesterdays_batch_is_not_taken_for_todays_but_its_mix_is(block, technician, signed_in):
    make.batch(technician, mixed_at=timezone.now() - timedelta(days=2), mix_design="Slag blend")
    form = signed_in(technician).get(at("log-cast")).context["form"]
    assert (form.initial["batch"], form.initial["mix_design"]) == ("new", "Slag blend")


def test_the_newest_revision_that_may_be_cast_to_is_chosen(block, technician, lead, signed_in):
    make.revision(block.component, "B", author=lead, state="withdrawn")
    newest = make.revision(block.component, "C", author=lead)
    form = signed_in(technician).get(at("log-cast")).context["form"]
    assert form.initial["revision"] == newest
    assert "B, withdrawn" not in form.as_p()


def test_the_part_in_the_address_is_chosen(block, technician, lead, signed_in):
    make.revision(make.component("PC-01"), author=lead)
    answer = signed_in(technician).get(at("log-cast") + "?part=PC-01")
    assert answer.context["component"].part_number == "PC-01"


def test_without_anything_on_trial_the_page_says_so(technician, lead, signed_in):
    make.revision(author=lead, state="in preparation")
    assert b"Nothing to cast yet" in signed_in(technician).get(at("log-cast")).content


def test_a_pressed_twice_form_logs_one_cast_and_one_batch(block, technician, signed_in, later):
    form = pour_form(block) | {"once": str(uuid.uuid4())}
    session = signed_in(technician)
    first, second = session.post(at("log-cast"), form), session.post(at("log-cast"), form)
    assert first.url == second.url == at("cast", "TP-SB-0001")
    assert (Cast.objects.count(), Batch.objects.count()) == (1, 1)


@pytest.mark.parametrize(
    ("given", "field", "words"),
    [
        ({"serial": "tp-sb-0009"}, "serial", "on another cast already"),
        ({"serial": "TP SB 1"}, "serial", "letters, digits, dots and dashes"),
        ({"poured_at": "2027-05-12T12:00"}, "poured_at", "future"),
        ({"poured_at": "yesterday"}, "poured_at", "valid date"),
        ({"mass": "heavy"}, "mass", "not a number"),
        ({"mass": "0"}, "mass", "more than nothing"),
        ({"mix_design": ""}, "mix_design", "Name the mix design"),
        ({"water_binder": "42"}, "water_binder", "42"),
        ({"batch": "999"}, "batch", "valid choice"),
    ],
)
def test_bad_input_is_said_beside_its_field_and_nothing_typed_is_lost(
    block, technician, signed_in, later, given, field, words
):
    make.cast(block, technician, "TP-SB-0009")
    answer = signed_in(technician).post(at("log-cast"), pour_form(block, place="Bay 7", **given))
    assert answer.status_code == 200
    form = answer.context["form"]
    assert words in " ".join(form.errors[field])
    assert "Bay 7" in answer.content.decode()
    assert Cast.objects.count() == 1
    assert not Batch.objects.exists()


def test_a_comma_decimal_is_a_number(block, technician, signed_in, later):
    signed_in(technician).post(at("log-cast"), pour_form(block, mass="139,6", water_binder="0,42"))
    cast = Cast.objects.get()
    assert (str(cast.mass), str(cast.batch.water_binder)) == ("139.60", "0.420")


def test_a_hold_stops_the_pour_with_its_reason(block, technician, signed_in, later, monkeypatch):
    monkeypatch.setattr(hooks, "stops", [lambda *given: "SB-02 A is on hold, H-01."])
    answer = signed_in(technician).post(at("log-cast"), pour_form(block))
    assert "SB-02 A is on hold, H-01." in answer.content.decode()
    assert not Cast.objects.exists()


def test_a_logged_mould_is_proposed_as_the_correction_of_another(shop, technician, signed_in):
    form = signed_in(technician).get(at("log-mould") + "?corrects=M-01").context["form"]
    assert (form.initial["corrects"].code, form.initial["revision"]) == ("M-01", shop["block"])


def test_a_refused_mould_state_is_said_on_the_moulds_page(shop, technician, signed_in):
    answer = signed_in(technician).post(at("mould-state", "M-01"), {"state": "retired", "reason": ""})
    assert answer.status_code == 200
    assert "Say why it is retired." in answer.content.decode()


def test_a_decided_nonconformity_offers_no_second_decision(shop, lead, signed_in):
    Nonconformity.objects.update(disposition="regrade", decided_at=NOON, decided_by=lead)
    answer = signed_in(lead).get(at("decide", "N-07"))
    assert "It is decided already" in answer.content.decode()


def test_upper_rooms_put_their_part_on_a_casts_page(shop, visitor, signed_in, monkeypatch):
    monkeypatch.setattr(hooks, "panels", [lambda request, cast: ("_empty.html", {"what": f"Tag of {cast}"})])
    assert "Tag of TP-SB-0001" in signed_in(visitor).get(at("cast", "TP-SB-0001")).content.decode()


def test_the_list_of_casts_is_narrowed_by_where_they_stand(shop, visitor, signed_in):
    answer = signed_in(visitor).get(at("casts") + "?standing=" + quote("in mould"))
    assert [row.serial for row in answer.context["page"]] == ["TP-SB-0002"]


@pytest.mark.parametrize("name", ["casts", "moulds", "batches", "nonconformities", "revision_casts", "mould", "batch"])
def test_a_list_costs_the_same_for_2_and_for_20_rows(name, block, technician, visitor, signed_in):
    session = signed_in(visitor)
    mould, batch = make.mould(block, "M-01"), make.batch(technician, "B-01")

    def more(first, last):
        for n in range(first, last):
            cast = make.cast(block, technician, f"TP-SB-{n:04d}", mould=mould, batch=batch)
            make.nonconformity(cast, technician, f"N-{n:02d}")
            make.mould(block, f"M-1{n:02d}")
            make.strength(make.batch(technician, f"B-1{n:02d}"), technician)

    more(1, 3)
    session.get(READS[name]())  # whatever is cached once is cached now
    with CaptureQueriesContext(connection) as few:
        session.get(READS[name]())
    more(3, 21)
    with CaptureQueriesContext(connection) as many:
        session.get(READS[name]())
    assert len(few) == len(many)


def test_a_long_list_is_cut_into_pages(block, technician, visitor, signed_in):
    Cast.objects.bulk_create(
        Cast(
            kit=block.component.kit,
            revision=block,
            serial=f"S{n}",
            poured_at=NOON,
            logged_by=technician,
            logged_at=NOON,
        )
        for n in range(120)
    )
    answer = signed_in(visitor).get(at("casts") + "?page=2")
    assert len(answer.context["page"]) == 20
