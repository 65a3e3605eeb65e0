"""Pages of casts compared and of mould correction."""

from typing import Any

from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe
from django.views.decorators.vary import vary_on_headers

from casting.queries import mould_or_404
from parts.acting import act_once, act_or_say, may
from parts.queries import revision_or_404
from parts.work import ask_stop

from .compared import compared_of, corrections_of, corrections_with_facts, group_for, groups_of
from .compared_reading import CorrectionReading, MouldSheet
from .correction_forms import CorrectForm, MouldMadeForm
from .models import MouldCorrection
from .services import mould_correction as services

PAGE = 100
ENDED = {"HX-Refresh": "true"}


def _asked_part(request: HttpRequest) -> str | None:
    return request.GET.get("part") if request.htmx and not request.htmx.history_restore_request else None


@require_safe
@vary_on_headers("HX-Request")
@may("inspection.view_castscompared")
def casts_compared(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    """Mean beside scatter for each mould; for htmx the progress or the maps of one mould."""
    revision = revision_or_404(request.kit, part_number, letter)
    rows, groups = compared_of(revision), groups_of(revision)
    now, view = timezone.now(), request.GET.get("view", "")
    known = {group.mould and group.mould.pk for group in groups}
    sheets = [MouldSheet(group, rows.get(group.mould and group.mould.pk), now, view) for group in groups]
    sheets += [MouldSheet(None, row, now, view) for pk, row in rows.items() if pk not in known]
    context: dict[str, Any] = {"revision": revision}
    if part := _asked_part(request):
        sheet = next((sheet for sheet in sheets if sheet.code == request.GET.get("mould", "")), None)
        if part == "job" and (sheet is None or sheet.progress is None):
            return HttpResponse(status=204, headers=ENDED)
        template = "inspection/_compared_job.html" if part == "job" else "inspection/_compared_maps.html"
        return render(request, template, context | {"sheet": sheet})
    corrections = list(corrections_of(revision))
    context |= {"mould_sheets": sheets, "main_sheet": _main(sheets), "corrections": corrections}
    return render(request, "inspection/compared.html", context)


def _main(sheets: list[MouldSheet]) -> MouldSheet | None:
    """The sheet whose sentence stands at the head: of the mould that was poured last, if it was compared."""
    done = [sheet for sheet in sheets if sheet.done]
    return done[-1] if done else None


@require_http_methods(["POST"])
@may("inspection.add_castscompared")
def compare_casts(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = revision_or_404(request.kit, part_number, letter)
    code = request.POST.get("mould", "")
    mould = mould_or_404(request.kit, code) if code else None
    url = reverse("inspection:casts-compared", args=revision.url_args())
    return act_or_say(request, lambda: services.compare_casts(revision, mould, by=request.user), url)


@require_http_methods(["POST"])
@may("inspection.add_castscompared")
def stop_comparing(request: HttpRequest, part_number: str, letter: str, pk: int) -> HttpResponse:
    revision = revision_or_404(request.kit, part_number, letter)
    row = get_object_or_404(revision.casts_compared, pk=pk)
    return act_or_say(request, lambda: ask_stop(row, by=request.user), row.get_absolute_url())


@require_safe
@may("inspection.view_mouldcorrection")
def corrections(request: HttpRequest) -> HttpResponse:
    rows = corrections_with_facts().filter(kit=request.kit)
    page = Paginator(rows, PAGE).get_page(request.GET.get("page"))
    return render(request, "inspection/corrections.html", {"page": page})


@require_safe
@vary_on_headers("HX-Request")
@may("inspection.view_mouldcorrection")
def correction(request: HttpRequest, code: str) -> HttpResponse:
    """What a correction changes, what is foretold and what it brought; for htmx the progress or the maps."""
    found = get_object_or_404(corrections_with_facts(), kit=request.kit, code=code)
    effect = found.effects.order_by("-asked_at", "-pk").first()
    reading = CorrectionReading(found, effect, timezone.now(), request.GET.get("view", ""))
    context: dict[str, Any] = {"correction": found, "revision": found.revision, "reading": reading}
    part = _asked_part(request)
    if part == "job" and reading.progress is None and reading.finding is None:
        return HttpResponse(status=204, headers=ENDED)
    if part:
        template = "inspection/_correction_job.html" if part == "job" else "inspection/_correction_maps.html"
        return render(request, template, context)
    if found.made_id:
        group = group_for(found.made.revision, found.made, found.nominal)
        context |= {"new_casts": group.scans, "new_evidence": not effect or effect.evidence != group.evidence}
    return render(request, "inspection/correction.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@may("inspection.correct_mould")
def correct_mould(request: HttpRequest, code: str) -> HttpResponse:
    mould = mould_or_404(request.kit, code)
    revision = mould.revision
    group = group_for(revision, mould)
    form = CorrectForm(request.POST or None, group=group, revision=revision)
    context = {"mould": mould, "revision": revision, "group": group, "form": form}
    if not group.scans and request.method != "POST":
        return render(request, "inspection/correct_mould.html", context)

    def act() -> MouldCorrection:
        return services.work_out_correction(mould, revision, by=request.user, **form.cleaned_data)

    return act_once(request, form, act) or render(request, "inspection/correct_mould.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@may("inspection.correct_mould")
def mould_made(request: HttpRequest, code: str) -> HttpResponse:
    found = get_object_or_404(corrections_with_facts(), kit=request.kit, code=code)
    form = MouldMadeForm(request.POST or None)

    def act() -> MouldCorrection:
        return services.log_mould_made(found, by=request.user, **form.cleaned_data)

    context = {"correction": found, "revision": found.revision, "form": form}
    return act_once(request, form, act) or render(request, "inspection/mould_made.html", context)


@require_http_methods(["POST"])
@may("inspection.correct_mould")
def find_effect(request: HttpRequest, code: str) -> HttpResponse:
    found = get_object_or_404(corrections_with_facts(), kit=request.kit, code=code)
    return act_or_say(request, lambda: services.find_effect(found, by=request.user), found.get_absolute_url())


@require_http_methods(["POST"])
@may("inspection.correct_mould")
def stop_correction(request: HttpRequest, code: str) -> HttpResponse:
    """Stops the correction, or the search for what it brought, whichever is under way."""
    found = get_object_or_404(corrections_with_facts(), kit=request.kit, code=code)
    work = found if found.under_way else found.effects.order_by("-asked_at", "-pk").first() or found
    return act_or_say(request, lambda: ask_stop(work, by=request.user), found.get_absolute_url())
