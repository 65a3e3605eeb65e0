"""What every request gets before its view runs, and every answer on its way out."""

import pytest
from django.http import HttpResponse
from django.test import RequestFactory
from django.urls import reverse
from django.utils import timezone

from parts.models import Kit
from proofmark.middleware import POLICY, CurrentKit, SafeHeaders
from tests import make


@pytest.fixture
def tide_kit(db):
    return make.kit(time_zone="Pacific/Auckland")


@pytest.fixture
def passed(rf: RequestFactory):
    """passed("tpw") is the request as the view of that kit's address sees it, and the zone that was active then."""

    def through(code):
        request, seen = rf.get("/"), []

        def view(request):
            kwargs = {"kit": code, "pk": 1}
            middleware.process_view(request, None, (), kwargs)
            seen.append((kwargs, timezone.get_current_timezone_name()))
            return HttpResponse()

        middleware = CurrentKit(view)
        middleware(request)
        return request, *seen[0]

    return through


@pytest.mark.parametrize("code", ["TPW", "tpw", "Tpw"])
def test_a_kit_is_found_by_its_code_in_any_letters(tide_kit, passed, code):
    request, kwargs, _ = passed(code)
    assert request.kit == tide_kit and kwargs == {"pk": 1}


def test_the_kits_time_zone_holds_for_its_answer_only(tide_kit, passed):
    assert passed("TPW")[2] == "Pacific/Auckland"
    assert timezone.get_current_timezone_name() == "UTC"


def test_a_view_that_fails_leaves_no_time_zone_behind(rf, tide_kit):
    def view(request):
        middleware.process_view(request, None, (), {"kit": "TPW"})
        raise RuntimeError

    middleware = CurrentKit(view)
    with pytest.raises(RuntimeError):
        middleware(rf.get("/"))
    assert timezone.get_current_timezone_name() == "UTC"


@pytest.mark.parametrize("zone", ["Nowhere/At all", "", "../etc/passwd", "America"])
def test_a_time_zone_that_is_none_falls_back_to_utc(tide_kit, passed, zone):
    Kit.objects.update(time_zone=zone)
    assert passed("TPW")[2] == "UTC"


def test_an_address_without_a_kit_has_none(rf, db):
    seen = []
    CurrentKit(lambda request: seen.append(request.kit) or HttpResponse())(rf.get("/"))
    assert seen == [None]


def test_an_unknown_kit_is_a_page_not_found(signed_in, lead):
    response = signed_in(lead).get("/XYZ/lessons/")
    assert response.status_code == 404 and "<h1>Not found</h1>" in response.content.decode()


@pytest.mark.parametrize(
    "address", ["/sign-in/", "/first-run/", "/", "/no-such-kit/", "/no/such/page/", "/styles/", "/static/none.css"]
)
def test_every_answer_carries_the_policy(client, db, address):
    headers = client.get(address).headers
    assert headers["Content-Security-Policy"] == POLICY
    assert "camera=()" in headers["Permissions-Policy"]


def test_a_refusal_carries_the_policy(signed_in, technician):
    response = signed_in(technician).get(reverse("people"))
    assert response.status_code == 403 and response.headers["Content-Security-Policy"] == POLICY


def test_static_files_carry_the_policy(client, db, settings, tmp_path):
    settings.STATIC_ROOT = tmp_path
    (tmp_path / "sheet.css").write_text("")
    settings.WHITENOISE_AUTOREFRESH = True
    response = client.get("/static/sheet.css")
    assert response.status_code == 200 and response.headers["Content-Security-Policy"] == POLICY


def test_nothing_inline_and_nothing_from_elsewhere_is_allowed():
    assert "unsafe" not in POLICY and "http" not in POLICY
    assert "default-src 'self'" in POLICY and "frame-ancestors 'none'" in POLICY


def test_a_view_may_say_more_narrowly_what_it_allows(rf):
    own = HttpResponse(headers={"Content-Security-Policy": "default-src 'none'"})
    assert SafeHeaders(lambda request: own)(rf.get("/")).headers["Content-Security-Policy"] == "default-src 'none'"
