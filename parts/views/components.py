"""Components of a kit, and the interfaces where they meet."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from .. import queries, services
from ..acting import form_page, may
from ..forms import ComponentForm, InterfaceForm
from ..models import Interface
from . import FORM


@require_safe
@may("parts.view_component")
def component_list(request: HttpRequest) -> HttpResponse:
    context = {
        "components": queries.components_for_list(request.kit),
        "interfaces": queries.interfaces_for_list(request.kit),
    }
    return render(request, "parts/component_list.html", context)


@require_safe
@may("parts.view_component")
def component(request: HttpRequest, part_number: str) -> HttpResponse:
    part = queries.component_or_404(request.kit, part_number)
    context = {
        "component": part,
        "revisions": list(reversed(part.revisions.all())),
        "interfaces": queries.interfaces_of(part),
    }
    return render(request, "parts/component.html", context)


@require_http_methods(FORM)
@may("parts.add_component")
def new_component(request: HttpRequest) -> HttpResponse:
    form = ComponentForm(request.POST or None)
    return form_page(
        request,
        form,
        lambda: services.create_component(request.kit, **form.cleaned_data, by=request.user),
        template="parts/component_form.html",
        context=_suggestions(request) | {"cancel": reverse("parts:list", args=[request.kit.code])},
    )


@require_http_methods(FORM)
@may("parts.change_component")
def change_component(request: HttpRequest, part_number: str) -> HttpResponse:
    part = queries.component_or_404(request.kit, part_number)
    form = ComponentForm(request.POST or None, instance=part)
    return form_page(
        request,
        form,
        lambda: services.change_component(part, **form.cleaned_data, by=request.user),
        template="parts/component_form.html",
        context=_suggestions(request) | {"changes": str(part), "cancel": part.get_absolute_url()},
    )


@require_http_methods(FORM)
@may("parts.add_interface")
def new_interface(request: HttpRequest) -> HttpResponse:
    first = request.kit.components.filter(part_number=request.GET.get("component", "")).first()
    form = InterfaceForm(request.POST or None, kit=request.kit, initial={"component_a": first})
    return form_page(
        request,
        form,
        lambda: services.add_interface(request.kit, **form.cleaned_data, by=request.user),
        template="parts/interface_form.html",
        context={"cancel": (first and first.get_absolute_url()) or reverse("parts:list", args=[request.kit.code])},
        url=_beside_component,
    )


@require_http_methods(FORM)
@may("parts.change_interface")
def change_interface(request: HttpRequest, code: str) -> HttpResponse:
    interface = queries.interface_or_404(request.kit, code)
    form = InterfaceForm(request.POST or None, kit=request.kit, instance=interface)
    return form_page(
        request,
        form,
        lambda: services.change_interface(interface, **form.cleaned_data, by=request.user),
        template="parts/interface_form.html",
        context={"changes": str(interface), "cancel": _beside_component(interface)},
        url=_beside_component,
    )


def _beside_component(interface: Interface) -> str:
    return interface.component_a.get_absolute_url() + "#interfaces"


def _suggestions(request: HttpRequest) -> dict[str, list[str]]:
    return {"families": queries.families(request.kit), "materials": queries.materials(request.kit)}
