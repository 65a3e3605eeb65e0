"""Sheets of measured values: importing one with a look at it first, and what was imported."""

from typing import Any

from django.core.paginator import Paginator
from django.db import models
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from casting.models import Cast
from logbook.files import keep
from logbook.once import sent_before, submit_once
from parts.acting import add_refusal, may
from parts.errors import Refusal

from .entry_units import usual_units
from .models import MeasurementImport
from .services.sheets import import_measurements
from .sheet_forms import SheetForm
from .sheet_layout import ROLES
from .sheet_step import Step, sheet_step

PAGE = 100


@require_safe
@may("inspection.view_measurement")
def imports(request: HttpRequest) -> HttpResponse:
    rows = _imports(request)
    return render(request, "inspection/imports.html", {"page": Paginator(rows, PAGE).get_page(request.GET.get("page"))})


@require_safe
@may("inspection.view_measurement")
def imported(request: HttpRequest, code: str) -> HttpResponse:
    found = get_object_or_404(_imports(request), code=code)
    casts = (
        Cast.objects.filter(measurements__imported=found)
        .select_related("kit", "revision__component__kit")
        .annotate(
            values_read=Count("measurements"),
            conforming=Count("measurements", filter=Q(measurements__result="conforms")),
            replaced_since=Count("measurements", filter=Q(measurements__replaced=True)),
        )
        .order_by("serial")
    )
    roles = found.layout.get("roles", [])
    heads = [*found.headings, *[""] * len(roles)]
    columns = [(heads[n], f"number {role[1:]} on the drawing" if role[:1] == "c" else ROLES.get(role, role))
               for n, role in enumerate(roles) if role]  # fmt: skip
    page = Paginator(casts, PAGE).get_page(request.GET.get("page"))
    return render(request, "inspection/imported.html", {"sheet": found, "page": page, "columns": columns})


def _imports(request: HttpRequest) -> models.QuerySet[MeasurementImport]:
    return MeasurementImport.objects.filter(kit=request.kit).select_related("kit", "file", "instrument", "imported_by")


@require_http_methods(["GET", "HEAD", "POST"])
@may("inspection.add_measurement")
def import_sheet(request: HttpRequest) -> HttpResponse:
    """First the file with what holds for all of it; then its rows as they would be read, as often as one likes."""
    if there := sent_before(request):
        return redirect(there)
    sent = (request.POST, request.FILES) if request.method == "POST" else ()
    usual = {"serial": request.GET.get("serial", "")[:40]}
    form = SheetForm(*sent, kit=request.kit, unit=usual_units().length, initial=usual)
    context: dict[str, Any] = {"form": form, "step": None}
    if request.method == "POST":
        answer = _take_in(request, form)
        if isinstance(answer, HttpResponse):
            return answer
        context["step"] = answer
    return render(request, "inspection/import_sheet.html", context)


def _take_in(request: HttpRequest, form: SheetForm) -> HttpResponse | Step | None:
    valid, stored, step = form.is_valid(), form.kept_file, None
    try:
        if upload := form.cleaned_data.get("file"):
            stored = keep(upload, upload.content_type or "application/octet-stream")
        elif form.pasted:
            stored = keep(form.pasted.encode(), "text/plain")
            form.kept_name = "pasted.txt"
        if stored and valid:
            data = form.cleaned_data
            step = sheet_step(
                request.kit, stored, form.data, instrument=data["instrument"], unit=data["unit"],
                serial=data["serial"], measured_at=data["measured_at"], now=timezone.now(),
            )  # fmt: skip
        if step and step.agreed:
            return redirect(submit_once(request, lambda: _import(request, form, step, stored)))
    except Refusal as refusal:
        add_refusal(form, refusal)
    if stored and "file" not in form.errors:
        form.keep(stored)
        form.change(text="", unit=step.layout.unit if step else form.data.get("unit", ""))
        return step
    if not form.pasted:
        form.forget()
    return None


def _import(request: HttpRequest, form: SheetForm, step: Step, stored: models.Model) -> models.Model:
    return import_measurements(
        request.kit, step.judged, by=request.user, file=stored, original_name=form.original_name,
        instrument=form.cleaned_data["instrument"], layout=step.layout.as_stored(), headings=step.heads,
        left_out=len(step.faults),
    )  # fmt: skip
