"""Stored files handed out by their content hash."""

import pytest
from django.core.files.storage import default_storage

from logbook.files import keep
from tests import make

pytestmark = pytest.mark.django_db


@pytest.fixture
def address(lead):
    make.kit()

    def to(stored, name="a.png"):
        return f"/TPW/files/{stored.sha256}/{name}"

    return to


def test_a_picture_is_shown_and_may_be_kept_by_the_browser(lead, signed_in, address):
    response = signed_in(lead).get(address(keep(b"picture", "image/png")))
    assert b"".join(response) == b"picture"
    assert response["Content-Type"] == "image/png"
    assert response["Content-Disposition"].startswith("inline")
    assert response["Cache-Control"] == "private, max-age=31536000, immutable"
    assert response["X-Content-Type-Options"] == "nosniff"
    assert response["Content-Length"] == "7"


@pytest.mark.parametrize("media_type", ["application/pdf", "model/stl", "image/svg+xml", "text/html"])
def test_everything_else_is_a_download_under_its_name(lead, signed_in, address, media_type):
    response = signed_in(lead).get(address(keep(b"x", media_type), "SB-02 A.pdf"))
    assert response["Content-Disposition"] == 'attachment; filename="SB-02 A.pdf"'


def test_a_browser_that_has_it_gets_nothing_again(lead, signed_in, address):
    stored = keep(b"picture", "image/png")
    response = signed_in(lead).get(address(stored), headers={"If-None-Match": f'"{stored.sha256}"'})
    assert (response.status_code, response.content) == (304, b"")


def test_a_stranger_and_a_passer_by_get_nothing(stranger, signed_in, client, address):
    url = address(keep(b"picture", "image/png"))
    assert signed_in(stranger).get(url).status_code == 403
    assert client.get(url).status_code == 302
    stored = url.split("/")[3]
    assert client.get(url, headers={"If-None-Match": f'"{stored}"'}).status_code == 302


def test_an_unknown_hash_and_a_lost_file_are_not_found(lead, signed_in, address):
    stored = keep(b"picture", "image/png")
    session = signed_in(lead)
    assert session.get(f"/TPW/files/{'0' * 64}/a.png").status_code == 404
    default_storage.delete(stored.storage_name)
    assert session.get(address(stored)).status_code == 404


def test_a_file_is_only_read(lead, signed_in, address):
    assert signed_in(lead).post(address(keep(b"x", "image/png"))).status_code == 405
