"""The definition sheet of a revision: geometry, characteristics and regions."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from .. import queries, services
from ..acting import act_or_say, form_page, may
from ..forms import CharacteristicForm
from ..models import Revision
from . import FORM
from .revisions import definition_url

AND_NEXT = "and-next"


@require_safe
@may("parts.view_revision")
def definition(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = queries.revision_or_404(request.kit, part_number, letter)
    geometry = queries.current_geometry(revision)
    context = {
        "revision": revision,
        "component": revision.component,
        "geometry": geometry,
        "characteristics": revision.characteristics.select_related("feed__feature", "feed__other").order_by("number"),
        "features": queries.features_for_list(revision),
        "feeds": queries.feeds_of(revision),
        "regions": queries.regions_for_list(revision, geometry.get("nominal")),
    }
    return render(request, "parts/definition.html", context)


@require_http_methods(FORM)
@may("parts.add_characteristic")
def new_characteristic(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = queries.revision_or_404(request.kit, part_number, letter)
    rows = list(revision.characteristics.order_by("number"))
    form = CharacteristicForm(request.POST or None, initial={"number": rows[-1].number + 1 if rows else 1})
    here = reverse("parts:new_characteristic", args=revision.url_args())
    return form_page(
        request,
        form,
        lambda: services.add_characteristic(revision, **form.cleaned_data, by=request.user),
        template="parts/characteristic_form.html",
        context={"revision": revision, "rows": rows[-5:], "cancel": definition_url(revision)},
        url=lambda row: here if AND_NEXT in request.POST else _row_url(revision, row.number),
    )


@require_http_methods(FORM)
@may("parts.change_characteristic")
def change_characteristic(request: HttpRequest, part_number: str, letter: str, number: int) -> HttpResponse:
    revision = queries.revision_or_404(request.kit, part_number, letter)
    row = queries.characteristic_or_404(revision, number)
    form = CharacteristicForm(request.POST or None, instance=row)
    return form_page(
        request,
        form,
        lambda: services.change_characteristic(row, **form.cleaned_data, by=request.user),
        template="parts/characteristic_form.html",
        context={"revision": revision, "number": number, "name": row.name, "cancel": _row_url(revision, number)},
        url=lambda row: _row_url(revision, row.number),
    )


@require_POST
@may("parts.delete_characteristic")
def remove_characteristic(request: HttpRequest, part_number: str, letter: str, number: int) -> HttpResponse:
    revision = queries.revision_or_404(request.kit, part_number, letter)
    row = queries.characteristic_or_404(revision, number)
    return act_or_say(
        request,
        lambda: services.remove_characteristic(row, by=request.user),
        definition_url(revision) + "#characteristics",
        f"Characteristic {row} was taken out.",
    )


def _row_url(revision: Revision, number: int) -> str:
    return f"{definition_url(revision)}#c{number}"
