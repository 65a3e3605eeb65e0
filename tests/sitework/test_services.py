"""Installing, taking out, tagging, acknowledging."""

import pytest

from logbook.models import Entry
from releases.services import place_hold
from sitework import services
from sitework.clearance import Answer, Clearance
from sitework.errors import NotCleared, NotNow
from sitework.models import Acknowledgement, HoldPoint, Installation, Tag
from tests import make

pytestmark = pytest.mark.django_db


@pytest.fixture
def piece(lead):
    return make.cast(make.revision(author=lead, state="buildable"), lead)


@pytest.fixture
def place(piece):
    return make.position(make.site(), piece.revision.component)


@pytest.fixture
def cleared(monkeypatch):
    """The gate is tested elsewhere; here every piece is cleared."""
    monkeypatch.setattr(services, "clearance", lambda cast, at: Clearance(Answer.CLEARED, "buildable", "In.", at))


def install(piece, place, by, **more):
    return services.install(cast=piece, position=place, by=by, **({"signed": {}} | more))


def test_a_cleared_piece_is_logged_at_its_position(piece, place, site_person, cleared):
    install(piece, place, site_person)
    piece.refresh_from_db()
    assert (piece.standing, Installation.objects.get().position) == ("installed", place)
    assert Entry.objects.filter(act="installation.logged").exists()


def test_a_piece_that_is_not_cleared_is_refused_with_the_reason(piece, place, site_person, lead):
    place_hold(on=piece.revision, by=lead, reason="Crack 0.3 mm.")
    with pytest.raises(NotCleared, match="Crack 0.3 mm"):
        install(piece, place, site_person)
    assert not Installation.objects.exists()


def test_a_hold_point_that_is_not_signed_stops_it(piece, place, site_person, cleared):
    HoldPoint.objects.create(site=place.site, component=place.component, number=1, text="Seat level within 3 mm")
    with pytest.raises(NotNow, match="Seat level"):
        install(piece, place, site_person)


def test_a_position_takes_one_piece(piece, place, site_person, lead, cleared):
    install(piece, place, site_person)
    other = make.cast(piece.revision, lead, "TP-SB-0002")
    with pytest.raises(NotNow, match="is taken by TP-SB-0001"):
        install(other, place, site_person)


def test_a_piece_goes_in_once(piece, place, site_person, cleared):
    install(piece, place, site_person)
    with pytest.raises(NotNow, match="already installed"):
        install(piece, make.position(place.site, place.component, "P2"), site_person)


def test_a_position_of_another_component_is_refused(piece, site_person, cleared):
    wrong = make.position(make.site(), make.component("PC-01"), "P9")
    with pytest.raises(NotNow, match="takes PC-01"):
        install(piece, wrong, site_person)


def test_taking_out_frees_the_position_and_keeps_the_record(piece, place, site_person, cleared):
    row = install(piece, place, site_person)
    services.take_out(installation=row, by=site_person, why="Bearing pad forgotten.")
    assert Installation.objects.get().removed_why == "Bearing pad forgotten."
    install(piece, place, site_person)


def test_a_tag_is_made_once(piece, lead):
    first = services.make_tags(casts=[piece], by=lead)
    assert services.make_tags(casts=[piece], by=lead) == first
    assert Tag.objects.count() == 1


def test_acknowledging_twice_keeps_the_first(piece, site_person, lead):
    hold = place_hold(on=piece, by=lead, reason="Crack.")
    site = make.site()
    for _ in range(2):
        services.acknowledge(site=site, by=site_person, hold=hold)
    assert Acknowledgement.objects.count() == 1
