"""Pages of trials: the list, the tablet while one runs, and the sheet of a revision."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from lessons import services, what_if
from lessons.forms import trials as forms
from lessons.models import FitCheck, Lesson, Trial, TrialPiece
from lessons.queries import positions
from lessons.queries import trials as queries
from lessons.queries.lessons import photos_of
from lessons.reading.lessons import shots
from lessons.reading.positions import spoken_reports
from lessons.reading.trials import Gap, gap_in_words, limits_here, span_said, stands_for, trial_in_words
from parts.acting import act_once, act_or_say, form_page, may
from parts.errors import Refusal
from parts.models import Interface, Revision
from parts.queries import revision_or_404

from .paging import page_of

FORM = ["GET", "HEAD", "POST"]


@require_safe
@may("lessons.view_trial")
def trials(request: HttpRequest) -> HttpResponse:
    page = page_of(request, queries.trials_for_list(request.kit))
    for row in page:
        row.spoken = trial_in_words(row, timezone.now())
    return render(request, "lessons/trials.html", {"page": page})


@require_http_methods(FORM)
@may("lessons.add_trial")
def begin(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.mockup_or_404(request.kit, code)
    form = forms.BeginForm(request.POST or None, mockup=found)

    def act() -> Trial:
        data = {name: form.cleaned_data[name] for name in ("conditions", "crew", "started_at")}
        return services.log_trial(found, pieces=form.chosen(), by=request.user, **data)

    return form_page(request, form, act, template="lessons/begin.html", context={"mockup": found})


@require_safe
@may("lessons.view_trial")
def trial(request: HttpRequest, code: str) -> HttpResponse:
    """The whole page, or for htmx only the clock of the step that is under way."""
    found = queries.trial_or_404(request.kit, code)
    if request.GET.get("part") == "clock" and request.htmx and not request.htmx.history_restore_request:
        if found.ended_at:  # it has ended meanwhile: the whole page has something to say
            return HttpResponse(status=204, headers={"HX-Refresh": "true"})
        return render(request, "lessons/_clock.html", {"trial": found, **_clock(found, timezone.now())})
    return _trial_page(request, found)


@dataclass(frozen=True)
class JointRow:
    """One interface on the page of a trial: its limits at this size, its gaps, and the form for the next."""

    interface: Interface
    here: bool
    limits: str
    gaps: tuple[Gap, ...]
    form: Form | None

    @property
    def folded(self) -> bool:
        """Whether the form is out of the way: the other part does not stand in this trial."""
        return not (self.here or self.gaps or self.form.is_bound)


def _trial_page(request: HttpRequest, found: Trial, **bound: Form) -> HttpResponse:
    """bound: a form that was sent and refused, by "step", "piece", "note" or "gap"."""
    at = timezone.now()
    running = found.ended_at is None
    context: dict[str, Any] = {
        "trial": found,
        "mockup": found.mockup,
        "spoken": trial_in_words(found, at),
        "joints": _joints(request, found, bound.get("gap")),
        "shots": shots(photos_of(found)),
        "lessons": Lesson.objects.filter(seen_in_trial=found).select_related("kit").order_by("code"),
        "answers": found.answers.select_related("kit").order_by("code"),
        "reports": spoken_reports(positions.reports().filter(trial=found).defer("figures")[:10]),
    }
    if running:
        note = {name: getattr(found, name) for name in ("conditions", "crew", "went_wrong")}
        context |= {
            **_clock(found, at),
            "step_form": bound.get("step") or forms.StepForm(initial={"text": queries.usual_step(found)}),
            "step_texts": queries.step_texts(found.mockup),
            "piece_form": bound.get("piece") or forms.PieceForm(trial=found),
            "note_form": bound.get("note") or forms.NoteForm(initial=note),
        }
    else:
        context["what_if"] = what_if.of_trial(found)
    template = "lessons/trial_running.html" if running else "lessons/trial.html"
    return render(request, template, context)


def _clock(trial: Trial, at: datetime) -> dict[str, Any]:
    steps = trial.steps.all()
    last = steps[len(steps) - 1] if steps else None
    since = last.done_at if last else trial.started_at
    return {"last_step": last, "since": since, "passed": span_said(at - since), "next_number": len(steps) + 1}


def _joints(request: HttpRequest, trial: Trial, bound: Form | None) -> list[JointRow]:
    scale = float(trial.mockup.scale)
    may_measure = trial.ended_at is None and request.user.has_perm("lessons.add_fitcheck")
    instruments = queries.instruments_for_gaps(trial.kit) if may_measure else []
    usual = queries.usual_instrument(trial, request.user) if may_measure else None
    rows = []
    for joint in queries.joints(trial):
        form = None
        if may_measure:
            form = bound if bound and bound.prefix == joint.interface.code else None
            form = form or forms.GapForm(
                interface=joint.interface, instruments=instruments, initial={"instrument": usual}
            )
        gaps = tuple(gap_in_words(check, scale) for check in joint.checks)
        rows.append(JointRow(joint.interface, joint.here, limits_here(joint.interface, scale), gaps, form))
    return rows


@require_http_methods(["POST"])
@may("lessons.add_step")
def step(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.trial_or_404(request.kit, code)
    form = forms.StepForm(request.POST)

    def act() -> Any:
        return services.log_step(found, by=request.user, **form.cleaned_data)

    url = found.get_absolute_url() + "#steps"
    return act_once(request, form, act, lambda _: url) or _trial_page(request, found, step=form)


@require_http_methods(["POST"])
@may("lessons.add_fitcheck")
def gap(request: HttpRequest, code: str, interface: str) -> HttpResponse:
    """Log a gap; with ?say only say what it would be judged, for htmx while somebody types."""
    found = queries.trial_or_404(request.kit, code)
    joint = get_object_or_404(Interface, kit=request.kit, code=interface)
    form = forms.GapForm(request.POST, interface=joint, instruments=queries.instruments_for_gaps(request.kit))
    if "say" in request.GET:
        return render(request, "lessons/_gap_says.html", _said(found, joint, form))

    def act() -> FitCheck:
        return services.log_fit_check(found, joint, by=request.user, **form.cleaned_data)

    url = f"{found.get_absolute_url()}#{joint.code}"
    return act_once(request, form, act, lambda _: url) or _trial_page(request, found, gap=form)


def _said(trial: Trial, interface: Interface, form: forms.GapForm) -> dict[str, Any]:
    """The verdict of what stands in the form, without logging anything."""
    if not form.is_valid():
        typed = form.data.get(form.add_prefix("gap"))
        return {"wrong": next(iter(form.errors.get("gap", [])), "") if typed else ""}
    data = form.cleaned_data
    measured_with = {name: data[name] for name in ("instrument", "uncertainty")}
    try:
        fit, _ = services.judge(trial, interface, data["gap"], **measured_with)
    except Refusal as refusal:
        return {"wrong": refusal.sentence}
    scale = float(trial.mockup.scale)
    return {"fit": fit, "stands_for": "" if scale == 1 else stands_for(fit.gap, scale)}


@require_http_methods(FORM)
@may("lessons.change_fitcheck")
def take_out_gap(request: HttpRequest, code: str, pk: int) -> HttpResponse:
    found = queries.trial_or_404(request.kit, code)
    check = get_object_or_404(queries.fit_checks(), trial=found, pk=pk)
    check.trial = found
    form = forms.ReasonForm(request.POST or None)
    return form_page(
        request,
        form,
        lambda: services.take_out_fit_check(check, by=request.user, **form.cleaned_data),
        template="lessons/take_out_gap.html",
        context={"trial": found, "check": check, "mockup": found.mockup},
    )


@require_http_methods(["POST"])
@may("lessons.add_trialpiece")
def piece(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.trial_or_404(request.kit, code)
    form = forms.PieceForm(request.POST, trial=found)

    def act() -> TrialPiece:
        return services.add_piece(found, form.cleaned_data["piece"], place=form.cleaned_data["place"], by=request.user)

    url = found.get_absolute_url() + "#pieces"
    return act_once(request, form, act, lambda _: url) or _trial_page(request, found, piece=form)


@require_http_methods(["POST"])
@may("lessons.change_trialpiece")
def take_out_piece(request: HttpRequest, code: str, pk: int) -> HttpResponse:
    found = queries.trial_or_404(request.kit, code)
    row = get_object_or_404(TrialPiece.objects.select_related("cast", "revision__component"), trial=found, pk=pk)
    row.trial = found
    url = found.get_absolute_url() + "#pieces"
    return act_or_say(request, lambda: services.take_out_piece(row, by=request.user), url)


@require_http_methods(["POST"])
@may("lessons.change_trial")
def note(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.trial_or_404(request.kit, code)
    form = forms.NoteForm(request.POST)

    def act() -> Trial:
        return services.change_trial(found, by=request.user, **form.cleaned_data)

    return act_once(request, form, act) or _trial_page(request, found, note=form)


@require_http_methods(FORM)
@may("lessons.change_trial")
def end(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.trial_or_404(request.kit, code)
    usual = {"ended_at": timezone.now(), "went_wrong": found.went_wrong}
    form = forms.EndForm(request.POST or None, initial=usual)
    context = {
        "trial": found,
        "mockup": found.mockup,
        "spoken": trial_in_words(found, timezone.now()),
        "unmeasured": [joint.interface for joint in queries.joints(found) if joint.here and not joint.checks],
    }
    return form_page(
        request,
        form,
        lambda: services.end_trial(found, by=request.user, **form.cleaned_data),
        template="lessons/end.html",
        context=context,
    )


@require_safe
@may("lessons.view_trial")
def revision_trials(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    """Trials in which a piece of this revision stood: gaps by interface, the model and full size apart."""
    revision = revision_or_404(request.kit, part_number, letter)
    found = queries.trials_of(revision)
    for row in found:
        row.spoken = trial_in_words(row, timezone.now())
    sizes = [Size.of(revision, found, full) for full in (True, False)]
    context = {"revision": revision, "sizes": sizes, "room": "parts"}
    return render(request, "lessons/revision_trials.html", context)


@dataclass(frozen=True)
class Size:
    """The trials of a revision at full size or on a model, and every interface with the gaps that count."""

    full: bool
    trials: list[Trial]
    joints: list[tuple[Interface, list[Gap]]]

    @classmethod
    def of(cls, revision: Revision, trials: list[Trial], full: bool) -> "Size":
        own = [row for row in trials if row.mockup.is_full_size == full]
        joints = [
            (joint.interface, [gap_in_words(check, float(check.trial.mockup.scale)) for check in joint.newest])
            for joint in queries.tried(revision.component, own)
        ]
        return cls(full, own, joints)
