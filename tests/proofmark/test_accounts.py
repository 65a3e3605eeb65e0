"""Signing in, the first account, one's own settings, and the people that a lead looks after."""

import re
import stat

import pytest
from django.contrib.auth.models import Group
from django.core.cache import cache
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from logbook.models import Entry
from parts import units_in_use
from proofmark import roles
from proofmark.models import Person
from proofmark.people import first_run_code
from tests import make

PASSWORD = "pass-word-1234"


@pytest.fixture(autouse=True)
def own_data_folder_and_no_tries(settings, tmp_path):
    settings.DATA_DIR = tmp_path
    cache.clear()
    yield
    cache.clear()


@pytest.fixture
def code(settings):
    """The code of the first run, as the console shows it."""
    path = settings.DATA_DIR / "first-run-code"
    path.write_text("123456")
    return "123456"


def first(**changes):
    typed = {
        "code": "123456",
        "first_name": "Ines",
        "last_name": "Halvorsen",
        "username": "ines",
        "password": "a-long-tide-table",
        "again": "a-long-tide-table",
    }
    return typed | changes


def try_in(client, password=PASSWORD, name="ines", **more):
    return client.post(reverse("sign-in"), {"username": name, "password": password, **more})


# The first account


def test_while_nobody_has_an_account_signing_in_leads_to_the_first(client, db):
    assert client.get(reverse("sign-in")).url == reverse("first-run")
    assert client.get(reverse("first-run")).status_code == 200


def test_the_first_account_is_a_leads_and_signed_in(client, db, code):
    response = client.post(reverse("first-run"), first())
    assert response.url == reverse("kits:new")
    person = Person.objects.get()
    assert [group.name for group in person.groups.all()] == [roles.LEAD]
    assert client.get(response.url).status_code == 200


def test_the_code_is_spent_with_the_first_account(client, db, code, settings, django_capture_on_commit_callbacks):
    with django_capture_on_commit_callbacks(execute=True):
        client.post(reverse("first-run"), first())
    assert not (settings.DATA_DIR / "first-run-code").exists()


@pytest.mark.parametrize("wrong", ["654321", "12345", "é23456", "１２３４５６"])
def test_a_wrong_code_makes_no_account_and_keeps_what_was_typed(client, db, code, wrong):
    response = client.post(reverse("first-run"), first(code=wrong))
    assert response.status_code == 200 and not Person.objects.exists()
    page = response.content.decode()
    assert "This is not the code" in page and 'value="Halvorsen"' in page


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"again": "another-tide-table"}, "The two passwords differ"),
        ({"password": "short", "again": "short"}, "too short"),
        ({"username": "ines h"}, "slug"),
        ({"first_name": ""}, "required"),
    ],
)
def test_a_first_account_that_is_not_good_says_why(client, db, code, changes, said):
    response = client.post(reverse("first-run"), first(**changes))
    assert said in response.content.decode() and not Person.objects.exists()


def test_a_second_first_account_is_led_to_sign_in(client, db, code):
    client.post(reverse("first-run"), first())
    client.logout()
    response = client.post(reverse("first-run"), first(username="kit"))
    assert response.url == reverse("sign-in") and Person.objects.count() == 1
    assert client.get(reverse("first-run")).url == reverse("sign-in")


def test_the_code_is_six_figures_kept_for_its_owner(settings):
    code = first_run_code(settings.DATA_DIR)
    path = settings.DATA_DIR / "first-run-code"
    assert re.fullmatch(r"\d{6}", code) and first_run_code(settings.DATA_DIR) == code
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


# Signing in and out


def test_the_right_password_lets_in(client, lead):
    assert try_in(client).url == reverse("home")


def test_after_signing_in_one_goes_where_one_wanted_but_never_elsewhere(client, lead):
    assert try_in(client, next="/TPW/lessons/").url == "/TPW/lessons/"
    client.logout()
    assert try_in(client, next="https://example.org/").url == reverse("home")


def test_a_wrong_password_says_so_and_keeps_the_name(client, lead):
    page = try_in(client, "wrong").content.decode()
    assert "do not belong together" in page and 'value="ines"' in page


def test_an_unknown_name_gets_the_same_words(client, lead):
    assert "do not belong together" in try_in(client, name="nobody").content.decode()


def test_after_ten_tries_even_the_right_password_has_to_wait(client, lead):
    for _ in range(10):
        assert try_in(client, "wrong").status_code == 200
    response = try_in(client)
    assert response.status_code == 429 and "Wait ten minutes" in response.content.decode()
    assert "_auth_user_id" not in client.session


def test_capitals_give_no_further_tries(client, lead):
    for name in ("ines", "INES") * 5:
        try_in(client, "wrong", name=name)
    assert try_in(client, "wrong", name="Ines").status_code == 429


def test_others_sign_in_while_one_name_is_paused(client, lead, technician):
    for _ in range(11):
        try_in(client, "wrong")
    assert try_in(client, name="mara").status_code == 302


def test_a_name_with_blanks_is_only_a_wrong_name(client, lead, recwarn):
    assert try_in(client, name="ines halvorsen é\n").status_code == 200
    assert not [w for w in recwarn if "memcached" in str(w.message)]


def test_signing_in_starts_the_count_anew(client, lead):
    for _ in range(9):
        try_in(client, "wrong")
    try_in(client)
    client.logout()
    for _ in range(10):
        assert try_in(client, "wrong").status_code == 200


def test_signing_out_needs_a_button(signed_in, lead):
    browser = signed_in(lead)
    assert browser.get(reverse("sign-out")).status_code == 405
    assert "_auth_user_id" in browser.session
    assert browser.post(reverse("sign-out")).url == reverse("sign-in")
    assert "_auth_user_id" not in browser.session


# One's own settings


def test_ones_own_settings_are_kept(signed_in, technician):
    typed = {"first_name": "Mara", "last_name": "Lund", "phone": "0123 45", "theme": "paper", "length_unit": "in"}
    assert signed_in(technician).post(reverse("me"), typed).url == reverse("me")
    technician.refresh_from_db()
    assert (technician.last_name, technician.phone, technician.length_unit) == ("Lund", "0123 45", "in")


def test_ones_own_settings_give_no_rights(signed_in, technician):
    typed = {"first_name": "M", "last_name": "L", "is_staff": "on", "is_superuser": "on", "username": "ines"}
    signed_in(technician).post(reverse("me"), typed)
    technician.refresh_from_db()
    assert not technician.is_staff and not technician.is_superuser and technician.username == "mara"


def test_settings_that_do_not_exist_are_refused(signed_in, technician):
    response = signed_in(technician).post(reverse("me"), {"first_name": "X", "length_unit": "furlong"})
    assert response.status_code == 200
    technician.refresh_from_db()
    assert technician.first_name == "Mara" and technician.length_unit == ""


@pytest.mark.parametrize("page", ["me", "password"])
def test_ones_own_pages_ask_to_sign_in(client, lead, page):
    assert client.post(reverse(page), {"first_name": "X"}).url.startswith(reverse("sign-in"))


def test_a_new_password_needs_the_old_one_and_keeps_one_signed_in(signed_in, lead):
    browser = signed_in(lead)
    typed = {"old_password": "wrong", "new_password1": "a-long-tide-table", "new_password2": "a-long-tide-table"}
    assert browser.post(reverse("password"), typed).status_code == 200
    lead.refresh_from_db()
    assert lead.check_password(PASSWORD)
    assert browser.post(reverse("password"), typed | {"old_password": PASSWORD}).url == reverse("me")
    lead.refresh_from_db()
    assert lead.check_password("a-long-tide-table") and browser.get(reverse("me")).status_code == 200


# People, for a lead


def test_a_lead_sees_the_people_and_their_roles(signed_in, lead, technician):
    page = signed_in(lead).get(reverse("people")).content.decode()
    assert "Mara Lindqvist" in page and "prototyping technician" in page


@pytest.mark.parametrize("page", ["people", "invite"])
def test_nobody_else_sees_them(client, signed_in, technician, site_person, visitor, stranger, page):
    for person in (technician, site_person, visitor, stranger):
        assert signed_in(person).get(reverse(page)).status_code == 403
    assert client.get(reverse(page)).url.startswith(reverse("sign-in"))


def test_the_people_cost_the_same_few_queries(signed_in, lead):
    browser = signed_in(lead)
    browser.get(reverse("people"))

    def count():
        with CaptureQueriesContext(connection) as queries:
            browser.get(reverse("people"))
        return len(queries)

    before = count()
    group = Group.objects.get(name=roles.TECHNICIAN)
    for person in Person.objects.bulk_create(Person(username=f"p{i}") for i in range(20)):
        person.groups.add(group)
    assert count() == before


def invitation(**changes):
    role = Group.objects.get(name=roles.TECHNICIAN).pk
    return {"first_name": "Odd", "last_name": "Berg", "username": "odd", "phone": "", "role": role} | changes


def test_an_invitation_shows_the_password_once_and_gives_the_role(client, signed_in, lead):
    browser = signed_in(lead)
    page = browser.post(reverse("invite"), invitation()).content.decode()
    password = re.search(r"\b[a-z0-9]{4}-[a-z0-9]{4}-[a-z0-9]{4}\b", page)[0]
    odd = Person.objects.get(username="odd")
    assert [group.name for group in odd.groups.all()] == [roles.TECHNICIAN] and not odd.is_staff
    assert password not in browser.get(reverse("people")).content.decode()
    assert try_in(client, password, name="odd").status_code == 302


def test_the_logbook_knows_who_let_somebody_in_but_no_password(signed_in, lead):
    page = signed_in(lead).post(reverse("invite"), invitation()).content.decode()
    password = re.search(r"\b[a-z0-9]{4}-[a-z0-9]{4}-[a-z0-9]{4}\b", page)[0]
    entry = Entry.objects.first()
    assert entry.who == lead and "Odd Berg" in entry.sentence
    assert password not in f"{entry.sentence} {entry.details}"


@pytest.mark.parametrize("changes", [{"role": ""}, {"username": "ines"}, {"last_name": ""}])
def test_an_invitation_that_is_not_good_makes_nobody(signed_in, lead, changes):
    response = signed_in(lead).post(reverse("invite"), invitation(**changes))
    assert response.status_code == 200 and Person.objects.count() == 1


def test_nobody_else_lets_people_in(client, signed_in, technician):
    assert signed_in(technician).post(reverse("invite"), invitation()).status_code == 403
    client.post(reverse("invite"), invitation())
    assert not Person.objects.filter(username="odd").exists()


def test_a_new_password_replaces_the_forgotten_one(client, signed_in, lead, technician):
    theirs = signed_in(technician)
    page = signed_in(lead).post(reverse("new-password", args=[technician.pk])).content.decode()
    password = re.search(r"\b[a-z0-9]{4}-[a-z0-9]{4}-[a-z0-9]{4}\b", page)[0]
    assert try_in(client, name="mara").status_code == 200
    assert try_in(client, password, name="mara").status_code == 302
    assert theirs.get(reverse("me")).status_code == 302, "signed in with the old password"


def test_a_person_is_kept_out_at_once_and_let_in_again(client, signed_in, lead, technician):
    theirs, leads = signed_in(technician), signed_in(lead)
    address = reverse("set-active", args=[technician.pk])
    assert leads.post(address, {"active": "0"}).url == reverse("people")
    assert theirs.get(reverse("me")).url.startswith(reverse("sign-in"))
    assert try_in(client, name="mara").status_code == 200
    leads.post(address, {"active": "1"})
    assert try_in(client, name="mara").status_code == 302


def test_one_cannot_keep_oneself_out(signed_in, lead):
    response = signed_in(lead).post(reverse("set-active", args=[lead.pk]), {"active": "0"}, follow=True)
    lead.refresh_from_db()
    assert lead.is_active and "You cannot keep yourself out" in response.content.decode()


@pytest.mark.parametrize("act", ["new-password", "set-active"])
def test_nobody_else_acts_on_people(client, signed_in, lead, technician, act):
    address = reverse(act, args=[lead.pk])
    assert signed_in(technician).post(address, {"active": "0"}).status_code == 403
    assert client.post(address, {"active": "0"}).url.startswith(reverse("sign-in"))
    lead.refresh_from_db()
    assert lead.is_active and lead.check_password(PASSWORD)


@pytest.mark.parametrize("act", ["new-password", "set-active"])
def test_acts_on_people_need_a_button(signed_in, lead, technician, act):
    assert signed_in(lead).get(reverse(act, args=[technician.pk])).status_code == 405
    technician.refresh_from_db()
    assert technician.is_active and technician.check_password(PASSWORD)


def test_an_act_on_nobody_is_not_found(signed_in, lead):
    assert signed_in(lead).post(reverse("set-active", args=[10**6])).status_code == 404


def test_a_form_without_its_token_is_refused_in_words(lead):
    browser = Client(enforce_csrf_checks=True)
    response = browser.post(reverse("sign-in"), {"username": "ines", "password": PASSWORD})
    assert response.status_code == 403 and "<h1>" in response.content.decode()


def test_forms_take_figures_in_the_units_that_a_person_chose(signed_in, lead):
    kit = make.kit()
    one, two = make.component("SB-02"), make.component("DP-01")
    signed_in(lead).post(
        reverse("me"), {"first_name": "I", "last_name": "S", "length_unit": "ft-in", "other_units": "us"}
    )
    address = reverse("parts:new_interface", args=[kit.code])
    assert "<span>ft-in</span>" in signed_in(lead).get(address).content.decode()
    typed = {"name": "bearing", "component_a": one.pk, "component_b": two.pk, "lower": '1/8"', "upper": '1/4"'}
    signed_in(lead).post(address, typed)
    found = kit.interfaces.get()
    assert (str(found.lower), str(found.upper)) == ("3.175", "6.350")


def test_the_kits_unit_holds_for_who_chose_none(signed_in, lead):
    kit = make.kit(length_unit="in")
    assert "<span>in</span>" in signed_in(lead).get(reverse("parts:new_interface", args=[kit.code])).content.decode()


def test_units_do_not_outlive_their_request(signed_in, lead):
    kit = make.kit(length_unit="in")
    signed_in(lead).get(reverse("parts:new_interface", args=[kit.code]))
    assert units_in_use.current() == units_in_use.METRIC
