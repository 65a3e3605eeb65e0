"""The first page leads each person to the board of their work."""

import pytest
from django.urls import reverse

from proofmark.models import Person
from tests import make


@pytest.fixture
def kit(db):
    return make.kit()


def led_to(browser):
    response = browser.get(reverse("home"))
    assert response.status_code == 302
    return response.url


def test_whoever_is_not_signed_in_is_asked_to(client, lead, kit):
    assert led_to(client).startswith(reverse("sign-in"))


def test_without_a_kit_everybody_is_led_to_the_kits(signed_in, lead, technician, site_person, visitor):
    for person in (lead, technician, site_person, visitor):
        assert led_to(signed_in(person)) == reverse("kits:list")


def test_a_lead_is_led_to_what_stops_us_building(signed_in, lead, kit):
    assert led_to(signed_in(lead)) == reverse("board", args=["TPW"])


def test_a_technician_is_led_to_the_bench(signed_in, technician, kit):
    assert led_to(signed_in(technician)) == reverse("bench", args=["TPW"])


def test_the_site_team_is_led_to_its_own_site(signed_in, site_person, kit):
    make.site()
    own = make.site("SOUTH", name="South shore")
    own.team.add(site_person)
    assert led_to(signed_in(site_person)) == own.get_absolute_url()


def test_the_site_team_without_a_site_is_led_to_the_sites(signed_in, site_person, kit):
    assert led_to(signed_in(site_person)) == reverse("sitework:board", args=["TPW"])


def test_a_visitor_is_led_to_the_board(signed_in, visitor, kit):
    assert led_to(signed_in(visitor)) == reverse("board", args=["TPW"])


def test_the_last_kit_worked_on_is_returned_to(signed_in, lead, kit):
    make.kit("ZZZ", name="A later kit")
    browser = signed_in(lead)
    browser.get(reverse("board", args=["ZZZ"]))
    assert led_to(browser) == reverse("board", args=["ZZZ"])


def test_a_kit_that_is_gone_is_forgotten(signed_in, lead, kit):
    browser = signed_in(lead)
    session = browser.session
    session["kit"] = "GONE"
    session.save()
    assert led_to(browser) == reverse("board", args=["TPW"])


@pytest.mark.parametrize("role", ["lead", "technician", "site_person", "visitor"])
def test_where_one_is_led_one_may_be(signed_in, kit, role, request):
    person: Person = request.getfixturevalue(role)
    assert signed_in(person).get(reverse("home"), follow=True).status_code == 200


def test_looking_is_all_that_home_does(signed_in, lead, kit):
    assert signed_in(lead).post(reverse("home")).status_code == 405
