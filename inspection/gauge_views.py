"""Pages of gauge studies: planning, following the run order on a tablet, and what the readings say."""

from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_http_methods, require_safe

from parts.acting import act_once, may

from . import gauge_queries, queries
from .gauge_fitness import reach_of
from .gauge_forms import PlanGaugeStudyForm, ReadingForm, WhyForm
from .gauge_models import GaugeStudy, GaugeStudyReading
from .gauge_results import counting, plots_of, result_of
from .services import gauge_studies as services

PAGE = 100


@require_safe
@may("inspection.view_gaugestudy")
def studies(request: HttpRequest) -> HttpResponse:
    page = Paginator(gauge_queries.studies_of(request.kit), PAGE).get_page(request.GET.get("page"))
    return render(request, "inspection/gauge_studies.html", {"page": page})


@require_http_methods(["GET", "HEAD", "POST"])
@may("inspection.plan_gaugestudy")
def plan(request: HttpRequest) -> HttpResponse:
    chosen = queries.instruments_of(request.kit).filter(code=request.GET.get("instrument", "")).first()
    form = PlanGaugeStudyForm(request.POST or None, kit=request.kit, initial={"instrument": chosen})
    if answer := act_once(
        request, form, lambda: services.plan_gauge_study(request.kit, by=request.user, **form.cleaned_data)
    ):
        return answer
    return render(request, "inspection/gauge_study_plan.html", {"form": form})


@require_safe
@may("inspection.view_gaugestudy")
def study(request: HttpRequest, code: str) -> HttpResponse:
    """The plan and how far it is; values and figures only when it is complete, so that nobody reads them before."""
    found = gauge_queries.study_or_404(request.kit, code)
    context: dict[str, Any] = {
        "study": found,
        "appraisers": gauge_queries.appraisers_of(found),
        "parts": list(found.parts.select_related("cast__kit")),
        "withdrawn": list(
            found.readings.filter(withdrawn_at__isnull=False).select_related(
                "part", "appraiser__person", "withdrawn_by"
            )
        ),
    }
    if found.state == GaugeStudy.State.COMPLETE:
        readings, result = counting(found), result_of(found)
        context |= {
            "readings": readings,
            "result": result,
            "plots": plots_of(found, readings, str(result.sentence)),
            "reach": reach_of(found),
        }
    return render(request, "inspection/gauge_study.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@may("inspection.change_gaugestudyreading")
def read(request: HttpRequest, code: str, place: int) -> HttpResponse:
    """The next part of one appraiser's run order, and a box for the reading. Earlier values are not shown."""
    found = gauge_queries.study_or_404(request.kit, code)
    appraiser = get_object_or_404(found.appraisers.select_related("person"), place=place)
    upcoming = gauge_queries.next_reading(found, appraiser)
    form = ReadingForm(request.POST if request.method == "POST" else None, unit=found.unit,
                       initial={"order": upcoming.order if upcoming else None})  # fmt: skip
    if answer := act_once(request, form, lambda: _take(request, found, form, place), lambda _: request.path):
        return answer
    rows = {row.place: row for row in gauge_queries.appraisers_of(found)}
    context = {
        "study": found,
        "appraiser": rows[place],
        "number": rows[place].taken + 1,
        "upcoming": upcoming if found.state in services.OPEN else None,
        "last": gauge_queries.last_reading(found, appraiser),
        "form": form,
    }
    return render(request, "inspection/gauge_study_read.html", context)


def _take(request: HttpRequest, found: GaugeStudy, form: ReadingForm, place: int) -> GaugeStudyReading:
    reading = get_object_or_404(
        GaugeStudyReading, study=found, order=form.cleaned_data["order"], appraiser__place=place
    )
    taken = services.take_reading(reading, value=form.cleaned_data["value"], by=request.user)
    messages.success(request, f"Saved: {taken.part}.")
    return taken


@require_http_methods(["GET", "HEAD", "POST"])
@may("inspection.change_gaugestudyreading")
def withdraw_reading(request: HttpRequest, code: str, order: int) -> HttpResponse:
    found = gauge_queries.study_or_404(request.kit, code)
    reading = gauge_queries.reading_or_404(found, order)
    form = WhyForm(request.POST or None)
    if answer := act_once(
        request,
        form,
        lambda: services.withdraw_reading(reading, by=request.user, **form.cleaned_data),
        lambda _: found.get_absolute_url(),
    ):
        return answer
    context = {"study": found, "reading": reading, "form": form}
    return render(request, "inspection/gauge_reading_withdraw.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@may("inspection.plan_gaugestudy")
def withdraw_study(request: HttpRequest, code: str) -> HttpResponse:
    found = gauge_queries.study_or_404(request.kit, code)
    form = WhyForm(request.POST or None)
    if answer := act_once(
        request, form, lambda: services.withdraw_gauge_study(found, by=request.user, **form.cleaned_data)
    ):
        return answer
    return render(request, "inspection/gauge_study_withdraw.html", {"study": found, "form": form})
