"""What this room adds to a piece's page: its tag, whether it may go in, where it stands."""

from typing import Any

from django.http import HttpRequest
from django.utils import timezone

from casting.models import Cast

from .clearance import clearance
from .models import Tag


def tag_panel(request: HttpRequest, cast: Cast) -> tuple[str, dict[str, Any]]:
    return "sitework/_cast_panel.html", {
        "cast": cast,
        "tag": Tag.objects.filter(cast=cast).first(),
        "clearance": clearance(cast, timezone.now()),
        "installed": cast.installations.filter(removed_at__isnull=True).select_related("position__site").first(),
    }
