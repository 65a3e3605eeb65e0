"""The three-dimensional view of a scan: the file it draws, where it is served, and what stays without it."""

import json
import re
from pathlib import Path

import numpy as np
import pytest
from django.conf import settings as django_settings
from django.urls import reverse

from inspection import jobs
from inspection.models import ScanResult
from logbook.files import local_path
from logbook.models import StoredFile
from metrology.pictures.palette import BANDS, NOT_MEASURED, PALETTE, STIPPLE, rgb
from metrology.pictures.view_payload import MEDIA_TYPE, unpacked
from metrology.pictures.views import VIEWS
from proofmark.templatetags.view3d import MODULES

from .conftest import measured_once

SCRIPTS = Path(django_settings.BASE_DIR) / "static" / "proofmark" / "view3d"


@pytest.fixture
def done(upload, quick):
    scan = upload()
    assert jobs.run(scan.pk, 1) or scan.__class__.objects.get(pk=scan.pk).state == "done"
    return scan.__class__.objects.select_related("result__view", "result__deviations", "thinned").get(pk=scan.pk)


def content(stored: StoredFile):
    with local_path(stored) as path:
        return unpacked(path.read_bytes())


def view_url(scan) -> str:
    return reverse("inspection:scan_view", args=[scan.kit.code, scan.code])


def test_the_job_keeps_what_the_view_draws_with_the_numbers_of_the_result(done):
    header, arrays = content(done.result.view)
    with local_path(done.result.deviations) as path, np.load(path) as stored:
        assert np.array_equal(arrays["sampleDeviation"], stored["deviation"], equal_nan=True)
        assert np.allclose(arrays["samplePoints"] + np.array(header["origin"]), stored["points"], atol=1e-3)
        assert stored["regions"].shape == (len(done.result.figures["regions"]), len(stored["points"]))
    result = done.result
    assert (header["lower"], header["upper"], header["guard"]) == (result.lower, result.upper, result.uncertainty)
    assert [one["sentence"] for one in header["callouts"]] == [one["sentence"] for one in result.figures["callouts"]]


def test_share_in_tolerance_and_coverage_follow_from_the_samples_of_the_view(done):
    header, arrays = content(done.result.view)
    values = arrays["sampleDeviation"].astype(float)
    limits = np.array([(one["lower"], one["upper"]) for one in header["places"]])[arrays["samplePlace"]]
    seen = np.isfinite(values)
    inside = (limits[seen, 0] <= values[seen]) & (values[seen] <= limits[seen, 1])
    assert inside.mean() == pytest.approx(done.result.inside_share)
    assert seen.mean() == pytest.approx(done.result.coverage)


def test_each_sample_names_its_regions(done):
    header, arrays = content(done.result.view)
    comparison = measured_once()
    for row in (0, len(arrays["samplePlace"]) // 2):
        named = [
            one.name for one, holds in zip(comparison.regions, comparison.sample_regions, strict=True) if holds[row]
        ]
        assert header["places"][arrays["samplePlace"][row]]["regions"] == named


def test_the_view_is_served_below_its_hash_and_kept_by_the_browser(signed_in, technician, done):
    client = signed_in(technician)
    there = client.get(view_url(done))
    assert there.status_code == 302 and done.result.view.sha256 in there.url and "no-cache" in there["Cache-Control"]
    answer = client.get(there.url)
    assert answer["Content-Type"] == MEDIA_TYPE and "immutable" in answer["Cache-Control"]
    assert answer["ETag"] == f'"{done.result.view.sha256}"'
    assert client.get(there.url, headers={"If-None-Match": answer["ETag"]}).status_code == 304
    header, _ = unpacked(b"".join(answer.streaming_content))
    assert header["kind"] == "deviation"


def test_a_missing_or_older_file_is_made_again_from_what_was_kept(signed_in, technician, done):
    client = signed_in(technician)
    first = content(done.result.view)
    StoredFile.objects.filter(pk=done.result.view_id).update(media_type="application/x-proofmark-view; version=0")
    ScanResult.objects.filter(pk=done.result.pk).update(view=done.result.view)
    assert client.get(view_url(done)).status_code == 302
    again = content(ScanResult.objects.get(pk=done.result.pk).view)
    assert again[0]["places"] == first[0]["places"] and again[0]["callouts"] == first[0]["callouts"]
    assert np.array_equal(again[1]["sampleDeviation"], first[1]["sampleDeviation"], equal_nan=True)
    assert np.allclose(again[1]["deviation"], first[1]["deviation"], atol=1e-4, equal_nan=True)


def test_a_result_from_before_regions_were_kept_can_be_shown_without_their_names(
    signed_in, technician, done, monkeypatch
):
    client = signed_in(technician)
    load = np.load

    def without_regions(path):
        with load(path) as stored:
            kept = {name: stored[name] for name in ("points", "normals", "deviation")}
        return _Archive(kept)

    monkeypatch.setattr("inspection.kept.np.load", without_regions)
    ScanResult.objects.update(view=None)
    assert client.get(view_url(done)).status_code == 302
    header, _ = content(ScanResult.objects.get(pk=done.result.pk).view)
    assert header["places"] == [{"regions": [], "lower": -1.0, "upper": 1.0}]


class _Archive(dict):
    def __enter__(self):
        return self

    def __exit__(self, *error):
        return None


def test_points_of_a_scan_can_be_looked_at_even_when_it_cannot_be_measured(
    signed_in, technician, upload, quick, monkeypatch
):
    def refuse(*args):
        raise jobs.InputError("size", "The size does not fit.")

    monkeypatch.setattr(jobs, "check_size", refuse)
    scan = upload()
    jobs.run(scan.pk, 1)
    scan.refresh_from_db()
    assert scan.state == "failed"
    client = signed_in(technician)
    there = client.get(reverse("inspection:scan_points", args=[scan.kit.code, scan.code]))
    header, arrays = content(StoredFile.objects.get(sha256=there.url.split("/")[-2]))
    assert header["kind"] == "points" and 3000 < len(arrays["points"]) <= 60_000


def test_points_are_read_at_once_only_from_a_file_of_moderate_size(signed_in, technician, done, monkeypatch):
    client = signed_in(technician)
    type(done).objects.update(thinned=None)
    address = reverse("inspection:scan_points", args=[done.kit.code, done.code])
    monkeypatch.setattr("inspection.view3d.MOST_BYTES", 10)
    assert client.get(address).status_code == 404
    monkeypatch.undo()
    assert client.get(address).status_code == 302


def test_a_scan_without_a_result_has_no_view(signed_in, technician, upload, quick):
    scan = upload()
    scan.__class__.objects.filter(pk=scan.pk).update(state="waiting")
    client = signed_in(technician)
    assert client.get(view_url(scan)).status_code == 404


def test_the_view_is_for_those_who_may_see_scans(client, signed_in, stranger, done):
    assert client.get(view_url(done)).status_code == 302 and "sign-in" in client.get(view_url(done)).url
    client = signed_in(stranger)
    assert client.get(view_url(done)).status_code == 403
    assert client.post(view_url(done)).status_code == 405


def test_the_page_has_the_picture_first_and_the_view_hidden_over_it(signed_in, technician, done):
    client = signed_in(technician)
    page = client.get(done.get_absolute_url()).content.decode()
    assert f'data-view3d="/WLK/files/{done.result.view.sha256}/S-01.view"'.replace("WLK", done.kit.code) in page
    assert "<img class=" in page and "data-live hidden" in page and "<noscript>" in page
    assert 'type="module"' in page and "the verdict stays with the limits on file" in page


def test_the_policy_lets_the_view_in_and_nothing_else(signed_in, technician, done):
    client = signed_in(technician)
    answer = client.get(done.get_absolute_url())
    assert "default-src 'self'" in answer["Content-Security-Policy"]
    assert "unsafe" not in answer["Content-Security-Policy"]
    for script in re.findall(r"<script[^>]*>|<link[^>]*preload[^>]*>", answer.content.decode()):
        assert re.search(rf'(src|href)="/(static|{done.kit.code}/files)/', script), script


def test_a_view_that_is_still_to_be_made_is_asked_for_where_it_is_made(signed_in, technician, done):
    ScanResult.objects.update(view=None)
    page = signed_in(technician).get(done.get_absolute_url()).content.decode()
    assert f'data-view3d="{view_url(done)}"' in page


def test_every_module_of_the_view_is_fetched_beside_the_page():
    imported = {
        name
        for path in SCRIPTS.glob("*.js")
        for name in re.findall(r'(?:from |import\()"\./(\w+)\.js"', path.read_text())
    }
    assert imported == set(MODULES)


def test_colours_of_the_view_are_those_of_the_pictures():
    text = (SCRIPTS / "scale.js").read_text()
    codes = re.findall(r"#[0-9a-f]{6}", text.split("COLOURS = ")[1].split("]")[0])
    assert [rgb(code) for code in codes] == [PALETTE[band] for band in BANDS]
    named = dict(re.findall(r'(NOT_MEASURED|STIPPLE) = "(#[0-9a-f]{6})"', text))
    assert {name: rgb(code) for name, code in named.items()} == {"NOT_MEASURED": NOT_MEASURED, "STIPPLE": STIPPLE}


def test_views_look_the_same_way_as_the_pictures():
    text = (SCRIPTS / "camera.js").read_text()
    found = re.findall(r'name: "(\w+)", title: "([^"]+)", round: (\d+), above: (-?\d+)', text)
    assert [name for name, *_ in found] == [view.name for view in VIEWS]
    for (_, title, turned, above), view in zip(found, VIEWS, strict=True):
        a, e = np.radians(float(turned)), np.radians(float(above))
        assert np.allclose([np.sin(a), np.cos(a), 0], view.right, atol=1e-12)
        assert np.allclose([-np.cos(a) * np.sin(e), np.sin(a) * np.sin(e), np.cos(e)], view.up, atol=1e-12)
        assert title == ("Pictorial" if view.name == "pictorial" else view.title)


def test_no_script_asks_for_anything_from_elsewhere():
    for path in SCRIPTS.glob("*.js"):
        text = path.read_text().replace("http://www.w3.org/2000/svg", "")
        assert "http" not in re.sub(r"`HTTP \$", "", text), path.name
        assert "eval(" not in text and "innerHTML" not in text, path.name
        assert len(text.splitlines()) < 400


def test_the_layout_that_the_script_reads_is_the_one_that_is_written():
    assert json.loads(re.search(r"version !== (\d+)", (SCRIPTS / "payload.js").read_text())[1]) == int(
        MEDIA_TYPE.rsplit("=", 1)[1]
    )
