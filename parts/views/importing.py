"""Importing characteristics: paste or choose a file, look at what would come in, then confirm."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_http_methods

from .. import queries, services
from ..acting import act_once, add_refusal, may
from ..errors import Refusal
from ..forms import ImportForm
from ..importing import Preview, preview, text_of
from ..models import Revision
from . import FORM
from .revisions import definition_url

CONFIRM = "confirm"


@require_http_methods(FORM)
@may("parts.add_characteristic")
def import_characteristics(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = queries.revision_or_404(request.kit, part_number, letter)
    data = request.POST.copy() if request.method == "POST" else None
    form = ImportForm(data)
    shown = _look_at(request, revision, form) if data is not None else None
    if shown and CONFIRM in data and not shown.bad_rows:
        done = act_once(
            request,
            form,
            lambda: services.import_characteristics(revision, shown.values, by=request.user)[0],
            lambda row: definition_url(revision) + "#characteristics",
        )
        if done:
            return done
    context = {"form": form, "revision": revision, "preview": shown, "cancel": definition_url(revision)}
    return render(request, "parts/import.html", context)


def _look_at(request: HttpRequest, revision: Revision, form: ImportForm) -> Preview | None:
    try:
        services.check_open(revision)
        if request.FILES.get("file"):
            # Into the text box with it, so that it stays there whatever comes next.
            form.data["text"] = text_of(request.FILES["file"])
        return preview(revision, form.data.get("text", ""), by=request.user)
    except Refusal as refusal:
        add_refusal(form, refusal)
        return None
