"""What scans of a revision are aligned by: said on its definition, checked on its nominal, copied to the next."""

import uuid
from decimal import Decimal

import pytest
from django.urls import reverse

from fixtures import solids
from logbook.models import Entry
from parts import services
from parts.alignment_models import RevisionAlignment, kind_of
from parts.models import Revision
from tests import make
from tests.refusals import refused

from .mesh_files import stl_of

pytestmark = pytest.mark.django_db
LIMITS = {"lower": Decimal(-1), "upper": Decimal(1)}
FACING = {"underside": "down", "left side": "left", "front": "forward", "top": "up"}


@pytest.fixture
def revision(lead):
    return make.revision(author=lead, state="in preparation")


@pytest.fixture
def regions(revision, lead):
    """The bearing pad on file with four of its sides named."""
    services.set_geometry(
        revision, role="nominal", file=stl_of(solids.bearing_pad()), original_name="pad.stl", unit="mm", by=lead
    )
    return {
        name: services.add_region(revision, name=name, facing=way, **LIMITS, by=lead) for name, way in FACING.items()
    }


def datums(regions, *names):
    return dict(zip(("primary", "secondary", "tertiary"), (regions.get(name) for name in names), strict=True))


USUAL = ("underside", "left side", "front")


def set_usual(revision, regions, by):
    return services.set_alignment(revision, kind="datum alignment", **datums(regions, *USUAL), by=by)


def test_without_a_word_a_revision_is_judged_by_best_fit(revision):
    assert kind_of(revision) == "best fit"


def test_datum_alignment_is_kept_and_logged_once(revision, regions, lead):
    set_usual(revision, regions, lead)
    alignment = set_usual(Revision.objects.get(pk=revision.pk), regions, lead)
    assert alignment.words == "datum alignment on “underside”, “left side” and “front”"
    entries = Entry.objects.filter(act="alignment.set")
    assert [entry.sentence for entry in entries] == [f"Scans of SB-02 A are aligned by {alignment.words}."]


@pytest.mark.parametrize(
    ("given", "code", "field"),
    [
        ({"kind": "datum alignment", "names": ("underside", "left side", None)}, "unusable", "tertiary"),
        ({"kind": "datum alignment", "names": ("underside", "front", "front")}, "unusable", "tertiary"),
        ({"kind": "datum alignment", "names": ("underside", "top", "front")}, "datum-parallel", "secondary"),
        ({"kind": "marked points", "names": USUAL, "held": ["along up"]}, "unusable", "held"),
        ({"kind": "best fit", "names": (None, None, None), "held": ["along up"]}, "unusable", "primary"),
        ({"kind": "best fit", "names": USUAL, "held": RevisionAlignment.Motion.values}, "unusable", "held"),
    ],
)
def test_an_alignment_that_fixes_nothing_is_refused_beside_its_field(revision, regions, lead, given, code, field):
    given = given | datums(regions, *given.pop("names"))
    refusal = refused(code, services.set_alignment, revision, **given, by=lead)
    assert refusal.field == field


def test_held_motions_are_said_in_words(revision, regions, lead):
    alignment = services.set_alignment(
        revision, kind="best fit", **datums(regions, *USUAL), held=["about left", "along up"], by=lead
    )
    assert alignment.held == ["along up", "about left"]
    assert "sliding up and down and turning about the left–right axis held by the datums" in alignment.words


def test_a_region_that_is_a_datum_stays(revision, regions, lead):
    set_usual(revision, regions, lead)
    refused("not-now", services.remove_region, regions["front"], by=lead)
    services.remove_region(regions["top"], by=lead)


def test_a_closed_definition_keeps_its_alignment(revision, regions, lead):
    Revision.objects.filter(pk=revision.pk).update(state="buildable")
    refused("frozen", set_usual, revision, regions, lead)


def test_the_next_revision_takes_the_alignment_over(revision, regions, lead):
    set_usual(revision, regions, lead)
    after = services.create_revision(revision.component, what_changed="Deeper", why="Fit", copy_before=True, by=lead)
    assert after.alignment.words == revision.alignment.words
    assert {region.revision_id for region in after.alignment.datums} == {after.pk}
    assert "with datum alignment on" in Entry.objects.filter(act="revision.created").first().sentence


def address(revision, name="alignment"):
    return reverse(f"parts:{name}", args=revision.url_args())


def form(regions, **given):
    usual = {"kind": "datum alignment", "once": uuid.uuid4().hex}
    return usual | {key: region.pk for key, region in datums(regions, *USUAL).items()} | given


def test_a_lead_says_it_on_the_page(revision, regions, lead, signed_in):
    page = signed_in(lead).post(address(revision), form(regions))
    assert page.url == address(revision, "definition") + "#alignment"
    definition = signed_in(lead).get(address(revision, "definition")).content.decode()
    assert "Datum alignment on “underside”, “left side” and “front”." in definition


def test_a_refusal_stands_beside_its_field_with_what_was_chosen(revision, regions, lead, signed_in):
    page = signed_in(lead).post(address(revision), form(regions, secondary=regions["top"].pk)).content.decode()
    assert "faces the same way as the primary “underside”" in page
    assert RevisionAlignment.objects.count() == 0


def test_others_may_not_say_it(revision, regions, visitor, signed_in):
    assert signed_in(visitor).post(address(revision), form(regions)).status_code == 403
    assert RevisionAlignment.objects.count() == 0


def test_it_is_asked_for_and_sent_only(revision, lead, signed_in):
    assert signed_in(lead).delete(address(revision)).status_code == 405
    assert signed_in(lead).get(address(revision)).status_code == 200
