"""What a phone sees when it reads a tag: one plain answer for everybody, and the form only for who may log."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from casting.models import Cast
from parts.models import Revision
from releases import services as release_services
from sitework import services
from sitework.models import HoldPointSignature, Installation
from tests import make

pytestmark = pytest.mark.django_db

TAG = "/t/BCDF234567/"
FORM = "Log as installed"


def text(client, url=TAG):
    """The page's words as a person reads them: a break inside the verdict is a space."""
    page = client.get(url).content.decode().replace("<br>", " ").replace("&#x27;", "'")
    return " ".join(page.replace("\u00a0", " ").split())


def test_a_cleared_piece_says_so_to_anybody(yard, client):
    page = text(client)
    assert "<h1>CLEARED</h1>" in page
    assert "Install at North shore, Pier 1, seat, and nowhere else." in page
    assert "TP-SB-0001" in page
    assert "Kit Marsden" in page


def test_a_hold_turns_it_at_once_and_lifting_turns_it_back(yard, lead, client):
    hold = release_services.place_hold(
        on=yard["piece"].revision, by=lead, reason="Crack 0.3 mm at the insert.", what_to_do="Stop.\nMark it red."
    )
    page = text(client)
    assert "<h1>NOT CLEARED</h1>" in page
    assert "Crack 0.3 mm at the insert." in page
    assert "Mark it red." in page
    release_services.lift_hold(hold=hold, by=lead, why="Dye test: no crack.")
    assert "<h1>CLEARED</h1>" in text(client)


def test_a_withdrawn_revision_is_never_cleared_again(yard, lead, client):
    release_services.withdraw(revision=yard["piece"].revision, by=lead, reason="Insert cracks.")
    page = text(client)
    assert "<h1>NOT CLEARED</h1>" in page
    assert "Set it aside." in page


def test_missing_evidence_is_cant_tell_and_treated_as_not_cleared(yard, client):
    Revision.objects.update(cautions="")
    page = text(client)
    assert "<h1>CAN'T TELL</h1>" in page
    assert "No cautions stated" in page
    assert "Treat it as not cleared." in page
    assert FORM not in page


def test_a_tag_that_nobody_made_cannot_be_told_and_says_what_to_do(db, client):
    answer = client.get("/t/ZZZZZZZZZZ/")
    page = answer.content.decode().replace("<br>", " ")
    assert answer.status_code == 404
    assert "CAN'T TELL" in page
    assert "No piece has the tag ZZZZZZZZZZ." in page
    assert "Treat it as not cleared." in page
    assert "set the piece aside and call the lead" in page


def test_what_is_typed_into_the_address_is_never_markup(db, client):
    assert "<script>" not in client.get("/t/<script>/").content.decode()


def test_a_code_is_read_whatever_its_letters_case(yard, client):
    assert client.get("/t/bcdf234567/").status_code == 200


@pytest.mark.parametrize("url", [TAG, "/t/ZZZZZZZZZZ/"])
def test_no_answer_is_kept_by_the_phone(url, yard, client):
    assert "no-store" in client.get(url).headers["Cache-Control"]


def test_a_tag_is_only_read(yard, client):
    assert client.post(TAG).status_code == client.put(TAG).status_code == 405


def spoil_nothing(x, lead):
    """Cleared."""


def spoil_hold(x, lead):
    release_services.place_hold(on=x["piece"], by=lead, reason="Crack.")


def spoil_gate(x, lead):
    Revision.objects.update(cautions="")


def spoil_installed(x, lead):
    Installation.objects.create(cast=x["piece"], position=x["position"], by=lead, at=make.NOON)


@pytest.mark.parametrize("spoil", [spoil_nothing, spoil_hold, spoil_gate, spoil_installed])
@pytest.mark.parametrize("who", [None, "visitor", "technician", "stranger"])
def test_who_may_not_log_gets_no_form_whatever_the_answer(spoil, who, yard, lead, client, signed_in, request):
    spoil(yard, lead)
    page = text(signed_in(request.getfixturevalue(who)) if who else client)
    install, take_out = (reverse(f"sitework:{name}", args=["TPW", "TP-SB-0001"]) for name in ("install", "take-out"))
    assert "<form" not in page.split("<main")[1].split("</main>")[0]
    for leaked in (FORM, install, take_out, "Seat level within 3 mm"):
        assert leaked not in page


def test_the_site_team_sees_positions_and_hold_points(yard, site_person, signed_in):
    page = text(signed_in(site_person))
    assert FORM in page
    assert "North shore, Pier 1, seat</option>" in page
    assert "Seat level within 3 mm" in page


@pytest.mark.parametrize("spoil", [spoil_hold, spoil_gate])
def test_the_site_team_gets_no_form_for_what_is_not_cleared(spoil, yard, lead, site_person, signed_in):
    spoil(yard, lead)
    assert FORM not in text(signed_in(site_person))


def test_installing_from_the_tag_comes_back_to_the_tag(yard, site_person, signed_in):
    session = signed_in(site_person)
    form = {"position": yard["position"].pk, f"point-{yard['point'].pk}": "on", "note": "Bedded dry."}
    answer = session.post(reverse("sitework:install", args=["TPW", "TP-SB-0001"]), form)
    assert answer.url == TAG
    row = Installation.objects.get()
    assert (row.cast, row.position, row.by, row.note) == (yard["piece"], yard["position"], site_person, "Bedded dry.")
    assert HoldPointSignature.objects.get().by == site_person
    page = text(session)
    assert "Installed at North shore, Pier 1, seat." in page
    assert "Log that it was taken out again" in page
    assert FORM not in page


def test_who_to_call_is_a_link_that_dials(yard, lead, client):
    assert 'href="tel:+15550100"' in text(client)
    spoil_hold(yard, lead)
    page = text(client)
    assert 'href="tel:+15550100"' in page
    assert "Call Ines Halvorsen" in page
    assert "Nobody on site can lift this." in page


def test_an_installed_piece_is_called_for_where_it_stands(yard, lead, client):
    other = make.site("SOUTH", name="South shore", contact_name="Rhys Adeyemi", contact_phone="555 0101")
    place = make.position(other, yard["piece"].revision.component, "P9")
    Installation.objects.create(cast=yard["piece"], position=place, by=lead, at=make.NOON)
    page = text(client)
    assert "South shore" in page
    assert "Rhys Adeyemi" in page


def test_the_answer_costs_the_same_for_two_pieces_and_thirty(yard, lead, client):
    def pour(numbers):
        for n in numbers:
            piece = make.cast(yard["piece"].revision, lead, f"TP-SB-{n:04}", batch=make.batch(lead, f"B-{n}"))
            make.tag(piece)
            make.position(yard["site"], piece.revision.component, f"Q{n}")
            services.install(
                cast=piece, position=piece.revision.component.positions.get(code=f"Q{n}"), by=lead,
                signed={yard["point"].pk: ""},
            )  # fmt: skip

    pour([2])
    client.get(TAG)
    with CaptureQueriesContext(connection) as few:
        client.get(TAG)
    pour(range(3, 31))
    with CaptureQueriesContext(connection) as many:
        client.get(TAG)
    assert Cast.objects.count() == 30
    assert len(few) == len(many)
    assert len(many) <= 36


def test_since_when_it_is_so_is_said(yard, lead, client):
    at = timezone.now() - timedelta(days=2)
    release_services.place_hold(on=yard["piece"], by=lead, reason="Crack.", at=at)
    assert "so since" in text(client)
