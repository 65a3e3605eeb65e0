"""The what-if pages: who may see them, that every calculation has one, that errors keep what was typed."""

import html

import pytest
from django.urls import reverse

from logbook.models import Entry
from metrology.calculations.registry import CALCULATIONS
from tests import make


@pytest.fixture
def kit(db):
    return make.kit()


@pytest.fixture
def browser(kit, signed_in, lead):
    return signed_in(lead)


def address(name):
    return reverse("numbers:page", args=["TPW", name])


def said(response):
    return html.unescape(response.content.decode())


def test_the_index_shows_every_calculation(browser):
    page = said(browser.get(reverse("numbers:list", args=["TPW"])))
    assert all(address(one.name) in page and one.asks in page for one in CALCULATIONS)


@pytest.mark.parametrize("one", CALCULATIONS, ids=lambda one: one.name)
def test_every_calculation_has_a_page_with_its_worked_example(one, browser):
    response = browser.get(address(one.name))
    page = said(response)
    assert response.status_code == 200 and response.context["sheet"].good
    assert response.context["shown"].sentence in page
    assert one.title in page and all(source.text in page for source in one.sources)
    assert "style=" not in page and "onclick" not in page


@pytest.mark.parametrize("one", CALCULATIONS, ids=lambda one: one.name)
def test_every_page_begins_in_feet_and_pounds_when_asked(one, browser):
    response = browser.get(address(one.name) + "?units=us")
    assert response.context["sheet"].good
    assert not [one for one in response.context["plots"] if "nan" in str(one)]


def test_the_units_are_kept_while_one_is_signed_in(browser):
    browser.get(reverse("numbers:list", args=["TPW"]) + "?units=us")
    assert 'value="1711.3"' not in said(browser.get(address("write-feet-inches")))


def test_a_what_if_is_an_address(browser):
    page = said(browser.get(address("write-feet-inches"), {"calculate": "1", "length": "67,5", "length.unit": "in"}))
    assert "1714.5\u00a0mm is 5'-7 1/2\"" in page
    assert f'href="{address("write-feet-inches")}?calculate=1' in page


def test_a_refused_figure_is_kept_with_its_error_beside_it(browser):
    page = said(browser.get(address("write-feet-inches"), {"calculate": "1", "length": "seven", "division": "8"}))
    assert 'value="seven"' in page and "“seven” is not a number" in page
    assert '<option value="8" selected>' in page
    assert 'href="#f-length"' in page and 'aria-describedby="f-length-says"' in page


def test_what_is_typed_is_shown_as_words_only(browser):
    page = browser.get(address("read-feet-inches"), {"calculate": "1", "text": "<script>alert(1)</script>"}).content
    assert b"<script>alert" not in page and b"&lt;script&gt;alert" in page


def test_a_long_what_if_may_be_posted(browser):
    assert browser.post(address("read-feet-inches"), {"calculate": "1", "text": "5'"}).status_code == 200


def test_nothing_is_saved(browser):
    before = Entry.objects.count()
    browser.post(address("read-feet-inches"), {"calculate": "1", "text": "5'"})
    assert Entry.objects.count() == before


def test_an_unknown_calculation_has_no_page(browser):
    assert browser.get(address("nothing-like-it")).status_code == 404


@pytest.mark.parametrize("method", ["put", "delete", "patch"])
def test_other_methods_are_refused(browser, method):
    assert getattr(browser, method)(address("read-feet-inches")).status_code == 405


def test_whoever_may_see_the_parts_may_calculate(kit, signed_in, visitor, site_person, technician):
    assert {
        signed_in(one).get(address("read-feet-inches")).status_code for one in (visitor, site_person, technician)
    } == {200}


def test_a_stranger_may_not(kit, signed_in, stranger, client):
    assert signed_in(stranger).get(address("read-feet-inches")).status_code == 403
    assert client.get(address("read-feet-inches")).status_code == 302


@pytest.mark.parametrize(
    ("who", "there"), [("lead", True), ("technician", True), ("visitor", False), ("site_person", False)]
)
def test_leads_and_technicians_find_the_way(kit, signed_in, request, who, there):
    page = said(signed_in(request.getfixturevalue(who)).get(reverse("parts:list", args=["TPW"])))
    assert (reverse("numbers:list", args=["TPW"]) in page) is there


def test_a_page_asks_the_database_little(browser, django_assert_max_num_queries):
    with django_assert_max_num_queries(8):
        browser.get(address("read-feet-inches"))
