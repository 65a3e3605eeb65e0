"""Components of a kit, and the interfaces where they meet."""

from django.contrib.auth.decorators import login_required, permission_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_http_methods, require_safe

from .. import queries, services
from ..acting import act_once
from ..forms import ComponentForm, InterfaceForm
from ..models import Interface


@require_safe
@login_required
@permission_required("parts.view_component", raise_exception=True)
def component_list(request: HttpRequest) -> HttpResponse:
    context = {
        "components": queries.components_for_list(request.kit),
        "interfaces": queries.interfaces_for_list(request.kit),
    }
    return render(request, "parts/component_list.html", context)


@require_safe
@login_required
@permission_required("parts.view_component", raise_exception=True)
def component(request: HttpRequest, part_number: str) -> HttpResponse:
    part = queries.component_or_404(request.kit, part_number)
    context = {
        "component": part,
        "revisions": list(reversed(part.revisions.all())),
        "interfaces": queries.interfaces_of(part),
    }
    return render(request, "parts/component.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@login_required
@permission_required("parts.add_component", raise_exception=True)
def new_component(request: HttpRequest) -> HttpResponse:
    form = ComponentForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        done = act_once(
            request, form, lambda: services.create_component(request.kit, **form.cleaned_data, by=request.user)
        )
        if done:
            return done
    return render(request, "parts/component_form.html", {"form": form} | _suggestions(request))


@require_http_methods(["GET", "HEAD", "POST"])
@login_required
@permission_required("parts.change_component", raise_exception=True)
def change_component(request: HttpRequest, part_number: str) -> HttpResponse:
    part = queries.component_or_404(request.kit, part_number)
    form = ComponentForm(request.POST or None, instance=part)
    if request.method == "POST" and form.is_valid():
        done = act_once(request, form, lambda: services.change_component(part, **form.cleaned_data, by=request.user))
        if done:
            return done
        part.refresh_from_db()
    context = {"form": form, "component": part} | _suggestions(request)
    return render(request, "parts/component_form.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@login_required
@permission_required("parts.add_interface", raise_exception=True)
def new_interface(request: HttpRequest) -> HttpResponse:
    first = request.kit.components.filter(part_number=request.GET.get("component", "")).first()
    form = InterfaceForm(request.POST or None, kit=request.kit, initial={"component_a": first})
    if request.method == "POST" and form.is_valid():
        done = act_once(
            request,
            form,
            lambda: services.add_interface(request.kit, **form.cleaned_data, by=request.user),
            _beside_component,
        )
        if done:
            return done
    return render(request, "parts/interface_form.html", {"form": form})


@require_http_methods(["GET", "HEAD", "POST"])
@login_required
@permission_required("parts.change_interface", raise_exception=True)
def change_interface(request: HttpRequest, code: str) -> HttpResponse:
    interface = queries.interface_or_404(request.kit, code)
    form = InterfaceForm(request.POST or None, kit=request.kit, instance=interface)
    if request.method == "POST" and form.is_valid():
        done = act_once(
            request,
            form,
            lambda: services.change_interface(interface, **form.cleaned_data, by=request.user),
            _beside_component,
        )
        if done:
            return done
        interface = queries.interface_or_404(request.kit, code)
    return render(request, "parts/interface_form.html", {"form": form, "interface": interface})


def _beside_component(interface: Interface) -> str:
    return interface.component_a.get_absolute_url() + "#interfaces"


def _suggestions(request: HttpRequest) -> dict[str, list[str]]:
    return {"families": queries.families(request.kit), "materials": queries.materials(request.kit)}
