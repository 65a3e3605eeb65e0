"""The pages of a characteristic over all casts. All records are invented."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inspection.characteristic import pours_of
from metrology.calculations.series import at_least
from tests import make
from tests.make import NOON

URL = "/TPW/parts/SB-02/A/characteristics/"
STEADY = [600.1, 599.8, 600.0, 600.3, 599.9, 600.2, 599.7, 600.1, 600.0, 599.9]


@pytest.fixture
def length(lead):
    return make.characteristic(make.revision(author=lead), 1)  # 600, 599 to 601 mm


@pytest.fixture
def measured(length, technician):
    calliper = make.instrument(uncertainty="0.05")

    def act(values, of=None, start=0, standing="in store"):
        of = of or length
        for n, value in enumerate(values, start):
            cast = make.cast(of.revision, technician, f"TP-SB-{of.revision.letter}{n:04d}",
                             poured_at=NOON + timedelta(days=n), standing=standing,
                             demoulded_at=NOON + timedelta(days=n, hours=20))  # fmt: skip
            make.measurement(cast, of, value, technician, calliper, measured_at=NOON + timedelta(days=n + 1))

    return act


def page(session, **asked):
    return session.get(f"{URL}1/", asked)


def test_it_says_what_the_casts_to_come_will_do(measured, visitor, signed_in):
    measured(STEADY)
    answer = page(signed_in(visitor), pieces=12)
    text = answer.content.decode()
    assert f"Of the casts to come at least {at_least(answer.context['said'].series.share_low)} conform" in text
    assert "all of the next 12\u00a0casts conform is at least" in text
    assert 'class="chart pours"' in text and "TP-SB-A0009" in text
    assert "Ppk is" in text and "Nothing tells against a stable process in 10 values" in text


def test_a_process_that_is_not_stable_is_said_first(measured, visitor, signed_in):
    measured([*STEADY, 601.6, 601.7])
    answer = page(signed_in(visitor))
    assert answer.context["process"].headline.startswith("The process is not stable at value")
    assert "Find the cause first" in answer.content.decode()


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ([], "No cast has been measured yet"),
        ([600.0], "One value tells nothing about the spread"),
        ([600.0] * 4, "no spread"),
        ([600.0, 600.1], "Of the casts to come at least"),
    ],
)
def test_too_little_gives_a_sentence(values, words, measured, visitor, signed_in):
    measured(values)
    answer = page(signed_in(visitor))
    assert answer.status_code == 200
    assert words in answer.content.decode()
    assert ">nan" not in answer.content.decode().lower()


def test_the_order_is_that_of_pouring_and_the_newest_value_counts(measured, length, technician):
    measured([600.1, 600.2])
    cast = length.measurements.get(cast__serial="TP-SB-A0000").cast
    calliper = make.instrument("G-09")
    make.measurement(cast, length, 600.9, technician, calliper, measured_at=NOON + timedelta(days=9))
    make.measurement(cast, length, 600.5, technician, calliper, measured_at=NOON + timedelta(days=11), replaced=True)
    measured([600.7], start=-3)  # logged last, poured first
    assert [pour.value for pour in pours_of([length.pk])[length.pk]] == [600.7, 600.9, 600.2]


def test_scrapped_casts_came_from_the_same_process(measured, visitor, signed_in):
    measured(STEADY)
    measured([600.2], start=20, standing="scrapped")
    assert len(page(signed_in(visitor)).context["process"].pours) == 11


def test_earlier_revisions_are_shown_when_asked_for(measured, length, lead, visitor, signed_in):
    other = make.characteristic(make.revision(length.revision.component, "B", author=lead), 1)
    measured(STEADY)
    measured([600.4], of=other, start=30)
    session = signed_in(visitor)
    assert len(page(session).context["process"].pours) == 10
    both = page(session, revisions="all").context["process"]
    assert [letter for _, letter in both.chart.changes] == ["A", "B"]


def test_figures_are_in_the_unit_asked_for(measured, visitor, signed_in):
    measured(STEADY)
    session = signed_in(visitor)
    assert "23.5827 to 23.6614\u00a0in" in page(session, unit="in").content.decode()
    feet = page(session, unit="ft-in")
    assert "1'-11.583\" to 1'-11.661\"" in feet.context["process"].asked
    millimetres = page(session).context["process"].said.capability.ppk
    assert feet.context["process"].said.capability.ppk == pytest.approx(millimetres, rel=1e-6)


@pytest.mark.parametrize(
    "asked",
    [{"pieces": "0"}, {"pieces": "many"}, {"confidence": "100"}, {"ppk": "-1"}, {"rules": "x"}, {"unit": "furlong"},
     {"phase_one": "1"}, {"page": "99"}],
)  # fmt: skip
def test_what_cannot_be_asked_is_said_and_the_usual_shown(asked, measured, visitor, signed_in):
    measured(STEADY)
    answer = page(signed_in(visitor), **asked)
    assert answer.status_code == 200 and "Of the casts to come" in answer.content.decode()
    assert bool(answer.context["form"].errors) == ("page" not in asked)


def test_all_characteristics_of_a_revision_stand_on_one_page(measured, length, visitor, signed_in):
    measured(STEADY)
    make.characteristic(length.revision, 2, name="Width", nominal=400, lower=399, upper=401)
    text = signed_in(visitor).get(URL).content.decode()
    assert "Of the casts to come at least" in text and "No cast has been measured yet" in text
    assert f'href="{URL}1/"' in text


@pytest.mark.parametrize("where", ["", "1/"])
def test_who_may_read_it(where, measured, visitor, stranger, signed_in, client):
    assert signed_in(visitor).get(URL + where).status_code == 200
    assert signed_in(visitor).post(URL + where).status_code == 405
    assert signed_in(stranger).get(URL + where).status_code == 403
    assert "next=" in client.get(URL + where).url


def test_what_is_not_there_is_not_found(length, visitor, signed_in):
    session = signed_in(visitor)
    for url in (f"{URL}9/", "/TPW/parts/SB-02/Z/characteristics/1/", "/TPW/parts/X/A/characteristics/"):
        assert session.get(url).status_code == 404


@pytest.mark.parametrize("where", ["", "1/"])
def test_it_costs_the_same_for_2_and_for_200_casts(where, measured, visitor, signed_in):
    session = signed_in(visitor)
    measured([600.0, 600.1])
    session.get(URL + where)
    with CaptureQueriesContext(connection) as few:
        session.get(URL + where)
    measured(STEADY * 20, start=10)
    with CaptureQueriesContext(connection) as many:
        session.get(URL + where)
    assert len(few) == len(many)


def test_the_definition_and_the_cast_lead_here(measured, length, visitor, signed_in):
    measured([600.0])
    session = signed_in(visitor)
    for url in ("/TPW/parts/SB-02/A/definition/", "/TPW/casts/TP-SB-A0000/"):
        assert f'href="{URL}1/"' in session.get(url).content.decode()
