"""The page on which points of a scan are marked, typed or picked."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_http_methods

from parts.acting import act_once, act_or_say, may
from parts.alignment_models import kind_of

from . import queries, services
from .mark_forms import MarksForm
from .services.scans import nominal_of

SAID = {
    "marked points": "The verdict of this scan rests on them.",
    "datum alignment": "They say where the part lies in the scan; from there the datums take over.",
    "best fit": "They say where the part lies in the scan; from there the whole surface is fitted.",
}


@require_http_methods(["GET", "HEAD", "POST"])
@may("inspection.change_scan")
def marks(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.scan_or_404(request.kit, code)
    if request.method == "POST" and request.POST.get("none"):
        return act_or_say(request, lambda: services.mark_points(found, [], by=request.user), found.get_absolute_url())
    kept = list(found.marks.order_by("number"))
    form = MarksForm(request.POST or None, marks=kept)
    if answer := act_once(request, form, lambda: services.mark_points(found, form.pairs, by=request.user)):
        return answer
    revision = found.cast.revision
    context = {
        "scan": found,
        "cast": found.cast,
        "revision": revision,
        "form": form,
        "rows": form.mark_rows(),
        "has_marks": bool(kept),
        "nominal": nominal_of(revision),
        "said": SAID[kind_of(revision)],
        "cancel": found.get_absolute_url() + "#alignment",
    }
    return render(request, "inspection/marks.html", context)
