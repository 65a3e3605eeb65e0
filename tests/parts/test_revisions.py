"""Revisions: letters, what they take over, and when their definition is closed."""

from decimal import Decimal

import pytest

from logbook.models import Entry
from parts import services
from parts.errors import Frozen, NotNow, Refusal, Taken, Unusable
from parts.models import RevisionState
from tests import make

pytestmark = pytest.mark.django_db
CLOSED = ["put forward", "buildable", "superseded", "withdrawn"]


def begun(component, by, **fields):
    return services.create_revision(component, **({"what_changed": "Seat lowered", "why": "Fit", "by": by} | fields))


@pytest.mark.parametrize(("latest", "following"), [("A", "B"), ("Z", "AA"), ("AZ", "BA"), ("ZZ", "AAA")])
def test_the_next_letter_follows_the_latest(lead, latest, following):
    component = make.component()
    assert services.next_letter(component) == "A"
    make.revision(component, latest, lead)
    assert services.next_letter(component) == following


def test_the_latest_letter_is_not_the_alphabetical_last(lead):
    component = make.component()
    for letter in ("Z", "AA"):
        make.revision(component, letter, lead)
    assert services.next_letter(component) == "AB"


def test_a_revision_begins_in_preparation_with_its_author(lead):
    revision = begun(make.component(), lead)
    assert (revision.letter, revision.state, revision.author) == ("A", "in preparation", lead)
    assert Entry.objects.get().sentence == "Revision SB-02 A begun: Seat lowered."


@pytest.mark.parametrize(
    ("fields", "field", "kind"),
    [
        ({"letter": "C"}, "letter", Taken),
        ({"letter": "B"}, "letter", Unusable),
        ({"letter": "d"}, "letter", Unusable),
        ({"strength_required": Decimal(0)}, "strength_required", Unusable),
        ({"strength_age_days": 0}, "strength_age_days", Unusable),
        ({"what_changed": ""}, "what_changed", Unusable),
    ],
)
def test_a_revision_that_cannot_be_names_its_field(lead, fields, field, kind):
    component = make.component()
    make.revision(component, "C", lead)
    with pytest.raises(kind) as refusal:
        begun(component, lead, **fields)
    assert refusal.value.field == field
    assert component.revisions.count() == 1


def test_characteristics_and_regions_are_taken_over_when_asked(lead):
    component = make.component()
    before = make.revision(component, "A", lead)
    make.characteristic(before, 7, name="Seat width", weight="critical")
    services.add_region(before, name="Seat", lower=Decimal(-1), upper=Decimal(1), facing="up", by=lead)
    after = begun(component, lead, copy_before=True)
    (row,) = after.characteristics.all()
    assert (row.number, row.name, row.weight, row.upper) == (7, "Seat width", "critical", Decimal(601))
    assert after.regions.get().words == "facing up"
    assert "Taken over from A: 1\u00a0characteristic and 1\u00a0region." in Entry.objects.first().sentence


def test_nothing_is_taken_over_unasked(lead):
    component = make.component()
    make.characteristic(make.revision(component, "A", lead))
    assert not begun(component, lead).characteristics.exists()


def test_a_trial_starts_once(lead):
    revision = begun(make.component(), lead)
    services.start_trial(revision, by=lead, at=make.NOON)
    assert (revision.state, revision.state_since) == ("on trial", make.NOON)
    with pytest.raises(NotNow, match="is on trial already"):
        services.start_trial(revision, by=lead)
    assert Entry.objects.filter(act="revision.put-on-trial").count() == 1


def test_what_is_said_may_change_while_open(lead):
    revision = begun(make.component(), lead)
    services.change_revision(revision, cautions="110 kg: two people.", strength_required=Decimal("45.0"), by=lead)
    assert Entry.objects.first().details == {
        "cautions": ["", "110 kg: two people."],
        "strength_required": [None, "45"],
    }


ACTS = {
    "change": lambda r, by: services.change_revision(r, why="Other", by=by),
    "add": lambda r, by: services.add_characteristic(r, name="Mass", upper=Decimal(1), by=by),
    "change a row": lambda r, by: services.change_characteristic(r.characteristics.get(), name="Other", by=by),
    "remove a row": lambda r, by: services.remove_characteristic(r.characteristics.get(), by=by),
    "import": lambda r, by: services.import_characteristics(r, [{"number": 2, "name": "x", "upper": 1}], by=by),
    "add a region": lambda r, by: services.add_region(r, name="b", facing="up", lower=-1, upper=1, by=by),
    "remove a region": lambda r, by: services.remove_region(r.regions.get(), by=by),
    "drawing": lambda r, by: services.set_geometry(
        r, role="drawing", file=b"%PDF-1.4\n%%EOF", original_name="a.pdf", by=by
    ),
}


@pytest.mark.parametrize("state", CLOSED)
@pytest.mark.parametrize("act", ACTS)
def test_a_closed_definition_refuses_every_act(lead, state, act):
    revision = make.revision(author=lead)
    make.characteristic(revision)
    services.add_region(revision, name="a", facing="up", lower=Decimal(-1), upper=Decimal(1), by=lead)
    # The state changes behind the back of a page that is still open.
    stale = type(revision).objects.get(pk=revision.pk)
    type(revision).objects.filter(pk=revision.pk).update(state=state)
    entries = Entry.objects.count()
    with pytest.raises(Frozen, match="Begin revision B to change something"):
        ACTS[act](stale, lead)
    assert Entry.objects.count() == entries


def test_only_a_revision_in_preparation_goes_on_trial(lead):
    revision = make.revision(author=lead, state=RevisionState.WITHDRAWN)
    with pytest.raises(Refusal, match="withdrawn"):
        services.start_trial(revision, by=lead)
