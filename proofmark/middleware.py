"""What every request needs to know before its view runs."""

from collections.abc import Callable
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from django.http import Http404, HttpRequest, HttpResponse
from django.utils import timezone

from parts import units_in_use
from parts.models import Kit

POLICY = "; ".join(
    (
        "default-src 'self'",
        "img-src 'self' data: blob:",
        "object-src 'none'",
        "base-uri 'self'",
        "form-action 'self'",
        "frame-ancestors 'none'",
    )
)


class SafeHeaders:
    """A strict content security policy: nothing from elsewhere, nothing inline; no camera or place unless asked for."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        response.headers.setdefault("Content-Security-Policy", POLICY)
        response.headers.setdefault("Permissions-Policy", "geolocation=(), microphone=(), camera=()")
        return response


class CurrentKit:
    """For every address below a kit's code: the kit on the request, its time zone and the units for the answer.

    The code is taken out of the view's arguments, so that a view is written without it.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        request.kit = None
        try:
            return self.get_response(request)
        finally:
            timezone.deactivate()
            units_in_use.deactivate()

    def process_view(self, request: HttpRequest, view: Any, args: Any, kwargs: dict[str, Any]) -> None:
        units_in_use.activate(lambda: _units_of(request))
        if "kit" not in kwargs:
            return
        code = kwargs.pop("kit")
        request.kit = Kit.objects.filter(code__iexact=code).first()
        if request.kit is None:
            raise Http404(f"There is no kit {code}.")
        try:
            timezone.activate(ZoneInfo(request.kit.time_zone))
        except (ZoneInfoNotFoundError, ValueError, OSError):  # OSError: "America" is a folder
            timezone.deactivate()


def _units_of(request: HttpRequest) -> units_in_use.UnitsInUse:
    """What the person chose for themselves, else the kit's unit of length."""
    kit_unit = request.kit.length_unit if request.kit else "mm"
    if not request.user.is_authenticated:
        return units_in_use.UnitsInUse(kit_unit)
    return request.user.units_in_use(kit_unit)
