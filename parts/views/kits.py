"""Kits: the list of what is being built, a new one, and what is said about one."""

from django.contrib.auth.decorators import login_required, permission_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_http_methods, require_safe

from .. import queries, services
from ..acting import act_once
from ..forms import KitForm


@require_safe
@login_required
@permission_required("parts.view_kit", raise_exception=True)
def kit_list(request: HttpRequest) -> HttpResponse:
    return render(request, "parts/kit_list.html", {"kits": queries.kits_for_list()})


@require_http_methods(["GET", "HEAD", "POST"])
@login_required
@permission_required("parts.add_kit", raise_exception=True)
def new_kit(request: HttpRequest) -> HttpResponse:
    form = KitForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        done = act_once(request, form, lambda: services.create_kit(**form.cleaned_data, by=request.user))
        if done:
            return done
    return render(request, "parts/kit_form.html", {"form": form})


@require_http_methods(["GET", "HEAD", "POST"])
@login_required
@permission_required("parts.change_kit", raise_exception=True)
def change_kit(request: HttpRequest) -> HttpResponse:
    form = KitForm(request.POST or None, instance=request.kit)
    if request.method == "POST" and form.is_valid():
        done = act_once(request, form, lambda: services.change_kit(request.kit, **form.cleaned_data, by=request.user))
        if done:
            return done
    return render(request, "parts/kit_form.html", {"form": form, "kit": request.kit})
