"""Pages of casting: what was poured, in what, of what, and what is wrong with it."""

from typing import Any
from urllib.parse import urlencode

from django.core.paginator import Paginator
from django.db import models
from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from parts.acting import act_once, may
from parts.models import Component, Revision
from parts.queries import revision_or_404

from . import forms, queries, services, what_if
from .hooks import rendered_mould_panels, rendered_panels
from .models import Cast, Nonconformity
from .reading import cast_in_words, strength_in_words

PAGE = 100
SAME_IN_A_CORRECTION = ("revision", "kind", "pull", "scale_x", "scale_y", "scale_z")


def _page(request: HttpRequest, rows: models.QuerySet) -> Any:
    return Paginator(rows, PAGE).get_page(request.GET.get("page"))


@require_safe
@may("casting.view_cast")
def casts(request: HttpRequest) -> HttpResponse:
    rows = queries.casts_with_facts().filter(kit=request.kit)
    standing = request.GET.get("standing", "")
    if standing in Cast.Standing.values:
        rows = rows.filter(standing=standing)
    query = f"{urlencode({'standing': standing})}&" if standing else ""
    standings = Cast.Standing.choices
    context = {"page": _page(request, rows), "standing": standing, "standings": standings, "query": query}
    return render(request, "casting/casts.html", context)


@require_safe
@may("casting.view_cast")
def cast(request: HttpRequest, serial: str) -> HttpResponse:
    piece = queries.cast_or_404(request.kit, serial)
    context = {
        "cast": piece,
        "revision": piece.revision,
        "spoken": cast_in_words(piece, timezone.now()),
        "nonconformities": piece.nonconformities.select_related("found_by", "decided_by", "kit"),
        "strength_tests": piece.batch.strength_tests.all() if piece.batch else [],
        "panels": rendered_panels(request, piece),
        "what_if": what_if.of_cast(piece),
    }
    return render(request, "casting/cast.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@may("casting.add_cast")
def log_cast(request: HttpRequest) -> HttpResponse:
    component = _chosen_component(request)
    components = queries.components_to_cast(request.kit)
    if component is None:
        return render(request, "casting/log_cast.html", {"components": components, "component": None})
    form = forms.CastForm(request.POST or None, component=component)

    def act() -> Cast:
        data = form.cleaned_data
        batch = form.chosen_batch
        if data["batch"] == forms.NEW_BATCH:
            made = {name: data[name] for name in ("mix_design", "water_binder", "slump", "air_temperature")}
            batch = services.NewBatch(**made)
        given = {name: data[name] for name in ("mould", "serial", "poured_at", "mass", "defects", "place")}
        return services.log_cast(data["revision"], by=request.user, batch=batch, **given)

    if answer := act_once(request, form, act):
        return answer
    return render(request, "casting/log_cast.html", {"components": components, "component": component, "form": form})


def _chosen_component(request: HttpRequest) -> Component | None:
    """The part named in the address, else what this person cast last; only parts that may be cast to."""
    components = queries.components_to_cast(request.kit)
    if number := request.POST.get("part") or request.GET.get("part"):
        return get_object_or_404(components, part_number=number)
    last = queries.last_component(request.kit, request.user)
    return components.filter(pk=last.pk).first() if last else components.first()


@require_http_methods(["GET", "HEAD", "POST"])
@may("casting.change_cast")
def demould(request: HttpRequest, serial: str) -> HttpResponse:
    piece = queries.cast_or_404(request.kit, serial)
    usual = {"demoulded_at": timezone.now(), "defects": piece.defects, "mass": piece.mass, "place": piece.place}
    form = forms.DemouldForm(request.POST or None, initial=usual)
    if answer := act_once(request, form, lambda: services.log_demould(piece, by=request.user, **form.cleaned_data)):
        return answer
    return render(request, "casting/demould.html", {"cast": piece, "revision": piece.revision, "form": form})


@require_http_methods(["GET", "HEAD", "POST"])
@may("casting.change_cast")
def correct(request: HttpRequest, serial: str) -> HttpResponse:
    piece = queries.cast_or_404(request.kit, serial)
    usual = {"defects": piece.defects, "mass": piece.mass, "place": piece.place}
    form = forms.CorrectForm(request.POST or None, initial=usual)
    if answer := act_once(request, form, lambda: services.correct_cast(piece, by=request.user, **form.cleaned_data)):
        return answer
    return render(request, "casting/correct.html", {"cast": piece, "revision": piece.revision, "form": form})


@require_http_methods(["GET", "HEAD", "POST"])
@may("casting.change_cast")
def move(request: HttpRequest, serial: str) -> HttpResponse:
    piece = queries.cast_or_404(request.kit, serial)
    form = forms.MoveForm(request.POST or None, initial={"standing": piece.standing, "place": piece.place})

    def act() -> Cast:
        data = form.cleaned_data
        return services.move_cast(piece, by=request.user, to=data["standing"], place=data["place"])

    if answer := act_once(request, form, act):
        return answer
    return render(request, "casting/move.html", {"cast": piece, "revision": piece.revision, "form": form})


@require_http_methods(["GET", "HEAD", "POST"])
@may("casting.add_nonconformity")
def report(request: HttpRequest, serial: str) -> HttpResponse:
    piece = queries.cast_or_404(request.kit, serial)
    form = forms.ReportForm(request.POST or None, initial={"found_at": timezone.now(), "place": piece.place})
    if answer := act_once(
        request, form, lambda: services.report_nonconformity(piece, by=request.user, **form.cleaned_data)
    ):
        return answer
    return render(request, "casting/report.html", {"cast": piece, "revision": piece.revision, "form": form})


@require_safe
@may("casting.view_nonconformity")
def nonconformities(request: HttpRequest) -> HttpResponse:
    return render(
        request, "casting/nonconformities.html", {"page": _page(request, queries.nonconformities_of(request.kit))}
    )


@require_safe
@may("casting.view_nonconformity")
def nonconformity(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.nonconformity_or_404(request.kit, code)
    return render(
        request,
        "casting/nonconformity.html",
        {"nonconformity": found, "cast": found.cast, "revision": found.cast.revision},
    )


@require_http_methods(["GET", "HEAD", "POST"])
@may("casting.decide_nonconformity")
def decide(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.nonconformity_or_404(request.kit, code)
    form = forms.DecideForm(request.POST or None)

    def act() -> Nonconformity:
        return services.decide_nonconformity(found, by=request.user, **form.cleaned_data)

    if answer := act_once(request, form, act):
        return answer
    context = {"nonconformity": found, "cast": found.cast, "revision": found.cast.revision, "form": form}
    return render(request, "casting/decide.html", context)


@require_safe
@may("casting.view_mould")
def moulds(request: HttpRequest) -> HttpResponse:
    return render(request, "casting/moulds.html", {"page": _page(request, queries.moulds_of(request.kit))})


@require_safe
@may("casting.view_mould")
def mould(request: HttpRequest, code: str) -> HttpResponse:
    return _mould_page(request, code, None)


def _mould_page(request: HttpRequest, code: str, form: Form | None) -> HttpResponse:
    found = queries.mould_or_404(request.kit, code)
    context = {
        "mould": found,
        "revision": found.revision,
        "page": _page(request, queries.casts_with_facts().filter(mould=found)),
        "corrected_by": found.corrected_by.select_related("kit"),
        "form": form or forms.MouldStateForm(initial={"state": found.state}),
        "panels": rendered_mould_panels(request, found),
    }
    return render(request, "casting/mould.html", context)


@require_http_methods(["POST"])
@may("casting.change_mould")
def mould_state(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.mould_or_404(request.kit, code)
    form = forms.MouldStateForm(request.POST)

    def act() -> models.Model:
        data = form.cleaned_data
        return services.change_mould_state(found, to=data["state"], reason=data["reason"], by=request.user)

    return act_once(request, form, act) or _mould_page(request, code, form)


@require_http_methods(["GET", "HEAD", "POST"])
@may("casting.add_mould")
def log_mould(request: HttpRequest) -> HttpResponse:
    usual = {}
    if code := request.GET.get("corrects"):
        before = queries.mould_or_404(request.kit, code)
        usual = {"corrects": before} | {name: getattr(before, name) for name in SAME_IN_A_CORRECTION}
    form = forms.MouldForm(request.POST or None, kit=request.kit, initial=usual)

    def act() -> models.Model:
        data = dict(form.cleaned_data)
        scale = tuple(data.pop(f"scale_{axis}") for axis in "xyz")
        return services.log_mould(data.pop("revision"), by=request.user, scale=scale, **data)

    if answer := act_once(request, form, act):
        return answer
    return render(request, "casting/log_mould.html", {"form": form})


@require_safe
@may("casting.view_batch")
def batches(request: HttpRequest) -> HttpResponse:
    return render(request, "casting/batches.html", {"page": _page(request, queries.batches_of(request.kit))})


@require_safe
@may("casting.view_batch")
def batch(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.batch_or_404(request.kit, code)
    page = _page(request, queries.casts_with_facts().filter(batch=found))
    tests = list(found.strength_tests.select_related("logged_by"))
    context = {
        "batch": found,
        "page": page,
        "strength_tests": tests,
        "what_if": what_if.of_batch(found, tests, page.object_list),
    }
    return render(request, "casting/batch.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@may("casting.add_batch")
def log_batch(request: HttpRequest) -> HttpResponse:
    last = queries.batches_of(request.kit).first()
    usual = {"mixed_at": timezone.now(), "mix_design": last.mix_design if last else ""}
    form = forms.BatchForm(request.POST or None, initial=usual)
    if answer := act_once(request, form, lambda: services.log_batch(request.kit, by=request.user, **form.cleaned_data)):
        return answer
    return render(request, "casting/log_batch.html", {"form": form})


@require_http_methods(["GET", "HEAD", "POST"])
@may("casting.add_strengthtest")
def log_strength(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.batch_or_404(request.kit, code)
    tests = found.strength_tests.select_related("logged_by")
    usual = {"tested_on": timezone.localdate(), "label": f"{found.code}-{len(tests) + 1}"}
    if tests:
        usual["specimen"] = tests[len(tests) - 1].specimen
    form = forms.StrengthForm(request.POST or None, initial=usual)

    def act() -> models.Model:
        return services.log_strength_test(found, by=request.user, **form.cleaned_data)

    if answer := act_once(request, form, act, lambda _: found.get_absolute_url()):
        return answer
    return render(request, "casting/log_strength.html", {"batch": found, "form": form, "strength_tests": tests})


@require_safe
@may("casting.view_cast")
def revision_casts(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision: Revision = revision_or_404(request.kit, part_number, letter)
    tests = list(queries.strength_tests_for(revision))
    context = {
        "revision": revision,
        "page": _page(request, queries.casts_with_facts().filter(revision=revision)),
        "moulds": queries.moulds_of(request.kit).filter(revision=revision),
        "strength_tests": tests,
        "strength": strength_in_words(revision, tests),
    }
    return render(request, "casting/revision_casts.html", context)
