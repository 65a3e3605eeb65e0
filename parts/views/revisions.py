"""A revision: begun, changed while open, put on trial; and its logbook."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from logbook.queries import Filter
from logbook.views import entries_page

from .. import queries, services
from ..acting import act_or_say, form_page, may
from ..forms import RevisionForm
from ..models import Revision
from . import FORM


def definition_url(revision: Revision) -> str:
    return reverse("parts:definition", args=revision.url_args())


@require_http_methods(FORM)
@may("parts.add_revision")
def new_revision(request: HttpRequest, part_number: str) -> HttpResponse:
    component = queries.component_or_404(request.kit, part_number)
    before = services.latest_revision(component)
    initial = {"letter": services.next_letter(component)}
    if before:
        initial |= {
            "cautions": before.cautions,
            "strength_required": before.strength_required,
            "strength_age_days": before.strength_age_days,
        }
    form = RevisionForm(request.POST or None, before=before, initial=initial)
    return form_page(
        request,
        form,
        lambda: services.create_revision(component, **form.cleaned_data, by=request.user),
        template="parts/revision_form.html",
        context={"component": component, "cancel": component.get_absolute_url()},
        url=definition_url,
    )


@require_http_methods(FORM)
@may("parts.change_revision")
def change_revision(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = queries.revision_or_404(request.kit, part_number, letter)
    form = RevisionForm(request.POST or None, instance=revision)
    return form_page(
        request,
        form,
        lambda: services.change_revision(revision, **form.cleaned_data, by=request.user),
        template="parts/revision_form.html",
        context={"revision": revision, "component": revision.component, "cancel": definition_url(revision)},
        url=definition_url,
    )


@require_POST
@may("parts.change_revision")
def start_trial(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = queries.revision_or_404(request.kit, part_number, letter)
    return act_or_say(
        request,
        lambda: services.start_trial(revision, by=request.user),
        definition_url(revision),
        f"{revision} is on trial. It can be cast, scanned and fitted now.",
    )


@require_safe
@may("logbook.view_entry")
def logbook(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    """The logbook sheet of a revision: its own entries and those of everything made from it."""
    revision = queries.revision_or_404(request.kit, part_number, letter)
    page = entries_page(request, Filter(trail=f"{part_number}/{letter}"))
    return render(request, "parts/logbook.html", {"revision": revision, **page})
