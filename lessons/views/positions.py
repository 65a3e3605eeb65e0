"""Pages of a mock-up's nominal assembly, of its scans and of the position reports."""

from typing import Any

import numpy as np
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe
from django.views.decorators.vary import vary_on_headers

from inspection.forms import RunAgainForm
from inspection.queries import usual_scanner
from inspection.upload import take_in
from lessons.forms import positions as forms
from lessons.models import Mockup, MockupScan, PlacedPart
from lessons.position_job import STAGES, enqueue
from lessons.position_table import LARGEST, Preview, as_text, preview
from lessons.queries import positions as queries
from lessons.queries.trials import mockup_or_404
from lessons.reading.positions import Report, spoken_reports, state_in_words
from lessons.services import positions as services
from metrology.positions.assembly_table import turns_from
from parts.acting import act_once, act_or_say, add_refusal, may
from parts.errors import Refusal
from parts.work import Progress, ask_again, ask_stop

FORM = ["GET", "HEAD", "POST"]
CONFIRM = "confirm"


@require_safe
@may("lessons.view_nominalassembly")
def assembly(request: HttpRequest, code: str) -> HttpResponse:
    mockup = mockup_or_404(request.kit, code)
    found = queries.current_assembly(mockup)
    rows = queries.parts_of(found) if found else []
    context = {"mockup": mockup, "assembly": found, "rows": [_placed(row) for row in rows]}
    return render(request, "lessons/position_assembly.html", context)


def _placed(row: PlacedPart) -> dict[str, Any]:
    matrix = np.array(row.matrix).reshape(4, 4)
    return {"part": row, "place": matrix[:3, 3].tolist(), "turns": turns_from(matrix[:3, :3])}


@require_http_methods(FORM)
@may("lessons.add_nominalassembly")
def import_assembly(request: HttpRequest, code: str) -> HttpResponse:
    mockup = mockup_or_404(request.kit, code)
    data = request.POST.copy() if request.method == "POST" else None
    form = forms.AssemblyForm(data, kit=request.kit)
    shown = _look_at(request, mockup, form) if data is not None else None
    if shown and CONFIRM in data and not shown.bad_rows:
        done = act_once(
            request,
            form,
            lambda: services.import_assembly(
                mockup,
                shown,
                unit=form.cleaned_data["unit"],
                convention=form.cleaned_data["convention"],
                source=form.cleaned_data["source"] or "pasted",
                by=request.user,
            ),
        )
        if done:
            return done
    return render(request, "lessons/position_import.html", {"mockup": mockup, "form": form, "preview": shown})


def _look_at(request: HttpRequest, mockup: Mockup, form: forms.AssemblyForm) -> Preview | None:
    try:
        if upload := request.FILES.get("file"):
            if upload.size > LARGEST:
                form.add_error("file", "The file is larger than 20\u00a0MB. A table of parts is small: check it.")
                return None
            # Into the text box with it, so that it stays there whatever comes next.
            form.data["text"] = as_text(upload.read(), upload.name)
            form.data["source"] = upload.name
        if not form.is_valid():
            return None
        clean = form.cleaned_data
        return preview(mockup, clean["text"], unit=clean["unit"], convention=clean["convention"])
    except Refusal as refusal:
        add_refusal(form, refusal)
        return None


@require_http_methods(FORM)
@may("lessons.add_mockupscan")
def scan_mockup(request: HttpRequest, code: str) -> HttpResponse:
    mockup = mockup_or_404(request.kit, code)
    context: dict[str, Any] = {"mockup": mockup}
    try:
        mockup.current_parts = queries.parts_of(services.refuse_without_assembly(mockup))
    except Refusal as refusal:
        return render(request, "lessons/position_scan.html", context | {"stopped": refusal.sentence})
    usual = {"instrument": usual_scanner(request.kit, request.user)}
    form = forms.MockupScanForm(request.POST or None, request.FILES or None, mockup=mockup, initial=usual)
    if request.method == "POST":
        answer = take_in(
            request, form, lambda **file: services.scan_mockup(mockup, by=request.user, **file, **form.asked())
        )
        if isinstance(answer, HttpResponse):
            return answer
        context["table"] = answer
    return render(request, "lessons/position_scan.html", context | {"form": form})


@require_safe
@vary_on_headers("HX-Request")
@may("lessons.view_mockupscan")
def position_report(request: HttpRequest, code: str) -> HttpResponse:
    """The whole page, or for htmx only the job while it is under way."""
    scan = queries.report_or_404(request.kit, code)
    fragment = request.htmx and not request.htmx.history_restore_request and request.GET.get("part") == "job"
    if fragment and not scan.under_way:  # it has ended meanwhile: the whole page has something to say
        return HttpResponse(status=204, headers={"HX-Refresh": "true"})
    mark, sentence, then = state_in_words(scan)
    context: dict[str, Any] = {"scan": scan, "mockup": scan.assembly.mockup, "mark": mark, "sentence": sentence}
    context |= {"then": then, "progress": Progress(scan, STAGES, timezone.now()) if scan.under_way else None}
    if fragment:
        return render(request, "lessons/_position_job.html", context)
    context["form"] = RunAgainForm(initial={"unit": scan.unit})
    context["report"] = Report(scan) if scan.state == MockupScan.State.DONE else None
    context["questions"] = scan.assembly.mockup.questions.select_related("kit").order_by("answered_at", "code")
    return render(request, "lessons/position_report.html", context)


@require_safe
@may("lessons.view_mockupscan")
def position_table(request: HttpRequest, code: str) -> HttpResponse:
    """The numbers of a finished report as CSV."""
    scan = queries.report_or_404(request.kit, code)
    if scan.state != MockupScan.State.DONE:
        return redirect(scan)
    answer = HttpResponse("\ufeff" + Report(scan).csv(), content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="{scan.code}-positions.csv"'
    return answer


@require_POST
@may("lessons.change_mockupscan")
def stop(request: HttpRequest, code: str) -> HttpResponse:
    scan = queries.report_or_404(request.kit, code)
    return act_or_say(request, lambda: ask_stop(scan, by=request.user), scan.get_absolute_url())


@require_POST
@may("lessons.change_mockupscan")
def again(request: HttpRequest, code: str) -> HttpResponse:
    scan = queries.report_or_404(request.kit, code)
    form = RunAgainForm(request.POST)
    unit = form.cleaned_data["unit"] if form.is_valid() else scan.unit
    return act_or_say(request, lambda: ask_again(scan, enqueue, by=request.user, unit=unit), scan.get_absolute_url())


@require_http_methods(FORM)
@may("lessons.change_mockupscan")
def withdraw(request: HttpRequest, code: str) -> HttpResponse:
    scan = queries.report_or_404(request.kit, code)
    form = forms.WithdrawReportForm(request.POST or None)
    done = act_once(request, form, lambda: services.withdraw_report(scan, by=request.user, **form.cleaned_data))
    context = {"scan": scan, "mockup": scan.assembly.mockup, "form": form}
    return done or render(request, "lessons/position_withdraw.html", context)


def panel(mockup: Mockup) -> dict[str, Any]:
    """What the page of a mock-up says of its assembly and its newest scans. Two queries."""
    return {
        "assembly": queries.current_assembly(mockup),
        "reports": spoken_reports(queries.reports_of(mockup)[:20]),
    }
