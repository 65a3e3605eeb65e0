"""Kits: the list of what is being built, a new one, and what is said about one."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from .. import queries, services
from ..acting import form_page, may
from ..forms import KitForm
from . import FORM


@require_safe
@may("parts.view_kit")
def kit_list(request: HttpRequest) -> HttpResponse:
    return render(request, "parts/kit_list.html", {"kits": queries.kits_for_list()})


@require_http_methods(FORM)
@may("parts.add_kit")
def new_kit(request: HttpRequest) -> HttpResponse:
    form = KitForm(request.POST or None)
    return form_page(
        request,
        form,
        lambda: services.create_kit(**form.cleaned_data, by=request.user),
        template="parts/kit_form.html",
        context={"cancel": reverse("kits:list")},
    )


@require_http_methods(FORM)
@may("parts.change_kit")
def change_kit(request: HttpRequest) -> HttpResponse:
    kit = request.kit
    list_url = reverse("parts:list", args=[kit.code])
    form = KitForm(request.POST or None, instance=kit)
    return form_page(
        request,
        form,
        lambda: services.change_kit(kit, **form.cleaned_data, by=request.user),
        template="parts/kit_form.html",
        context={"kit": kit, "cancel": list_url},
        url=lambda kit: list_url,
    )
