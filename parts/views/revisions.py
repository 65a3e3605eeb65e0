"""A revision: begun, changed while open, put on trial."""

from django.contrib import messages
from django.contrib.auth.decorators import login_required, permission_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from logbook.queries import Filter
from logbook.views import entries_page

from .. import queries, services
from ..acting import act_once, act_or_say
from ..forms import RevisionForm
from ..models import Revision


def definition_url(revision: Revision) -> str:
    return reverse("parts:definition", args=revision.url_args())


@require_http_methods(["GET", "HEAD", "POST"])
@login_required
@permission_required("parts.add_revision", raise_exception=True)
def new_revision(request: HttpRequest, part_number: str) -> HttpResponse:
    component = queries.component_or_404(request.kit, part_number)
    before = next(reversed(component.revisions.all()), None)
    initial = {"letter": services.next_letter(component)}
    if before:
        initial |= {
            "cautions": before.cautions,
            "strength_required": before.strength_required,
            "strength_age_days": before.strength_age_days,
        }
    form = RevisionForm(request.POST or None, before=before, initial=initial)
    if request.method == "POST" and form.is_valid():
        done = act_once(
            request,
            form,
            lambda: services.create_revision(component, **form.cleaned_data, by=request.user),
            definition_url,
        )
        if done:
            return done
    return render(request, "parts/revision_form.html", {"form": form, "component": component})


@require_http_methods(["GET", "HEAD", "POST"])
@login_required
@permission_required("parts.change_revision", raise_exception=True)
def change_revision(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = queries.revision_or_404(request.kit, part_number, letter)
    form = RevisionForm(request.POST or None, instance=revision)
    if request.method == "POST" and form.is_valid():
        done = act_once(
            request,
            form,
            lambda: services.change_revision(revision, **form.cleaned_data, by=request.user),
            definition_url,
        )
        if done:
            return done
    context = {"form": form, "revision": revision, "component": revision.component}
    return render(request, "parts/revision_form.html", context)


@require_POST
@login_required
@permission_required("parts.change_revision", raise_exception=True)
def start_trial(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = queries.revision_or_404(request.kit, part_number, letter)

    def start() -> None:
        services.start_trial(revision, by=request.user)
        messages.success(request, f"{revision} is on trial. It can be cast, scanned and fitted now.")

    return act_or_say(request, start, definition_url(revision))


@require_safe
@login_required
@permission_required("logbook.view_entry", raise_exception=True)
def logbook(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    """The logbook sheet of a revision: its own entries and those of everything made from it."""
    revision = queries.revision_or_404(request.kit, part_number, letter)
    page = entries_page(request, Filter(trail=f"{part_number}/{letter}"))
    return render(request, "parts/logbook.html", {"revision": revision, **page})
