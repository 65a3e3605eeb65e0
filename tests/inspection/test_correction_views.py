"""Pages of casts compared and of mould correction: who may do what, what is shown, what it costs. Invented records."""

import uuid
from datetime import date

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from casting.models import Mould
from inspection import compared_job, correction_job
from inspection.mould_models import CastsCompared, CorrectionEffect, MouldCorrection
from inspection.services import mould_correction as services
from logbook.models import Entry
from tests import make
from tests.inspection.scanned_casts import blank_pictures, grown, scanned
from tests.inspection.test_mould_correction import LATER, SETTINGS

pytestmark = pytest.mark.django_db
HTMX = {"HX-Request": "true"}
FORM = {"serials": ["TP-SB-0001", "TP-SB-0002", "TP-SB-0003"], "smoothing": "80", "most": "3,0", "damping": "100",
        "by_scale": "on", "pull": "+z", "kind": "two-part"}  # fmt: skip


def at(name, *args):
    return reverse(f"inspection:{name}", args=["TPW", *args])


@pytest.fixture(autouse=True)
def no_pictures(monkeypatch):
    blank_pictures(monkeypatch)


@pytest.fixture
def mould(block):
    return make.mould(block, kind="two-part")


@pytest.fixture
def three(block, mould, arm, technician):
    return scanned(block, mould, arm, technician, [grown(-0.0048), grown(-0.005), grown(-0.0052)])


@pytest.fixture
def done(block, mould, three, lead):
    row = services.work_out_correction(mould, block, by=lead, **SETTINGS)
    correction_job.run(row.pk, 1)
    row.refresh_from_db()
    return row


@pytest.fixture
def asked(block, mould, three, lead):
    return services.work_out_correction(mould, block, by=lead, **SETTINGS)


@pytest.fixture
def comparing(block, mould, three, lead):
    return services.compare_casts(block, mould, by=lead)


@pytest.fixture
def made(done, arm, technician, lead):
    """A correction with a mould made from it and a scanned cast of that mould."""
    services.log_mould_made(done, by=lead, made_on=date(2026, 5, 20), at=LATER)
    scanned(done.revision, done.made, arm, technician, [0.02], first=11)
    return done


@pytest.fixture
def all_done(block, mould, made, lead):
    row = services.compare_casts(block, mould, by=lead)
    compared_job.run(row.pk, 1)
    effect = services.find_effect(made, by=lead)
    correction_job.run_effect(effect.pk, 1)
    return made


WRITES = {
    "compare-casts": lambda: (at("compare-casts", "SB-02", "A"), {"mould": "M-01"}),
    "correct-mould": lambda: (at("correct-mould", "M-01"), FORM),
    "mould-made": lambda: (at("mould-made", "MC-01"), {"made_on": "2026-05-21", "code": "", "note": ""}),
    "find-effect": lambda: (at("find-effect", "MC-01"), {}),
    "stop-correction": lambda: (at("stop-correction", "MC-01"), {}),
    "stop-comparing": lambda: (at("stop-comparing", "SB-02", "A", CastsCompared.objects.get().pk), {}),
}
LEADS_ONLY = ["correct-mould", "mould-made", "find-effect", "stop-correction"]


def counts():
    return [kind.objects.count() for kind in (CastsCompared, MouldCorrection, CorrectionEffect, Mould, Entry)]


def ready(name, request):
    """The records that a write needs."""
    needed = {"mould-made": "done", "find-effect": "made", "stop-correction": "asked", "stop-comparing": "comparing"}
    return request.getfixturevalue(needed.get(name, "three"))


@pytest.mark.parametrize("name", list(WRITES))
def test_the_lead_may(name, request, lead, signed_in):
    ready(name, request)
    before = Entry.objects.count()
    url, form = WRITES[name]()
    answer = signed_in(lead).post(url, form)
    assert answer.status_code == 302, answer.context and answer.context["form"].errors
    assert Entry.objects.count() > before


def test_a_technician_compares_casts_but_does_not_correct_moulds(three, technician, signed_in):
    assert signed_in(technician).post(*WRITES["compare-casts"]()).status_code == 302
    assert CastsCompared.objects.count() == 1


@pytest.mark.parametrize("name", list(WRITES))
@pytest.mark.parametrize("who", ["technician", "visitor", "site_person", "stranger"])
def test_others_are_refused_and_nothing_changes(name, who, request, signed_in):
    if who == "technician" and name not in LEADS_ONLY:
        return
    ready(name, request)
    before = counts()
    assert signed_in(request.getfixturevalue(who)).post(*WRITES[name]()).status_code == 403
    assert counts() == before


@pytest.mark.parametrize("name", list(WRITES))
def test_who_is_not_signed_in_is_asked_to_and_other_methods_are_refused(name, request, client, lead, signed_in):
    ready(name, request)
    before = counts()
    url, form = WRITES[name]()
    assert signed_in(lead).put(url).status_code == 405
    answer = client.post(url, form)
    assert (answer.status_code, "next=" in answer.url) == (302, True)
    assert counts() == before


@pytest.mark.parametrize("name", ["compare-casts", "find-effect"])
def test_buttons_are_not_pages(name, request, lead, signed_in):
    ready(name, request)
    assert signed_in(lead).get(WRITES[name]()[0]).status_code == 405


READS = {
    "casts-compared": lambda: at("casts-compared", "SB-02", "A"),
    "correction": lambda: at("correction", "MC-01"),
    "corrections": lambda: at("corrections"),
}


@pytest.mark.parametrize("name", list(READS))
def test_every_page_is_read_by_a_visitor_and_by_nobody_without_a_role(name, all_done, visitor, stranger, signed_in):
    page = signed_in(visitor).get(READS[name]())
    assert page.status_code == 200
    assert signed_in(stranger).get(READS[name]()).status_code == 403
    assert signed_in(visitor).post(READS[name]()).status_code == 405
    assert b"<form" not in page.content.split(b"<main")[1].split(b"</main")[0]


def test_what_is_not_there_is_not_found(three, lead, signed_in):
    session = signed_in(lead)
    for url in (at("correction", "X"), at("mould-made", "X"), at("correct-mould", "X"), at("casts-compared", "X", "A")):
        assert session.get(url).status_code == 404
    assert session.post(at("compare-casts", "SB-02", "A"), {"mould": "X"}).status_code == 404


# ---- casts compared --------------------------------------------------------------------------------------------------


def test_the_sheet_says_its_sentence_first_and_shows_mean_beside_scatter(all_done, visitor, signed_in):
    page = signed_in(visitor).get(at("casts-compared", "SB-02", "A")).content.decode()
    sentence = CastsCompared.objects.get().sentence
    assert page.index(sentence) < page.index("M-01-compared-mean-pictorial.png")
    assert "M-01-compared-scatter-pictorial.png" in page
    assert "what the mould does" in page and "what the process does" in page
    assert "A trend over the pours needs 4\u00a0casts" in page
    assert "TP-SB-0003" in page and "Shrinkage on the mould" in page


def test_before_anything_is_compared_the_sheet_says_what_to_do(three, visitor, signed_in):
    page = signed_in(visitor).get(at("casts-compared", "SB-02", "A")).content.decode()
    assert "No casts of this revision were compared yet." in page
    assert "Compare the casts" not in page


def test_a_revision_without_scans_says_so(block, lead, signed_in):
    page = signed_in(lead).get(at("casts-compared", "SB-02", "A")).content.decode()
    assert "Scan casts that have left their mould" in page


def test_a_new_scan_is_told_and_asks_for_a_new_comparison(all_done, mould, arm, lead, technician, signed_in):
    scanned(all_done.revision, mould, arm, technician, [0.2], first=5)
    page = signed_in(lead).get(at("casts-compared", "SB-02", "A")).content.decode()
    assert "The scans have changed since: compare again." in page


def test_a_view_alone_is_sent_to_htmx(all_done, visitor, signed_in):
    url = at("casts-compared", "SB-02", "A") + "?part=maps&mould=M-01&view=top"
    answer = signed_in(visitor).get(url, headers=HTMX)
    assert b"<html" not in answer.content and b"M-01-compared-mean-top.png" in answer.content
    assert answer.headers["Vary"].count("HX-Request") == 1


def test_under_way_the_sheet_shows_progress_and_refreshes_when_it_has_ended(block, mould, three, lead, signed_in):
    row = services.compare_casts(block, mould, by=lead)
    CastsCompared.objects.update(state="running", stage="drawing", share=0.6, heartbeat=timezone.now())
    session = signed_in(lead)
    page = session.get(at("casts-compared", "SB-02", "A")).content.decode()
    assert "Drawing, 60\u00a0%" in page and "Compare the casts" not in page
    url = at("casts-compared", "SB-02", "A") + "?part=job&mould=M-01"
    assert b"<html" not in session.get(url, headers=HTMX).content
    CastsCompared.objects.filter(pk=row.pk).update(state="failed", error="Add it.")
    ended = session.get(url, headers=HTMX)
    assert (ended.status_code, ended.headers["HX-Refresh"]) == (204, "true")
    assert "Could not be compared: Add it." in session.get(at("casts-compared", "SB-02", "A")).content.decode()


def test_a_refusal_is_said_on_the_sheet(block, mould, lead, signed_in):
    answer = signed_in(lead).post(at("compare-casts", "SB-02", "A"), {"mould": "M-01"}, follow=True)
    assert "No cast from mould M-01 has a scan" in answer.content.decode()


def test_the_sheet_costs_the_same_for_two_casts_and_for_twenty(block, mould, arm, technician, visitor, lead, signed_in):
    def cost():
        row = services.compare_casts(block, mould, by=lead)
        compared_job.run(row.pk, 1)
        with CaptureQueriesContext(
            connection,
        ) as queries:
            assert session.get(at("casts-compared", "SB-02", "A")).status_code == 200
        return len(queries)

    session = signed_in(visitor)
    scanned(block, mould, arm, technician, [0.1] * 2)
    first = cost()
    scanned(block, mould, arm, technician, [0.1] * 18, first=3)
    assert cost() == first


# ---- mould correction ------------------------------------------------------------------------------------------------


def test_the_form_is_filled_in_from_mould_and_scans(three, lead, signed_in):
    form = signed_in(lead).get(at("correct-mould", "M-01")).context["form"]
    assert form.initial["serials"] == ["TP-SB-0001", "TP-SB-0002", "TP-SB-0003"]
    assert (form.initial["pull"], form.initial["kind"]) == ("+z", "two-part")
    assert form.initial["smoothing"] % 5 == 0 and form.initial["smoothing"] >= 40


def test_a_mould_without_scanned_casts_says_what_to_do(block, mould, lead, signed_in):
    page = signed_in(lead).get(at("correct-mould", "M-01")).content.decode()
    assert "No cast of this mould has a scan that counts" in page and "Work out the correction" not in page


@pytest.mark.parametrize(
    ("given", "field", "words"),
    [
        ({"serials": []}, "serials", "Choose at least one cast"),
        ({"smoothing": "-5"}, "smoothing", "more than 0"),
        ({"smoothing": "soft"}, "smoothing", ""),
        ({"most": "0"}, "most", "more than 0"),
        ({"damping": "120"}, "damping", "at most 100"),
        ({"pull": "sideways"}, "pull", "valid choice"),
    ],
)
def test_bad_input_is_said_beside_its_field_and_nothing_typed_is_lost(three, lead, signed_in, given, field, words):
    answer = signed_in(lead).post(at("correct-mould", "M-01"), FORM | given)
    assert answer.status_code == 200
    assert words in " ".join(answer.context["form"].errors[field])
    assert answer.context["form"]["most"].value() == (FORM | given)["most"]
    assert not MouldCorrection.objects.exists()


def test_pressed_twice_it_is_one_correction(three, lead, signed_in):
    session, once = signed_in(lead), str(uuid.uuid4())
    urls = [session.post(at("correct-mould", "M-01"), FORM | {"once": once}).url for _ in range(2)]
    assert urls == [at("correction", "MC-01")] * 2
    assert MouldCorrection.objects.count() == 1


def test_the_page_foretells_with_its_doubt_and_offers_the_surface_in_mm(done, lead, signed_in):
    page = signed_in(lead).get(at("correction", "MC-01")).content.decode()
    assert done.sentence in page
    assert "Download the surface, in mm" in page and "MC-01-cavity-mm.stl" in page
    assert "The file is the surface of the cavity" in page
    assert "Log the mould made from it" in page
    assert "Checked: the surface is closed" in page


def test_what_it_brought_stands_beside_what_was_foretold(all_done, visitor, signed_in):
    page = signed_in(visitor).get(at("correction", "MC-01")).content.decode()
    assert page.index("The systematic error came down") < page.index("Foretold:")
    for name in ("Before", "Foretold", "Brought"):
        assert f'<th scope="row">{name}</th>' in page
    assert "MC-01-brought-pictorial.png" in page


def test_a_failed_correction_says_why_and_what_now(block, mould, three, lead, signed_in):
    services.work_out_correction(mould, block, by=lead, **SETTINGS)
    MouldCorrection.objects.update(state="failed", error="Smooth over a longer length.")
    page = signed_in(lead).get(at("correction", "MC-01")).content.decode()
    assert "Smooth over a longer length." in page and "Work out another" in page


def test_a_refused_mould_is_said_beside_its_field(done, lead, signed_in):
    answer = signed_in(lead).post(at("mould-made", "MC-01"), {"made_on": "2026-05-21", "code": "m-01", "note": "Rim"})
    assert "already a mould of this kit" in answer.context["form"].errors["code"][0]
    assert answer.context["form"]["note"].value() == "Rim"


def test_progress_alone_is_sent_to_htmx_and_the_page_when_it_has_ended(block, mould, three, lead, signed_in):
    services.work_out_correction(mould, block, by=lead, **SETTINGS)
    session, url = signed_in(lead), at("correction", "MC-01") + "?part=job"
    assert "Waiting for its turn." in session.get(url, headers=HTMX).content.decode()
    MouldCorrection.objects.update(state="failed", error="x")
    assert session.get(url, headers=HTMX).headers["HX-Refresh"] == "true"


def test_the_list_costs_the_same_for_two_corrections_and_for_twenty(block, mould, three, lead, signed_in):
    session = signed_in(lead)

    def cost(more):
        for _ in range(more):
            services.work_out_correction(mould, block, by=lead, **SETTINGS)
        with CaptureQueriesContext(connection) as queries:
            assert session.get(at("corrections")).status_code == 200
        return len(queries)

    assert cost(2) == cost(18)


def test_the_moulds_page_tells_what_its_casts_say_and_leads_on(all_done, lead, visitor, signed_in):
    url = reverse("casting:mould", args=["TPW", "M-01"])
    page = signed_in(lead).get(url).content.decode()
    assert CastsCompared.objects.get().sentence in page
    assert at("correction", "MC-01") in page and at("correct-mould", "M-01") in page
    assert at("correct-mould", "M-01") not in signed_in(visitor).get(url).content.decode()
    new = signed_in(visitor).get(reverse("casting:mould", args=["TPW", all_done.made.code])).content.decode()
    assert "Made from mould correction" in new


def test_the_scans_page_leads_to_the_casts_compared(three, visitor, signed_in):
    assert (
        at("casts-compared", "SB-02", "A")
        in signed_in(visitor).get(at("revision_scans", "SB-02", "A")).content.decode()
    )


def test_a_stopped_correction_says_so_and_offers_another(asked, lead, signed_in):
    session = signed_in(lead)
    page = session.post(at("stop-correction", "MC-01"), follow=True).content.decode()
    asked.refresh_from_db()
    assert asked.state == "stopped" and "was stopped before it was worked out" in page and "Work out another" in page


def test_a_stopped_comparison_says_so(comparing, lead, signed_in):
    page = signed_in(lead).post(at("stop-comparing", "SB-02", "A", comparing.pk), follow=True).content.decode()
    assert "stopped before the end" in page


def test_while_it_is_stopping_nobody_is_offered_to_stop_it_again(asked, lead, signed_in):
    MouldCorrection.objects.update(state="running", stop_asked=True)
    page = signed_in(lead).get(at("correction", "MC-01")).content.decode()
    assert "Stopping at the next step" in page and at("stop-correction", "MC-01") not in page
