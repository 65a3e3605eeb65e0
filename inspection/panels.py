"""What this room adds to a cast's page: its scans with their verdicts, and what was measured by hand."""

from typing import Any

from django.http import HttpRequest

from casting.models import Cast

from .queries import measurement_sheet, scans_with_facts


def cast_panel(request: HttpRequest, cast: Cast) -> tuple[str, dict[str, Any]]:
    return "inspection/_cast.html", {
        "cast": cast,
        "scans": list(scans_with_facts().filter(cast=cast)),
        "sheet": measurement_sheet(cast),
    }
