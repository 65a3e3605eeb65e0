"""Putting a nominal or a drawing on file. A file that came in whole is not asked for again."""

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from logbook.once import sent_before, submit_once

from .. import queries
from ..acting import add_refusal, may
from ..errors import Refusal
from ..geometry_forms import DrawingForm, NominalForm
from ..models import Geometry, Revision
from ..services import check_open, geometry
from . import FORM
from .revisions import definition_url

# Refusals in which the file itself is sound: it need not be sent again.
FILE_IS_SOUND = ("unit-contradiction", "several-bodies", "no-unit", "frozen")


@require_http_methods(FORM)
@may("parts.add_geometry")
def file_nominal(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    form = NominalForm(*_sent(request))
    return _file_geometry(request, part_number, letter, Geometry.Role.NOMINAL, form)


@require_http_methods(FORM)
@may("parts.add_geometry")
def file_drawing(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    form = DrawingForm(*_sent(request))
    return _file_geometry(request, part_number, letter, Geometry.Role.DRAWING, form)


def _sent(request: HttpRequest) -> tuple:
    return (request.POST, request.FILES) if request.method == "POST" else ()


def _file_geometry(
    request: HttpRequest, part_number: str, letter: str, role: Geometry.Role, form: NominalForm | DrawingForm
) -> HttpResponse:
    if there := sent_before(request):
        return redirect(there)
    revision = queries.revision_or_404(request.kit, part_number, letter)
    if request.method == "POST" and (answer := _take_in(request, revision, role, form)):
        return answer
    context = {
        "form": form,
        "revision": revision,
        "role": role,
        "current": queries.current_geometry(revision).get(role),
        "cancel": definition_url(revision) + "#geometry",
    }
    return render(request, "parts/geometry_form.html", context)


def _take_in(
    request: HttpRequest, revision: Revision, role: Geometry.Role, form: NominalForm | DrawingForm
) -> HttpResponse | None:
    """Keep and read the file before the transaction begins, so that nobody waits for it, then put it on the sheet."""
    valid = form.is_valid()
    stored = form.kept_file
    try:
        check_open(revision)
        if upload := form.cleaned_data.get("file"):
            stored = geometry.keep_geometry_file(role=role, file=upload, original_name=upload.name)
        if valid:
            given = _how_to_read(form, revision) if isinstance(form, NominalForm) else {}
            name = form.original_name
            examined = geometry.examine_geometry(role=role, file=stored, original_name=name, **given)
            return redirect(
                submit_once(
                    request,
                    lambda: geometry.file_geometry(revision, examined, by=request.user),
                    lambda _: definition_url(revision) + "#geometry",
                )
            )
    except Refusal as refusal:
        add_refusal(form, refusal)
        form.likely_unit = getattr(refusal, "likely_unit", "")
        form.ask_together = refusal.code == "several-bodies"
        stored = stored if refusal.code in FILE_IS_SOUND else None
    if stored:
        form.keep(stored)
    else:
        form.forget()
    return None


def _how_to_read(form: NominalForm, revision: Revision) -> dict[str, Any]:
    return {
        "unit": form.cleaned_data["unit"],
        "together": form.cleaned_data["together"],
        "overrule": form.insists,
        "chord_mm": geometry.chord_for(geometry.profile_of(revision)),
    }
