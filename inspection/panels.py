"""What this room adds to a cast's page: its scans with their verdicts, and what was measured by hand; and to a mould's:
what its casts say of it, and its corrections."""

from typing import Any

from django.http import HttpRequest

from casting.models import Cast, Mould

from . import what_if
from .compared import corrections_with_facts
from .mould_models import CastsCompared
from .queries import measurement_sheet, scans_with_facts


def cast_panel(request: HttpRequest, cast: Cast) -> tuple[str, dict[str, Any]]:
    return "inspection/_cast.html", {
        "cast": cast,
        "scans": list(scans_with_facts().filter(cast=cast)),
        "sheet": measurement_sheet(cast),
    }


def mould_panel(request: HttpRequest, mould: Mould) -> tuple[str, dict[str, Any]]:
    compared = (
        CastsCompared.objects.filter(mould=mould, state=CastsCompared.State.DONE)
        .select_related("revision__component__kit")
        .order_by("-asked_at", "-pk")
        .first()
    )
    return "inspection/_mould.html", {
        "mould": mould,
        "compared": compared,
        "what_if": what_if.of_mould(mould, compared),
        "corrections": list(corrections_with_facts().filter(mould=mould)),
        "made_from": corrections_with_facts().filter(made=mould).first(),
    }
