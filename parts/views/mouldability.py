"""The page of a nominal's mouldability: what was found, and what to ask next."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST
from django.views.decorators.vary import vary_on_headers

from .. import queries
from ..acting import act_once, act_or_say, may
from ..models import Geometry, Revision
from ..mould_forms import MouldabilityForm
from ..mould_job import STAGES
from ..mouldability import Reading, latest_check
from ..services.mouldability import ask_mouldability
from ..work import Progress, ask_stop
from . import FORM


@require_http_methods(FORM)
@vary_on_headers("HX-Request")
@may("parts.view_mouldabilitycheck")
def mouldability(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    """The whole page, or for htmx only the job while it is under way. Asking needs the permission to add a check."""
    revision = queries.revision_or_404(request.kit, part_number, letter)
    if request.method == "POST":
        return _ask(request, revision)
    return _page(request, revision, None)


@may("parts.add_mouldabilitycheck")
def _ask(request: HttpRequest, revision: Revision) -> HttpResponse:
    form = MouldabilityForm(request.POST, component=revision.component)
    done = act_once(
        request,
        form,
        lambda: ask_mouldability(revision, **form.asked(), by=request.user),
        lambda _: reverse("parts:mouldability", args=revision.url_args()),
    )
    return done or _page(request, revision, form)


def _page(request: HttpRequest, revision: Revision, form: MouldabilityForm | None) -> HttpResponse:
    check = latest_check(revision)
    reading = Reading(check, revision) if check else None
    fragment = request.htmx and not request.htmx.history_restore_request and request.GET.get("part") == "job"
    if fragment and (check is None or not check.under_way):  # it has ended: the whole page has something to say
        return HttpResponse(status=204, headers={"HX-Refresh": "true"})
    context = {
        "revision": revision,
        "component": revision.component,
        "reading": reading,
        "progress": Progress(check, STAGES, timezone.now()) if check and check.under_way else None,
    }
    if fragment:
        return render(request, "parts/_mouldability_job.html", context)
    context["nominal"] = queries.current_geometry(revision).get(Geometry.Role.NOMINAL)
    context["form"] = form or MouldabilityForm(component=revision.component)
    return render(request, "parts/mouldability.html", context)


@require_POST
@may("parts.change_mouldabilitycheck")
def stop(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = queries.revision_or_404(request.kit, part_number, letter)
    here = reverse("parts:mouldability", args=revision.url_args())
    check = latest_check(revision)
    if check is None:
        return act_or_say(request, lambda: revision, here)
    return act_or_say(request, lambda: ask_stop(check, by=request.user), here)
