"""The logbook of a kit: what is found, by whom it may be read, what it costs."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from logbook.services import record
from logbook.views import PER_PAGE
from tests import make

pytestmark = pytest.mark.django_db
URL = "/TPW/logbook/"


@pytest.fixture
def written(lead, technician):
    """Five entries in two kits."""
    kit, other = make.kit(), make.kit("OTHER")
    for who, act, trail, sentence in [
        (lead, "component.created", "TPW/SB-02", "Saddle added."),
        (technician, "cast.logged", "TPW/SB-02/A/TP-1", "TP-1 poured."),
        (technician, "cast.logged", "TPW/SB-021/A/TP-2", "TP-2 poured."),
        (None, "scan.measured", "TPW/SB-02/A/TP-1", "TP-1 conforms."),
    ]:
        record(who, act, kit, sentence, trail=trail, at=make.NOON)
    record(lead, "kit.created", other, "Other kit begun.")
    return kit


def sentences(response):
    return [entry.sentence for entry in response.context["page"]]


def test_a_kit_shows_its_own_entries_newest_first(lead, signed_in, written):
    found = sentences(signed_in(lead).get(URL))
    assert found == ["TP-1 conforms.", "TP-2 poured.", "TP-1 poured.", "Saddle added."]


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ("trail=SB-02", ["TP-1 conforms.", "TP-1 poured.", "Saddle added."]),
        ("trail=SB-02/A/TP-1/", ["TP-1 conforms.", "TP-1 poured."]),
        ("who=Mara Lindqvist", ["TP-2 poured.", "TP-1 poured."]),
        ("who=Proofmark", ["TP-1 conforms."]),
        ("act=cast.logged&trail=SB-021", ["TP-2 poured."]),
        ("act=nothing", []),
        ("trail=%25", []),
        ("trail=SB_02", []),
    ],
)
def test_entries_are_found_by_place_person_and_act(lead, signed_in, written, query, found):
    assert sentences(signed_in(lead).get(f"{URL}?{query}")) == found


def test_the_next_page_keeps_what_was_looked_for(lead, signed_in, written):
    for n in range(PER_PAGE):
        record(lead, "cast.logged", written, f"Entry {n}.", trail="TPW/SB-02")
    page = signed_in(lead).get(f"{URL}?act=cast.logged").content.decode()
    assert "?act=cast.logged&amp;page=2" in page


@pytest.mark.parametrize("number", ["0", "99", "x"])
def test_a_page_that_is_not_there_shows_one_that_is(lead, signed_in, written, number):
    assert signed_in(lead).get(f"{URL}?page={number}").status_code == 200


def test_a_change_shows_before_and_after(lead, signed_in):
    kit = make.kit()
    record(lead, "kit.changed", kit, "Name changed.", details={"time_zone": ["UTC", "Europe/<b>"]})
    page = signed_in(lead).get(URL).content.decode()
    assert "Time zone, before" in page
    assert "Europe/&lt;b&gt;" in page


def test_a_pair_that_is_no_change_is_not_shown_as_one(lead):
    entry = record(lead, "characteristic.imported", make.kit(), "Two imported.", details={"numbers": [1, 2]})
    assert entry.changes == []


def test_a_stranger_and_a_passer_by_read_nothing(stranger, signed_in, client, written):
    assert signed_in(stranger).get(URL).status_code == 403
    assert client.get(URL).status_code == 302


@pytest.mark.parametrize("role", ["lead", "technician", "site_person", "visitor"])
def test_every_role_reads_and_nobody_writes(request, signed_in, written, role):
    session = signed_in(request.getfixturevalue(role))
    assert session.get(URL).status_code == 200
    assert session.post(URL).status_code == 405


def test_it_costs_the_same_for_2_and_for_200(lead, signed_in):
    session, kit, costs = signed_in(lead), make.kit(), []
    for n in (2, 198):
        for i in range(n):
            record(lead, "cast.logged", kit, f"Entry {i}.", trail=f"TPW/XX-{i:02d}")
        with CaptureQueriesContext(connection) as queries:
            session.get(URL)
        costs.append(len(queries))
    assert costs[0] == costs[1] <= 12
