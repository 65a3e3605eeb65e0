"""Features of a revision and what they feed."""

from decimal import Decimal

import pytest
from django.urls import reverse

from fixtures import solids
from logbook.models import Entry
from metrology.surfaces.selection import Grown
from parts import services
from parts.errors import NotNow, Refusal
from parts.models import Feature, Feed
from tests import make

from .mesh_files import stl_of

pytestmark = pytest.mark.django_db

TOP = Grown((0.0, 0.0, 30.0), 10.0)
HOLE = Grown((75.0, 30.0, 15.0), 30.0, "neighbour")
LIMITS = {"lower": Decimal(-1), "upper": Decimal(1)}


@pytest.fixture
def revision(lead):
    """The bearing pad with two regions: its top and the wall of its hole."""
    made = make.revision(author=lead, state="in preparation")
    content = stl_of(solids.bearing_pad())
    services.set_geometry(made, role="nominal", file=content, original_name="pad.stl", unit="mm", by=lead)
    for name, selection in (("top", TOP), ("hole", HOLE)):
        services.add_region(made, name=name, selection=selection, **LIMITS, by=lead)
    return made


def region(revision, name):
    return revision.regions.get(name=name)


def feature(revision, name="Dowel hole", kind="cylinder", of="hole"):
    return services.add_feature(revision, name=name, kind=kind, regions=[region(revision, of)], by=revision.author)


def characteristic(revision, number=1, kind="diameter", method="scan", **fields):
    return make.characteristic(revision, number, kind=kind, method=method, **fields)


def fed(revision, **given):
    usual = {"feature": None, "gives": "diameter", "by": revision.author}
    values = usual | given
    values["feature"] = values["feature"] or feature(revision)
    return services.feed_characteristic(
        given.get("row") or characteristic(revision), **{name: value for name, value in values.items() if name != "row"}
    )


def test_a_feature_is_added_with_its_entry(revision):
    made = feature(revision)
    assert [one.name for one in made.regions.all()] == ["hole"]
    assert Entry.objects.first().sentence.endswith("a cylinder in “hole”, 30.000\u00a0mm in diameter on the nominal.")


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({"kind": "cylinder", "of": "top"}, "regions"),
        ({"kind": "plane", "of": "hole"}, "regions"),
        ({"kind": "sphere", "of": "top"}, "regions"),
        ({"name": "DOWEL HOLE"}, "name"),
    ],
)
def test_what_the_nominal_does_not_have_is_refused_beside_its_field(revision, given, field):
    feature(revision)
    with pytest.raises(Refusal) as refusal:
        feature(revision, **given)
    assert refusal.value.field == field and Feature.objects.count() == 1


def test_a_feature_needs_a_region_of_its_own_revision(revision, lead):
    with pytest.raises(Refusal, match="at least one region"):
        services.add_feature(revision, name="x", kind="plane", regions=[], by=lead)
    other = make.revision(of=revision.component, letter="B", author=lead, state="in preparation")
    with pytest.raises(Refusal, match="its own revision"):
        services.add_feature(other, name="x", kind="plane", regions=[region(revision, "top")], by=lead)


def test_a_characteristic_is_fed_once_and_the_feed_is_stopped(revision):
    feed = fed(revision)
    assert str(feed) == "1 Length: diameter of Dowel hole" or feed.words == "diameter of Dowel hole"
    with pytest.raises(Refusal, match="fed already"):
        fed(revision, feature=feed.feature, row=feed.characteristic)
    services.stop_feeding(feed, by=revision.author)
    assert not Feed.objects.exists()
    assert [entry.act for entry in Entry.objects.all()[:2]] == ["characteristic.feed-stopped", "characteristic.fed"]


@pytest.mark.parametrize(
    ("row", "given", "field"),
    [
        ({"method": "by hand"}, {}, "characteristic"),
        ({"kind": "profile"}, {}, "gives"),
        ({"kind": "flatness"}, {}, "gives"),
        ({}, {"gives": "angle"}, "other"),
        ({"kind": "length"}, {"gives": "distance"}, "other"),
        ({"kind": "angle", "unit": "°"}, {"gives": "diameter"}, "gives"),
        ({"kind": "other", "unit": "kg"}, {}, "characteristic"),
        ({"kind": "position", "nominal": 0, "lower": 0, "upper": 1}, {"gives": "position"}, "characteristic"),
    ],
)
def test_what_cannot_be_fed_names_its_field(revision, row, given, field):
    with pytest.raises(Refusal) as refusal:
        fed(revision, row=characteristic(revision, **row), **given)
    assert refusal.value.field == field and not Feed.objects.exists()


def test_a_distance_is_of_two_different_features(revision):
    hole, top = feature(revision), feature(revision, "Top", "plane", "top")
    row = characteristic(revision, kind="length")
    with pytest.raises(Refusal, match="second feature"):
        fed(revision, row=row, feature=hole, gives="distance", other=hole)
    feed = fed(revision, row=row, feature=hole, gives="distance", other=top)
    assert feed.words == "distance of Dowel hole from Top"


def test_a_plane_has_no_diameter(revision):
    with pytest.raises(Refusal, match="A plane has no diameter"):
        fed(revision, feature=feature(revision, "Top", "plane", "top"))


def test_a_feature_that_feeds_stays_until_that_is_stopped(revision):
    feed = fed(revision)
    with pytest.raises(NotNow, match="feeds"):
        services.remove_feature(feed.feature, by=revision.author)
    services.stop_feeding(feed, by=revision.author)
    services.remove_feature(feed.feature, by=revision.author)
    assert not Feature.objects.exists()


def test_a_feed_does_not_count_as_a_measurement(revision):
    feed = fed(revision)
    services.change_characteristic(feed.characteristic, upper=Decimal("700"), by=revision.author)
    services.remove_characteristic(feed.characteristic, by=revision.author)
    assert not Feed.objects.exists()


@pytest.mark.parametrize(
    ("changed", "field"),
    [({"method": "by hand"}, "method"), ({"kind": "flatness"}, "kind"), ({"kind": "other", "unit": "kg"}, "unit")],
)
def test_a_fed_characteristic_stays_one_that_can_take_its_figure(revision, changed, field):
    feed = fed(revision)
    with pytest.raises(NotNow, match="Stop feeding it first") as refusal:
        services.change_characteristic(feed.characteristic, **changed, by=revision.author)
    assert refusal.value.field == field


def test_features_and_feeds_go_over_to_the_next_revision(revision, lead):
    fed(revision)
    after = services.create_revision(revision.component, what_changed="x", why="y", copy_before=True, by=lead)
    copy = after.features.get()
    assert [one.revision for one in copy.regions.all()] == [after]
    assert Feed.objects.get(characteristic__revision=after).feature == copy


def test_a_closed_definition_keeps_its_features(revision, lead):
    made = feature(revision)
    type(revision).objects.filter(pk=revision.pk).update(state="buildable")
    revision.refresh_from_db()
    for act in (
        lambda: feature(revision, "Other"),
        lambda: services.remove_feature(Feature.objects.get(pk=made.pk), by=lead),
        lambda: fed(revision, feature=made),
    ):
        with pytest.raises(Refusal):
            act()
    assert Feature.objects.count() == 1


PAGES = {
    "feature": ("parts:new_feature", lambda r: {"name": "Hole", "kind": "cylinder", "regions": region(r, "hole").pk}),
    "feed": (
        "parts:new_feed",
        lambda r: {"characteristic": characteristic(r).pk, "gives": "diameter", "feature": feature(r).pk},
    ),
}


@pytest.mark.parametrize("page", PAGES)
def test_a_lead_adds_it_on_its_page_and_nobody_else_does(page, revision, lead, technician, visitor, signed_in):
    name, typed = PAGES[page]
    address, data = reverse(name, args=revision.url_args()), typed(revision)
    for person in (technician, visitor):
        assert signed_in(person).post(address, data).status_code == 403
    assert signed_in(lead).get(address).status_code == 200
    assert signed_in(lead).post(address, data).status_code == 302
    shown = signed_in(visitor).get(reverse("parts:definition", args=revision.url_args())).content.decode()
    assert ("Hole" if page == "feature" else "diameter of Dowel hole") in shown


def test_taking_out_and_stopping_want_a_post_by_a_lead(revision, lead, technician, signed_in):
    feed = fed(revision)
    part = reverse("parts:remove_feed", args=[*revision.url_args(), feed.pk])
    out = reverse("parts:remove_feature", args=[*revision.url_args(), feed.feature.pk])
    for address in (part, out):
        assert signed_in(technician).post(address).status_code == 403
        assert signed_in(lead).get(address).status_code == 405
    assert Feature.objects.count() == Feed.objects.count() == 1
    signed_in(lead).post(part)
    signed_in(lead).post(out)
    assert Feature.objects.count() == Feed.objects.count() == 0


def test_a_refusal_stands_beside_its_field_and_keeps_what_was_typed(revision, lead, signed_in):
    data = {"name": "Odd", "kind": "sphere", "regions": region(revision, "top").pk}
    page = signed_in(lead).post(reverse("parts:new_feature", args=revision.url_args()), data)
    assert "The nominal has no sphere in this region" in page.context["form"].errors["regions"][0]
    assert 'value="Odd"' in page.content.decode()


def test_the_definition_costs_the_same_with_2_and_with_8_features(
    revision, lead, signed_in, django_assert_num_queries, django_assert_max_num_queries
):
    client, address = signed_in(lead), reverse("parts:definition", args=revision.url_args())
    counts = []
    for many in (2, 8):
        while revision.features.count() < many:
            number = revision.features.count() + 10
            fed(revision, row=characteristic(revision, number), feature=feature(revision, f"hole {number}"))
        with django_assert_max_num_queries(80) as used:
            client.get(address)
        counts.append(len(used))
    assert counts[0] == counts[1]
