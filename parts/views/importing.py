"""Importing characteristics: paste or choose a file, look at what would come in, then confirm."""

from django.contrib.auth.decorators import login_required, permission_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_http_methods

from .. import queries, services
from ..acting import act_once, add_refusal
from ..errors import Refusal
from ..forms import ImportForm
from ..importing import preview, text_of
from .revisions import definition_url

CONFIRM = "confirm"


@require_http_methods(["GET", "HEAD", "POST"])
@login_required
@permission_required("parts.add_characteristic", raise_exception=True)
def import_characteristics(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = queries.revision_or_404(request.kit, part_number, letter)
    if request.method != "POST":
        return render(request, "parts/import.html", {"form": ImportForm(), "revision": revision})
    data = request.POST.copy()
    form, shown = ImportForm(data), None
    try:
        services.check_open(revision)
        if request.FILES.get("file"):
            # Into the text box with it, so that it stays there whatever comes next.
            data["text"] = text_of(request.FILES["file"])
        shown = preview(revision, data.get("text", ""), by=request.user)
    except Refusal as refusal:
        add_refusal(form, refusal)
    if shown and CONFIRM in data and not shown.bad_rows:
        done = act_once(
            request,
            form,
            lambda: services.import_characteristics(revision, shown.values, by=request.user)[0],
            lambda row: definition_url(revision) + "#characteristics",
        )
        if done:
            return done
    return render(request, "parts/import.html", {"form": form, "revision": revision, "preview": shown})
