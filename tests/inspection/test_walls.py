"""Wall thickness on the page of a scan: kept with its figures, and a map drawn when asked for."""

import io

import numpy as np
import pytest
from django.urls import reverse
from PIL import Image

from inspection import jobs
from inspection.models import Scan
from inspection.walls import measure_walls, plain_walls, reading_of
from metrology.surfaces.surface import prepare

pytestmark = pytest.mark.django_db


@pytest.fixture
def scan(upload, quick):
    made = upload()
    assert jobs.run(made.pk, made.attempt)
    made.refresh_from_db()
    return made


def picture_of(scan):
    return reverse("inspection:walls", args=[scan.kit.code, scan.code])


def test_the_page_says_how_thin_the_walls_are_and_what_is_nominal_there(scan, visitor, signed_in):
    kept = scan.result.figures["walls"]
    whole = kept["rows"][0]
    assert whole["name"] == "" and whole["measured"] > 0.5
    assert 0 < whole["least"] <= whole["mean"] and whole["least_nominal"] >= 49.9
    # The scanner of the fixture is sure to 0.12 mm, which counts twice.
    assert whole["least_uncertainty"] >= 0.24
    text = signed_in(visitor).get(scan.get_absolute_url()).content.decode()
    assert kept["says"] in text and "All walls" in text


def test_a_block_with_hardly_a_wall_has_no_map_on_its_page(scan, visitor, signed_in):
    whole = scan.result.figures["walls"]["rows"][0]
    for share, there in ((0.02, False), (0.6, True)):
        whole["walls"] = share
        scan.result.save(update_fields=["figures"])
        assert (picture_of(scan) in signed_in(visitor).get(scan.get_absolute_url()).content.decode()) == there


def test_each_region_with_walls_has_a_row_of_its_own(scan):
    names = [row["name"] for row in scan.result.figures["walls"]["rows"]]
    assert names[0] == "" and set(names[1:]) <= {region["name"] for region in scan.result.figures["regions"]}
    assert len(names) > 1


@pytest.mark.parametrize("view", ["", "?view=bottom"])
def test_the_map_is_drawn_when_asked_for(scan, visitor, signed_in, view):
    answer = signed_in(visitor).get(picture_of(scan) + view)
    assert answer["Content-Type"] == "image/png" and "private" in answer["Cache-Control"]
    assert Image.open(io.BytesIO(answer.content)).size == (1200, 900)


def test_a_map_from_no_side_is_not_found(scan, visitor, signed_in):
    assert signed_in(visitor).get(picture_of(scan), {"view": "inside"}).status_code == 404


def test_a_map_of_a_scan_without_a_result_is_not_found(scan, visitor, signed_in):
    Scan.objects.filter(pk=scan.pk).update(state=Scan.State.FAILED)
    assert signed_in(visitor).get(picture_of(scan)).status_code == 404


def test_only_those_who_may_see_scans_see_the_map(scan, stranger, signed_in):
    assert signed_in(stranger).get(picture_of(scan)).status_code == 403


def test_the_map_is_only_to_be_looked_at(scan, visitor, signed_in):
    assert signed_in(visitor).post(picture_of(scan)).status_code == 405


def test_a_result_from_before_walls_were_measured_shows_none(scan, visitor, signed_in):
    scan.result.figures.pop("walls")
    scan.result.save(update_fields=["figures"])
    assert reading_of(scan) is None
    assert signed_in(visitor).get(picture_of(scan)).status_code == 404
    assert "Wall thickness" not in signed_in(visitor).get(scan.get_absolute_url()).content.decode()


def test_a_scan_of_one_side_says_that_the_other_is_wanted():
    from inspection.results import plain
    from tests.inspection.conftest import measured_once, nominal_mesh

    comparison = measured_once()
    seen = comparison.sample_normals[:, 2] > 0.5
    one_sided = type(comparison)(
        **vars(comparison) | {"sample_deviation": np.where(seen, comparison.sample_deviation, np.nan)}
    )
    kept = plain_walls(measure_walls(prepare(nominal_mesh()), one_sided, 0.12), plain)
    assert "scan the other side" in kept["says"]
    assert kept["rows"][0]["least"] is None and kept["rows"][0]["measured"] == 0
