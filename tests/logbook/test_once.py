"""One effect for a form, however often its button is pressed."""

import uuid

import pytest
from django.test import RequestFactory

from logbook.models import Submission
from logbook.once import sent_before, submit_once
from parts.errors import Refusal
from parts.models import Kit

pytestmark = pytest.mark.django_db


@pytest.fixture
def token():
    return str(uuid.uuid4())


def sent(token):
    return RequestFactory().post("/", {"once": token})


def add_kit():
    return Kit.objects.create(code=f"K{Kit.objects.count()}", name="Walkway")


def test_the_second_sending_acts_no_more_and_goes_to_the_same_place(token):
    first = submit_once(sent(token), add_kit)
    assert submit_once(sent(token), add_kit) == first == Kit.objects.get().get_absolute_url()


def test_another_form_acts_again(token):
    submit_once(sent(token), add_kit)
    submit_once(sent(str(uuid.uuid4())), add_kit)
    assert Kit.objects.count() == 2


@pytest.mark.parametrize("broken", ["", "not-a-token"])
def test_a_form_without_a_good_token_acts_each_time(broken):
    submit_once(sent(broken), add_kit)
    submit_once(sent(broken), add_kit)
    assert Kit.objects.count() == 2


def test_a_refused_act_leaves_nothing_behind_and_its_token_free(token):
    def refuse():
        add_kit()
        raise Refusal("No.", code="no")

    with pytest.raises(Refusal):
        submit_once(sent(token), refuse)
    assert not Kit.objects.exists()
    assert not Submission.objects.exists()
    submit_once(sent(token), add_kit)
    assert Kit.objects.count() == 1


def test_the_address_to_go_to_can_be_said(token):
    assert submit_once(sent(token), add_kit, lambda kit: f"/there/{kit.code}/") == "/there/K0/"


def test_a_form_that_was_sent_knows_where_it_led(token):
    assert sent_before(sent(token)) is None
    url = submit_once(sent(token), add_kit)
    assert sent_before(sent(token)) == url
    assert sent_before(sent("")) is None
