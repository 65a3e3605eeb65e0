"""Regions of a revision: defining one, looking at what it finds, taking it out."""

from typing import Any

from django.core.signing import BadSignature, Signer
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.cache import cache_control
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from metrology.errors import InputError
from metrology.pictures.png import png
from metrology.pictures.region import region_picture
from metrology.pictures.views import VIEWS
from metrology.surfaces.selection_plain import from_plain, in_words, to_plain

from .. import queries, services
from ..acting import act_or_say, add_refusal, form_page, may
from ..errors import Refusal
from ..models import Geometry, Revision
from ..region_forms import RegionForm
from ..services.regions import Look, refuse_lost
from . import FORM
from .revisions import definition_url

LOOK = "look"
VIEW_NAMES = [(view.name, view.title) for view in VIEWS]


@require_http_methods(FORM)
@may("parts.add_region")
def new_region(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    """The form; with the button that only looks, the form again with what the region finds."""
    revision = queries.revision_or_404(request.kit, part_number, letter)
    regions = list(revision.regions.order_by("name"))
    form = RegionForm(request.POST or None, others=regions)
    back = definition_url(revision) + "#regions"
    context: dict[str, Any] = {
        "revision": revision,
        "nominal": queries.current_geometry(revision).get(Geometry.Role.NOMINAL),
        "cancel": back,
    }
    if request.method == "POST" and LOOK in request.POST:
        context["look"] = _look(revision, form)
        return render(request, "parts/region_form.html", {"form": form, **context})
    return form_page(
        request,
        form,
        lambda: services.add_region(revision, **form.cleaned_data, by=request.user),
        template="parts/region_form.html",
        context=context,
        url=lambda region: back,
    )


def _look(revision: Revision, form: RegionForm) -> dict[str, Any] | None:
    """What the typed region finds, for the page; limits and name may still be missing."""
    form.is_valid()
    selection = form.cleaned_data.get("selection")
    if selection is None:
        return None
    for name in ("name", "lower", "upper"):
        form.errors.pop(name, None)
    try:
        look = services.look_for(selection, revision)
        if look:
            refuse_lost(look)
    except Refusal as refusal:
        add_refusal(form, refusal)
        return None
    return _found(revision, look) if look else None


def _found(revision: Revision, look: Look) -> dict[str, Any]:
    chosen = look.chosen
    asked = Signer().sign_object(to_plain(chosen.selection), compress=True)
    address = reverse("parts:region_picture", args=revision.url_args())
    return {
        "words": in_words(chosen.selection),
        "faces": chosen.count,
        "area_cm2": chosen.area / 100,
        "share": chosen.area / chosen.surface.area,
        "picture": f"{address}?asked={asked}&on={look.geometry.file.sha256[:12]}",
        "views": VIEW_NAMES,
    }


@require_safe
@may("parts.view_revision")
def region(request: HttpRequest, part_number: str, letter: str, pk: int) -> HttpResponse:
    """One region: where it lies on the nominal, how it is chosen, its limits."""
    revision = queries.revision_or_404(request.kit, part_number, letter)
    row = queries.region_or_404(revision, pk)
    context: dict[str, Any] = {"revision": revision, "region": row, "features": row.features.order_by("name")}
    try:
        look = services.look_for(row.chosen, revision)
        context["look"] = _found(revision, look) if look else None
    except (Refusal, InputError) as error:
        context["trouble"] = error.sentence
    return render(request, "parts/region.html", context)


@require_safe
@cache_control(private=True, max_age=3600)
@may("parts.view_revision")
def picture(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    """A region on the nominal, drawn when asked for. What it shows is in the address, signed, so that only selections
    of ours are drawn."""
    revision = queries.revision_or_404(request.kit, part_number, letter)
    try:
        selection = from_plain(Signer().unsign_object(request.GET.get("asked", "")))
        look = services.look_for(selection, revision)
        image = region_picture(look.chosen, view=request.GET.get("view", ""))[0] if look else None
    except (BadSignature, InputError, Refusal) as error:
        raise Http404("There is no such picture.") from error
    if image is None:
        raise Http404("There is no nominal on file.")
    return HttpResponse(png(image), content_type="image/png")


@require_POST
@may("parts.delete_region")
def remove_region(request: HttpRequest, part_number: str, letter: str, pk: int) -> HttpResponse:
    revision = queries.revision_or_404(request.kit, part_number, letter)
    row = queries.region_or_404(revision, pk)
    return act_or_say(
        request,
        lambda: services.remove_region(row, by=request.user),
        definition_url(revision) + "#regions",
        f"Region “{row.name}” was taken out.",
    )
