"""Regions of a revision: defined, found on the nominal, found again when it is replaced, shown."""

from decimal import Decimal

import pytest
from django.urls import reverse

from fixtures import solids
from logbook.models import Entry
from metrology.surfaces.selection import AllOf, Beyond, Box, Facing, Grown, NearPlane, Without
from parts import services
from parts.errors import NotNow, Refusal
from parts.models import Feature, Region
from parts.region_forms import RegionForm
from tests import make

from .mesh_files import stl_of

pytestmark = pytest.mark.django_db

LIMITS = {"lower": Decimal(-1), "upper": Decimal(1)}
TYPED = {"name": "Seat", "lower": "-1", "upper": "1", "angle": "15", "against": "seed", "join": "all"}
TOP = Grown((0.0, 0.0, 30.0), 10.0)


@pytest.fixture
def revision(lead):
    return make.revision(author=lead, state="in preparation")


@pytest.fixture
def with_pad(revision, lead):
    """The bearing pad 250 × 180 × 30 as nominal."""
    file_pad(revision, lead)
    return revision


def file_pad(revision, by, **shape):
    return services.set_geometry(
        revision, role="nominal", file=stl_of(solids.bearing_pad(**shape)), original_name="pad.stl", unit="mm", by=by
    )


def added(revision, **fields):
    return services.add_region(revision, **({"name": "Seat", **LIMITS, "by": revision.author} | fields))


@pytest.mark.parametrize(
    ("fields", "field"),
    [
        ({}, "facing"),
        ({"facing": "up", "name": "SEAT"}, "name"),
        ({"facing": "up", "lower": Decimal(2)}, "lower"),
        ({"facing": "up", "lower": None}, "lower"),
        ({"facing": "up", "moved_limit": Decimal(0)}, "moved_limit"),
        ({"box": [0, 0, 0, 1, 1]}, "box"),
        ({"box": [0, 5, 0, 1, 1, 1]}, "box"),
        ({"facing": "sideways"}, "facing"),
    ],
)
def test_a_region_that_cannot_be_names_its_field(revision, fields, field):
    added(revision, facing="up")
    with pytest.raises(Refusal) as refusal:
        added(revision, **({"name": "Rim"} | fields))
    assert refusal.value.field == field
    assert revision.regions.count() == 1


def test_a_region_comes_and_goes_with_entries(revision):
    region = added(revision, box=[0, 0, 0, 9, 9, 9])
    services.remove_region(region, by=revision.author)
    assert [e.act for e in Entry.objects.all()] == ["region.removed", "region.added"]
    assert Entry.objects.first().details["selection"] == {"box": [0.0, 0.0, 0.0, 9.0, 9.0, 9.0]}


def test_a_region_without_a_nominal_waits_for_one(revision, lead, django_capture_on_commit_callbacks):
    region = added(revision, selection=TOP)
    assert region.found == {}
    with django_capture_on_commit_callbacks(execute=True):
        file_pad(revision, lead)
    region.refresh_from_db()
    assert region.found["faces"] > 0 and region.area_cm2 == pytest.approx(428.6, rel=0.01)


def test_a_region_keeps_what_it_found_and_on_which_nominal(with_pad):
    region = added(with_pad, selection=TOP)
    assert region.found["nominal"] == with_pad.geometry.get().file.sha256
    assert region.area_cm2 == pytest.approx(428.6, rel=0.01)


def test_seeds_find_their_faces_again_on_another_mesh(with_pad, lead, django_capture_on_commit_callbacks):
    region = added(with_pad, selection=TOP)
    area, faces = region.area_cm2, region.found["faces"]
    with django_capture_on_commit_callbacks(execute=True):
        file_pad(with_pad, lead, edge_mm=4.0)
    region.refresh_from_db()
    assert region.found["faces"] > 2 * faces and region.area_cm2 == pytest.approx(area, rel=0.01)


def test_a_seed_that_finds_nothing_on_the_new_nominal_is_said_on_the_sheet(
    with_pad, lead, signed_in, django_capture_on_commit_callbacks
):
    added(with_pad, selection=TOP)
    with django_capture_on_commit_callbacks(execute=True):
        file_pad(with_pad, lead, thickness=60.0)
    page = signed_in(lead).get(reverse("parts:definition", args=with_pad.url_args())).content.decode()
    assert "Its seed points no longer find a face: choose it anew." in page


@pytest.mark.parametrize(
    ("selection", "code"),
    [(Grown((0.0, 0.0, 90.0), 10.0), "lost-seed"), (Box((500.0, 0.0, 0.0), (600.0, 1.0, 1.0)), "empty-region")],
)
def test_what_finds_nothing_is_refused_before_it_is_saved(with_pad, selection, code):
    with pytest.raises(Refusal) as refusal:
        added(with_pad, selection=selection)
    assert refusal.value.code == code and not Region.objects.exists()


def test_a_region_that_a_feature_is_fitted_in_stays(with_pad):
    region = added(with_pad, selection=TOP)
    feature = Feature.objects.create(revision=with_pad, name="Top", kind="plane")
    feature.regions.add(region)
    with pytest.raises(NotNow, match="“Top” is fitted"):
        services.remove_region(region, by=with_pad.author)


def form(typed, others=()):
    return RegionForm(TYPED | typed, others=others)


@pytest.mark.parametrize(
    ("typed", "selection"),
    [
        ({"seed_1_x": "1", "seed_1_y": "2,5", "seed_1_z": "-3"}, Grown((1.0, 2.5, -3.0), 15.0)),
        (
            {"seed_2_x": "1", "seed_2_y": "2", "seed_2_z": "3", "seed_2_nx": "0", "seed_2_ny": "0", "seed_2_nz": "1",
             "against": "neighbour", "angle": "30"},
            Grown((1.0, 2.0, 3.0), 30.0, "neighbour", (0.0, 0.0, 1.0)),
        ),
        ({"facing": "up"}, Facing((0.0, 0.0, 1.0))),
        (dict(x_from="0", y_from="0", z_from="0", x_to="1,5", y_to="2", z_to="3"), Box((0, 0, 0), (1.5, 2, 3))),
        ({"plane_axis": "z", "plane_at": "30", "plane_within": "1"}, NearPlane((0, 0, 1.0), 30.0, 1.0)),
        ({"plane_axis": "x", "plane_at": "30", "plane_side": "before"}, Beyond((-1.0, 0, 0), -30.0)),
        (
            {"plane_axis": "other", "plane_nx": "3", "plane_ny": "0", "plane_nz": "4", "plane_at": "5",
             "plane_side": "beyond", "facing": "left"},
            AllOf((Facing((0.0, 1.0, 0.0)), Beyond((0.6, 0.0, 0.8), 5.0))),
        ),
    ],
)  # fmt: skip
def test_every_way_to_choose_can_be_typed(typed, selection):
    typed_in = form(typed)
    assert typed_in.is_valid(), typed_in.errors
    assert typed_in.cleaned_data["selection"] == selection


@pytest.mark.parametrize(
    ("typed", "field", "sentence"),
    [
        ({}, "seed_1_x", "Say which part"),
        ({"seed_1_x": "5"}, "seed_1_y", "needs x, y and z"),
        ({"seed_1_x": "a"}, "seed_1_x", "is not a number"),
        ({"seed_1_x": "5", "seed_1_y": "5", "seed_1_z": "5", "angle": ""}, "angle", "angle to grow"),
        ({"seed_1_x": "5", "seed_1_y": "5", "seed_1_z": "5", "angle": "200"}, "angle", "Too high"),
        ({"facing": "up", "x_from": "5"}, "y_from", "all six numbers"),
        (dict(x_from="5", y_from="0", z_from="0", x_to="1", y_to="1", z_to="1"), "x_from", "Must be smaller than 1"),
        ({"plane_axis": "z"}, "plane_at", "where the plane lies"),
        ({"plane_axis": "z", "plane_at": "3"}, "plane_within", "distance from the plane"),
        ({"plane_axis": "other", "plane_at": "3"}, "plane_nx", "at right angles"),
        ({"facing": "up", "lower": "2"}, "lower", "Did you mean 1 to 2"),
    ],
)
def test_what_cannot_be_typed_says_which_field(typed, field, sentence):
    typed_in = form(typed)
    assert not typed_in.is_valid()
    assert sentence in typed_in.errors[field][0]


def test_regions_can_be_put_together_and_taken_from_each_other(revision):
    rim, seat = added(revision, name="Rim", facing="up"), added(revision, box=[0, 0, 0, 1, 1, 1])
    typed_in = form({"plus": [rim.pk], "minus": [seat.pk], "name": "Both"}, [rim, seat])
    assert typed_in.is_valid(), typed_in.errors
    assert typed_in.cleaned_data["selection"] == Without(rim.chosen, seat.chosen)


@pytest.fixture
def page(with_pad, lead, signed_in):
    return signed_in(lead), reverse("parts:new_region", args=with_pad.url_args())


SEED = {"seed_1_x": "0", "seed_1_y": "0", "seed_1_z": "30"}


def test_looking_tells_area_and_faces_and_saves_nothing(page):
    client, address = page
    found = client.post(address, TYPED | SEED | {"look": "1", "name": "", "lower": ""}).content.decode()
    assert "428." in found and "cm²" in found and "regions/picture/?asked=" in found
    assert not Region.objects.exists()


def test_the_picture_is_drawn_for_what_was_asked_and_for_nothing_unsigned(page, with_pad):
    client, address = page
    response = client.post(address, TYPED | SEED | {"look": "1"})
    picture = client.get(response.context["look"]["picture"])
    assert picture["Content-Type"] == "image/png" and picture.content[:4] == b"\x89PNG"
    plain = reverse("parts:region_picture", args=with_pad.url_args())
    assert client.get(plain + "?asked=eyJib3giOltdfQ").status_code == 404


def test_a_lost_seed_keeps_what_was_typed_and_says_what_to_do(page):
    client, address = page
    response = client.post(address, TYPED | SEED | {"seed_1_z": "300"})
    assert response.status_code == 200 and not Region.objects.exists()
    text = response.content.decode()
    assert "No face lies near 1\u00a0seed point (0, 0, 300)" in text and 'value="300"' in text


def test_a_saved_region_has_a_page_that_shows_where_it_lies(page, with_pad, visitor, signed_in):
    client, address = page
    assert client.post(address, TYPED | SEED).status_code == 302
    region = Region.objects.get()
    shown = signed_in(visitor).get(reverse("parts:region", args=[*with_pad.url_args(), region.pk])).content.decode()
    assert "grown from (0, 0, 30)" in shown.lower() and "cm²" in shown
