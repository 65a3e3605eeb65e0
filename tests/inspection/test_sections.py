"""Sections of a scan: asked for in the address, told in words, drawn when asked for."""

import io

import numpy as np
import pytest
from django.urls import reverse
from PIL import Image

from inspection import jobs, sections
from inspection.models import Scan

pytestmark = pytest.mark.django_db


@pytest.fixture
def scan(upload, quick):
    made = upload()
    assert jobs.run(made.pk, made.attempt)
    made.refresh_from_db()
    return made


@pytest.fixture
def page(scan, visitor, signed_in):
    return signed_in(visitor), scan.get_absolute_url()


def picture_of(scan):
    return reverse("inspection:section", args=[scan.kit.code, scan.code])


def test_without_asking_there_is_a_form_and_a_way_through_the_worst_place(page):
    client, address = page
    shown = client.get(address).context["section"]
    assert shown.cut is None and not shown.form.is_bound
    # The worst place lies on a level face: a level section does not cross it.
    assert [title[:1] for title, _ in shown.through] == ["x", "y"]
    for _, through in shown.through:
        assert client.get(through).context["section"].cut is not None


def test_a_section_is_told_in_words_and_figures_and_drawn(page):
    client, address = page
    response = client.get(address, {"cut": "x", "px": "200"})
    cut, text = response.context["section"].cut, response.content.decode()
    assert "of the outline was measured, and" in cut.says and cut.says in text
    assert 0.9 < cut.figures.measured_share <= 1 and cut.figures.lowest <= cut.figures.mean <= cut.figures.highest
    assert all(abs(place.at[0] - 200) < 1e-6 for place in cut.places)
    assert 'download="S-01-section-x200.png"' in text
    for address, size in ((cut.picture, (1200, cut.high)), (cut.on_phone, (900, cut.high_on_phone))):
        answer = client.get(address)
        assert answer["Content-Type"] == "image/png" and "private" in answer["Cache-Control"]
        assert answer["Content-Disposition"] == 'inline; filename="S-01-section-x200.png"'
        assert Image.open(io.BytesIO(answer.content)).size == size


def test_the_section_says_what_was_kept_of_the_scan(scan, page):
    client, address = page
    cut = client.get(address, {"cut": "z", "pz": "100"}).context["section"].cut
    kept = sections._arrays(scan.result.deviations.sha256)
    near = np.abs(kept["points"][:, 2] - 100) < 30
    side = np.abs(kept["normals"][:, 2]) < 0.1
    assert cut.figures.mean == pytest.approx(np.nanmean(kept["deviation"][near & side]), abs=0.05)


def test_a_direction_of_your_own_can_be_typed_with_a_comma(page):
    client, address = page
    asked = {"cut": "any", "nx": "1", "ny": "0,5", "nz": "0", "px": "0", "py": "0", "pz": "100", "times": "50"}
    cut = client.get(address, asked).context["section"].cut
    assert cut.file == "S-01-section-slanting.png" and client.get(cut.picture).status_code == 200


def test_a_place_may_be_typed_in_another_unit(page):
    client, address = page
    assert client.get(address, {"cut": "x", "px": "20 cm"}).context["section"].cut.name == "x = 200\u00a0mm"


POINT = {"px": "0", "py": "0", "pz": "0"}


@pytest.mark.parametrize(
    ("asked", "field", "sentence"),
    [
        ({"cut": "x"}, "px", "Say where along x it is cut"),
        ({"cut": "y", "px": "1"}, "py", "Say where along y it is cut"),
        ({"cut": "x", "px": "abc"}, "px", "is not a number"),
        ({"cut": "x", "px": "1e400"}, "px", "is not a unit of length"),
        ({"cut": "x", "px": "9999"}, "px", "does not cut the part, which reaches from x = −300.0 to 300.0"),
        ({"cut": "any", "px": "1", "nx": "1", "ny": "0", "nz": "0"}, "px", "all three coordinates"),
        ({"cut": "any"} | POINT, "nx", "all three numbers of the direction"),
        ({"cut": "any", "nx": "0", "ny": "0", "nz": "0"} | POINT, "nx", "has no length"),
        ({"cut": "any", "nx": "1", "ny": "1", "nz": "0", "px": "2000", "py": "0", "pz": "0"}, "px", "beside it"),
        ({"cut": "w", "px": "1"}, "cut", "Select a valid choice"),
        ({"cut": "x", "px": "1", "times": "7"}, "times", "Select a valid choice"),
    ],
)
def test_a_section_that_cannot_be_says_why_beside_its_field(page, asked, field, sentence):
    client, address = page
    response = client.get(address, asked)
    shown, text = response.context["section"], response.content.decode()
    assert response.status_code == 200 and shown.cut is None
    assert sentence in shown.form.errors[field][0]
    assert all(f'value="{typed}"' in text for name, typed in asked.items() if name[0] in "pn")


def test_htmx_gets_the_section_alone_and_the_address_to_keep(page):
    client, address = page
    response = client.get(address, {"cut": "x", "px": "200", "part": "section"}, headers={"HX-Request": "true"})
    text = response.content.decode()
    assert text.lstrip().startswith('<section class="zone" id="section"') and "<html" not in text
    assert f'data-address="{address}?cut=x&amp;px=200#section"' in text


@pytest.mark.parametrize("state", [Scan.State.STOPPED, Scan.State.RUNNING])
def test_htmx_is_sent_to_the_whole_page_while_the_scan_is_not_done(scan, page, state):
    client, address = page
    Scan.objects.filter(pk=scan.pk).update(state=state)
    response = client.get(address, {"cut": "x", "px": "200", "part": "section"}, headers={"HX-Request": "true"})
    assert response.status_code == 204 and response["HX-Refresh"] == "true"


@pytest.mark.parametrize(
    "asked", [{}, {"cut": "x", "px": "9999"}, {"cut": "x", "px": "x"}, {"cut": "x", "px": "1", "size": "wall"}]
)
def test_a_picture_of_no_section_is_not_found(page, scan, asked):
    client, _ = page
    assert client.get(picture_of(scan), asked).status_code == 404


def test_a_picture_of_a_scan_without_a_result_is_not_found(page, scan):
    client, _ = page
    Scan.objects.filter(pk=scan.pk).update(state=Scan.State.FAILED)
    assert client.get(picture_of(scan), {"cut": "x", "px": "0"}).status_code == 404


def test_only_those_who_may_see_scans_see_a_section(scan, stranger, signed_in):
    assert signed_in(stranger).get(picture_of(scan), {"cut": "x", "px": "0"}).status_code == 403


def test_a_picture_is_only_to_be_looked_at(scan, page):
    client, _ = page
    assert client.post(picture_of(scan), {"cut": "x", "px": "0"}).status_code == 405


def test_where_nothing_was_kept_the_page_says_so(scan, page):
    client, address = page
    scan.result.deviations = None
    scan.result.save(update_fields=["deviations"])
    shown = client.get(address, {"cut": "x", "px": "0"}).context["section"]
    assert "Nothing was kept" in shown.form.non_field_errors()[0]


def test_a_section_costs_no_query_more_than_the_page_without(page, django_assert_max_num_queries):
    client, address = page
    client.get(address, {"cut": "x", "px": "200"})
    with django_assert_max_num_queries(60) as plain:
        client.get(address)
    with django_assert_max_num_queries(60) as cut:
        client.get(address, {"cut": "x", "px": "100"})
    assert len(cut) == len(plain)
