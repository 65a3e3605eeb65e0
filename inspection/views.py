"""Pages of inspection: scans and what they say, measurements by hand, instruments."""

from typing import Any

from django.core.paginator import Paginator
from django.db import models
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe
from django.views.decorators.vary import vary_on_headers

from metrology.amounts.units import UNIT_NAMES
from parts.acting import act_once, act_or_say, may
from parts.queries import revision_or_404

from . import forms, gauge_queries, queries, sections, services, walls
from .gauge_fitness import fits_of, standing_of
from .models import Scan
from .reading import Progress, Reading, Trend

PAGE = 100
# What htmx may ask of the page of a scan.
PARTS = {
    "job": "inspection/_job.html",
    "map": "inspection/_map.html",
    "section": "inspection/_section.html",
}


def _page(request: HttpRequest, rows: models.QuerySet) -> Any:
    return Paginator(rows, PAGE).get_page(request.GET.get("page"))


@require_safe
@may("inspection.view_scan")
def scans(request: HttpRequest) -> HttpResponse:
    rows = queries.scans_with_facts().filter(kit=request.kit)
    return render(request, "inspection/scans.html", {"page": _page(request, rows)})


@require_safe
@may("inspection.view_scan")
def revision_scans(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = revision_or_404(request.kit, part_number, letter)
    trend = queries.scan_trend(revision)
    context = {
        "revision": revision,
        "page": _page(request, queries.scans_of(revision)),
        "trend": Trend(trend) if trend else None,
    }
    return render(request, "inspection/revision_scans.html", context)


@require_safe
@vary_on_headers("HX-Request")
@may("inspection.view_scan")
def scan(request: HttpRequest, code: str) -> HttpResponse:
    """The whole page, or for htmx the job while it is under way, the map in the view asked for, or a section."""
    found = queries.scan_or_404(request.kit, code)
    under_way = found.state in (Scan.State.WAITING, Scan.State.RUNNING)
    asked = request.GET.get("part") if request.htmx and not request.htmx.history_restore_request else None
    context: dict[str, Any] = {"scan": found, "cast": found.cast, "revision": found.cast.revision}
    if (asked == "job" and not under_way) or (asked == "section" and found.state != Scan.State.DONE):
        # It has ended, or was started anew, meanwhile: the whole page has something to say.
        return HttpResponse(status=204, headers={"HX-Refresh": "true"})
    if under_way:
        context |= {"progress": Progress(found, timezone.now()), "what": f"Measuring scan {found}"}
    if found.state == Scan.State.DONE:
        context["reading"] = Reading(found, request.GET.get("view", ""))
        context["section"] = sections.shown(found, found.result, request.GET)
        context["walls"] = walls.reading_of(found)
    if found.state == Scan.State.FAILED:
        context["likely"] = UNIT_NAMES.get(found.likely_unit, "")
    if not under_way:
        context["form"] = forms.RunAgainForm(initial={"unit": found.likely_unit or found.unit})
    return render(request, PARTS.get(asked, "inspection/scan.html"), context)


@require_http_methods(["POST"])
@may("inspection.change_scan")
def stop(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.scan_or_404(request.kit, code)
    return act_or_say(request, lambda: services.ask_stop(found, by=request.user), found.get_absolute_url())


@require_http_methods(["POST"])
@may("inspection.change_scan")
def again(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.scan_or_404(request.kit, code)
    form = forms.RunAgainForm(request.POST)
    answer = act_once(request, form, lambda: services.run_again(found, by=request.user, **form.cleaned_data))
    context = {"scan": found, "cast": found.cast, "revision": found.cast.revision, "form": form}
    return answer or render(request, "inspection/again.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@may("inspection.change_scan")
def withdraw(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.scan_or_404(request.kit, code)
    form = forms.WithdrawForm(request.POST or None)
    if answer := act_once(request, form, lambda: services.withdraw_scan(found, by=request.user, **form.cleaned_data)):
        return answer
    context = {"scan": found, "cast": found.cast, "revision": found.cast.revision, "form": form}
    return render(request, "inspection/withdraw.html", context)


@require_safe
@may("inspection.view_instrument")
def instruments(request: HttpRequest) -> HttpResponse:
    rows = gauge_queries.with_studies(queries.instruments_for_list(request.kit))
    context = {"page": _page(request, rows), "today": timezone.localdate()}
    return render(request, "inspection/instruments.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@may("inspection.add_instrument")
def add_instrument(request: HttpRequest) -> HttpResponse:
    form = forms.InstrumentForm(request.POST or None)
    if answer := act_once(
        request,
        form,
        lambda: services.add_instrument(request.kit, by=request.user, **form.cleaned_data),
        _to_instruments(request),
    ):
        return answer
    return render(request, "inspection/instrument.html", {"form": form})


@require_http_methods(["GET", "HEAD", "POST"])
@may("inspection.change_instrument")
def instrument(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.instrument_or_404(request.kit, code)
    usual = {name: getattr(found, name) for name in forms.ChangeInstrumentForm.base_fields}
    form = forms.ChangeInstrumentForm(request.POST or None, initial=usual)
    if answer := act_once(
        request,
        form,
        lambda: services.change_instrument(found, by=request.user, **form.cleaned_data),
        _to_instruments(request),
    ):
        return answer
    context = {"form": form, "instrument": found, "fits": fits_of(found), "studies": standing_of(found)}
    return render(request, "inspection/instrument.html", context)


def _to_instruments(request: HttpRequest):
    return lambda _: reverse("inspection:instruments", args=[request.kit.code])
