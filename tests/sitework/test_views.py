"""The pages of the sites: who may act, one effect per form, what the board and the notices say, what lists cost."""

from io import BytesIO

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from pypdf import PdfReader

from logbook.models import Entry
from releases import services as release_services
from sitework import services
from sitework.models import Acknowledgement, HoldPoint, HoldPointSignature, Installation, Position, Site, Tag
from tests import make

pytestmark = pytest.mark.django_db


def at(name, *args):
    return reverse(f"sitework:{name}", args=["TPW", *args])


SITE = {"name": "South shore", "contact_name": "Rhys Adeyemi", "contact_phone": "555 0101"}


@pytest.fixture
def works(yard, lead):
    """The yard with a second piece that is installed on another site, and a hold on an empty batch."""
    component = yard["piece"].revision.component
    other = make.position(make.site("ISLE", name="The isle"), component, "P7", name="Pier 7, seat")
    fixed = make.cast(yard["piece"].revision, lead, "TP-SB-0007")
    services.install(cast=fixed, position=other, by=lead, signed={})
    hold = release_services.place_hold(on=make.batch(lead), by=lead, reason="Slump not noted.")
    return yard | {"hold": hold, "fixed": fixed, "component": component}


# What each writing page is sent, and the act that it leaves in the logbook.
WRITES = {
    "add-site": lambda x: (at("add-site"), SITE | {"code": "SOUTH"}, "site.added"),
    "change-site": lambda x: (at("change-site", "NORTH"), SITE, "site.changed"),
    "add-position": lambda x: (
        at("add-position", "NORTH"),
        {"code": "P2", "name": "Pier 2", "component": x["component"].pk, "order": "2"},
        "position.added",
    ),
    "add-hold-point": lambda x: (
        at("add-hold-point", "NORTH"),
        {"component": x["component"].pk, "text": "Bearing pad dry"},
        "hold-point.added",
    ),
    "acknowledge": lambda x: (at("acknowledge", "NORTH", "hold", x["hold"].pk), {}, "acknowledgement.given"),
    "tag-sheet": lambda x: (at("tag-sheet"), {"serial": ["TP-SB-0007"]}, "tag.made"),
    "install": lambda x: (
        at("install", "TP-SB-0001"),
        {"position": x["position"].pk, f"point-{x['point'].pk}": "on"},
        "installation.logged",
    ),
    "take-out": lambda x: (at("take-out", "TP-SB-0007"), {"why": "Pad forgotten."}, "installation.ended"),
}
SITE_TEAM = ["acknowledge", "install", "take-out"]
BUTTONS = ["acknowledge", "tag-sheet"]
ROWS = (Entry, Site, Position, HoldPoint, Tag, Acknowledgement, Installation, HoldPointSignature)


def everything():
    """What no refused act may touch."""
    return [model.objects.count() for model in ROWS] + sorted(Site.objects.values_list("name", "contact_phone"))


def proves(act, by):
    """Exactly one entry by this person."""
    return Entry.objects.filter(act=act, who=by).count()


@pytest.mark.parametrize("name", WRITES)
def test_a_lead_may(name, works, second_lead, signed_in):
    url, form, act = WRITES[name](works)
    answer = signed_in(second_lead).post(url, form)
    assert answer.status_code == (200 if name == "tag-sheet" else 302)
    assert proves(act, second_lead) == 1


@pytest.mark.parametrize("name", SITE_TEAM)
def test_the_site_team_may(name, works, site_person, signed_in):
    url, form, act = WRITES[name](works)
    assert signed_in(site_person).post(url, form).status_code == 302
    assert proves(act, site_person) == 1


REFUSED = [(name, who) for name in WRITES for who in ("technician", "visitor", "stranger")] + [
    (name, "site_person") for name in WRITES if name not in SITE_TEAM
]


@pytest.mark.parametrize(("name", "who"), REFUSED)
def test_others_are_refused_and_nothing_changes(name, who, works, signed_in, request):
    url, form, _ = WRITES[name](works)
    before = everything()
    assert signed_in(request.getfixturevalue(who)).post(url, form).status_code == 403
    assert everything() == before


@pytest.mark.parametrize("name", WRITES)
def test_who_is_not_signed_in_is_asked_to_and_other_methods_are_refused(name, works, client, lead, signed_in):
    url, form, _ = WRITES[name](works)
    before, session = everything(), signed_in(lead)
    answer = client.post(url, form)
    assert (answer.status_code, "next=" in answer.url) == (302, True)
    assert session.put(url, form).status_code == session.delete(url).status_code == 405
    assert session.get(url).status_code == (405 if name in BUTTONS else 200)
    assert everything() == before


@pytest.mark.parametrize("name", WRITES)
def test_pressing_twice_has_one_effect(name, works, second_lead, signed_in):
    url, form, act = WRITES[name](works)
    session, token = signed_in(second_lead), {"once": "c0ffee00-0000-4000-8000-000000000001"}
    first, second = (session.post(url, form | token) for _ in range(2))
    assert first.status_code == second.status_code < 400
    assert proves(act, second_lead) == 1


KEPT = "Typed with cold hands"
BAD = {
    "site code taken": ("add-site", lambda x: SITE | {"code": "north", "name": KEPT}, "already has a site north"),
    "site without phone": ("add-site", lambda x: SITE | {"code": "S", "name": KEPT, "contact_phone": ""}, "required"),
    "position code taken": (
        "add-position",
        lambda x: {"code": "p1", "name": KEPT, "component": x["component"].pk, "order": "1"},
        "already has a position p1",
    ),
    "hold point not signed": (
        "install",
        lambda x: {"position": x["position"].pk, "note": KEPT},
        "Hold point not signed: Seat level within 3 mm.",
    ),
    "no position": ("install", lambda x: {"note": KEPT, f"point-{x['point'].pk}": "on"}, "required"),
}


@pytest.mark.parametrize("case", BAD)
def test_a_refusal_is_said_on_the_page_and_what_was_typed_stays(case, works, lead, signed_in):
    name, form, sentence = BAD[case]
    before = everything()
    answer = signed_in(lead).post(WRITES[name](works)[0], form(works))
    page = answer.content.decode()
    assert answer.status_code == 200
    assert sentence in page
    assert KEPT in page
    assert everything() == before


def test_a_held_piece_is_not_logged_even_from_a_form_that_was_open_before(works, lead, site_person, signed_in):
    url, form, _ = WRITES["install"](works)
    release_services.place_hold(on=works["piece"], by=lead, reason="Crack 0.3 mm.")
    page = signed_in(site_person).post(url, form).content.decode()
    assert "TP-SB-0001 is not cleared: On hold (H-02): Crack 0.3 mm." in page
    assert Installation.objects.filter(cast=works["piece"]).count() == 0


def test_what_is_not_there_is_not_found(works, lead, signed_in):
    session = signed_in(lead)
    for url in (at("site", "X"), at("install", "X"), at("take-out", "TP-SB-0001")):
        assert session.get(url).status_code == 404
    for url in (at("acknowledge", "NORTH", "hold", 999), at("acknowledge", "NORTH", "cast", 1)):
        assert session.post(url).status_code == 404


READS = {"board": lambda: at("board"), "site": lambda: at("site", "NORTH"), "tags": lambda: at("tags")}


@pytest.mark.parametrize("name", READS)
def test_every_page_is_read_by_a_visitor_and_by_nobody_without_a_role(
    name, works, visitor, stranger, client, signed_in
):
    url = READS[name]()
    assert signed_in(visitor).get(url).status_code == 200
    assert signed_in(stranger).get(url).status_code == 403
    assert client.get(url).status_code == 302
    assert signed_in(visitor).post(url).status_code == 405


@pytest.mark.parametrize("name", READS)
def test_a_page_costs_the_same_for_two_and_twenty(name, works, lead, visitor, signed_in):
    def build(numbers):
        for n in numbers:
            piece = make.cast(works["piece"].revision, lead, f"TP-SB-1{n:03}")
            make.tag(piece)
            site = make.site(f"S-{n}", name=f"Site {n}")
            place = make.position(site, works["component"], f"Q{n}")
            make.position(works["site"], works["component"], f"R{n}")
            services.install(cast=piece, position=place, by=lead, signed={})
            spare = make.cast(works["piece"].revision, lead, f"TP-SB-2{n:03}")
            release_services.place_hold(on=(piece, spare)[n % 2], by=lead, reason="Crack.")

    session = signed_in(visitor)
    build(range(2))
    session.get(READS[name]())
    with CaptureQueriesContext(connection) as few:
        session.get(READS[name]())
    build(range(2, 20))
    with CaptureQueriesContext(connection) as many:
        session.get(READS[name]())
    assert len(few) == len(many)


def test_the_site_board_says_what_is_in_what_may_go_in_and_what_is_kept_out(works, lead, visitor, signed_in):
    kept = make.cast(works["piece"].revision, lead, "TP-SB-0002", demoulded_at=None, standing="in mould")
    board = signed_in(visitor).get(at("site", "NORTH")).context
    assert [piece.cast for piece in board["cleared"]] == [works["piece"]]
    assert [piece.cast for piece in board["kept_out"]] == [kept]
    assert board["next"].position == works["position"]
    assert [piece.cast for piece in board["next"].ready] == [works["piece"]]
    isle = signed_in(visitor).get(at("site", "ISLE")).context
    assert isle["places"][0].installed.cast == works["fixed"]
    assert isle["next"] is None


def test_a_notice_names_what_is_in_already_and_who_has_not_seen_it(works, lead, site_person, signed_in):
    hold = release_services.place_hold(on=works["fixed"], by=lead, reason="Crack 0.3 mm.")
    session = signed_in(site_person)
    notice = next(one for one in session.get(at("board")).context["notices"] if one.what == hold)
    assert [row.cast for row in notice.installed] == [works["fixed"]]
    assert [site.code for site in notice.waiting] == ["ISLE", "NORTH"]
    page = session.get(at("site", "ISLE")).content.decode()
    assert "Crack 0.3 mm." in page
    assert "The isle, Pier 7, seat" in page
    assert at("acknowledge", "ISLE", "hold", hold.pk) in page

    session.post(at("acknowledge", "ISLE", "hold", hold.pk))
    notice = next(one for one in session.get(at("board")).context["notices"] if one.what == hold)
    assert [site.code for site in notice.waiting] == ["NORTH"]
    assert at("acknowledge", "ISLE", "hold", hold.pk) not in session.get(at("site", "ISLE")).content.decode()


def test_a_withdrawal_stays_until_every_site_has_seen_it_and_no_piece_is_in(works, lead, site_person, signed_in):
    revision, session = works["piece"].revision, signed_in(site_person)
    gone = release_services.withdraw(revision=revision, by=lead, reason="Insert cracks.")
    for code in ("ISLE", "NORTH"):
        session.post(at("acknowledge", code, "withdrawal", gone.pk))
    notice = next(one for one in session.get(at("board")).context["notices"] if one.what == gone)
    assert (notice.waiting, [row.cast for row in notice.installed]) == ((), [works["fixed"]])
    session.post(at("take-out", "TP-SB-0007"), {"why": "Withdrawn."})
    assert gone not in [one.what for one in session.get(at("board")).context["notices"]]


def test_the_page_of_a_hold_says_what_is_in_and_which_sites_have_seen_it(works, lead, site_person, signed_in):
    hold = release_services.place_hold(on=works["piece"].revision, by=lead, reason="Crack.")
    session = signed_in(site_person)
    session.post(at("acknowledge", "NORTH", "hold", hold.pk))
    page = session.get(hold.get_absolute_url()).content.decode()
    assert "The isle, Pier 7, seat" in page
    assert "by Rhys Adeyemi" in page
    assert page.lower().count("not yet acknowledged") == 1


def test_the_tag_sheet_is_a_pdf_with_the_chosen_pieces_only(works, lead, signed_in):
    answer = signed_in(lead).post(at("tag-sheet"), {"serial": ["TP-SB-0001", "TP-SB-0007"]})
    assert answer.headers["Content-Type"] == "application/pdf"
    (page,) = PdfReader(BytesIO(answer.content)).pages
    text = page.extract_text()
    new = Tag.objects.get(cast=works["fixed"])
    for wanted in ("TP-SB-0001", "TP-SB-0007", "SB-02", new.code, "BCDF234567"):
        assert wanted in text
    one = signed_in(lead).post(at("tag-sheet"), {"serial": ["TP-SB-0007"]})
    assert "TP-SB-0001" not in PdfReader(BytesIO(one.content)).pages[0].extract_text()
    assert Tag.objects.count() == 2


def test_printing_no_tag_says_what_to_do(works, lead, signed_in):
    answer = signed_in(lead).post(at("tag-sheet"), {}, follow=True)
    assert "Tick at least one piece, then print." in answer.content.decode()


def test_pieces_without_a_tag_stand_first_and_those_in_a_mould_do_not(works, lead, visitor, signed_in):
    make.cast(works["piece"].revision, lead, "TP-SB-0002", demoulded_at=None, standing="in mould")
    rows = signed_in(visitor).get(at("tags")).context["casts"]
    assert [cast.serial for cast in rows] == ["TP-SB-0007", "TP-SB-0001"]
