"""Pages for what went wrong: in the look, in words, and without what may itself be broken."""

import logging

import pytest
from django.template.loader import get_template
from django.test import Client
from django.urls import reverse


def test_a_wrong_host_says_what_to_set(client, db):
    response = client.get("/", headers={"host": "elsewhere.example.org"})
    assert response.status_code == 400 and "PROOFMARK_HOSTS" in response.content.decode()


def test_a_wrong_host_does_not_fill_the_log():
    """A logger without any handler would still write, by Python's last resort."""
    logger = logging.getLogger("django.security.DisallowedHost")
    own = [handler for handler in logger.handlers if handler.__module__ == "logging"]
    assert not logger.propagate and [type(handler) for handler in own] == [logging.NullHandler]


def test_the_page_of_a_failure_needs_neither_database_nor_request(django_db_blocker):
    with django_db_blocker.block():
        page = get_template("500.html").render()
    assert "<h1>Something went wrong</h1>" in page and "Go back" in page and "proofmark/css/base.css" in page


def test_a_failure_shows_that_page_and_no_traceback(signed_in, lead, monkeypatch):
    def fail(*args, **options):
        raise RuntimeError("secret detail")

    monkeypatch.setattr("proofmark.accounts.render", fail)
    browser = signed_in(lead)
    browser.raise_request_exception = False
    response = browser.get(reverse("me"))
    page = response.content.decode()
    assert response.status_code == 500 and "Something went wrong" in page and "secret detail" not in page


@pytest.mark.django_db
def test_a_form_that_is_too_old_says_that_nothing_is_lost():
    page = Client(enforce_csrf_checks=True).post(reverse("theme"), {"theme": "paper"}).content.decode()
    assert "what you typed is still there" in page


@pytest.mark.parametrize("name", ["400.html", "403.html", "403_csrf.html", "404.html", "500.html"])
def test_no_error_page_needs_inline_style_or_script(name):
    page = get_template(name).render()
    assert "style=" not in page and "<script>" not in page and " onclick" not in page
