"""Pages of lessons: from what was seen to what proves its fix."""

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_http_methods, require_safe

from lessons import services
from lessons.forms import lessons as forms
from lessons.models import Lesson, Sighting
from lessons.photos import add_photo
from lessons.queries import lessons as queries
from lessons.reading.lessons import said_in_full, shots, standing
from parts.acting import act_once, form_page, may
from parts.queries import revision_or_404

from .paging import page_of

PAGE = 100
FORM = ["GET", "HEAD", "POST"]
WORDS = 600  # of an address, to begin a text with


@require_safe
@may("lessons.view_lesson")
def lesson_list(request: HttpRequest) -> HttpResponse:
    """The list; beside it on a desk the first of them."""
    context = _list(request)
    first = next(iter(context["rows"]), None)
    detail = _detail(first["lesson"]) if first else {}
    return render(request, "lessons/list.html", context | detail)


@require_safe
@may("lessons.view_lesson")
def lesson(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.lesson_or_404(request.kit, code)
    return render(request, "lessons/lesson.html", _list(request) | _detail(found))


def _list(request: HttpRequest) -> dict[str, Any]:
    show = request.GET.get("show", "all")
    show = show if show in queries.SHOWN else "all"
    page = page_of(request, queries.filtered(queries.lessons_of(request.kit), show))
    return {
        "page": page,
        "rows": [{"lesson": row, "standing": standing(row)} for row in page],
        "show": show,
        "how_many": queries.how_many(request.kit),
        "query": f"show={show}&" if show != "all" else "",
    }


def _detail(lesson: Lesson) -> dict[str, Any]:
    return {
        "lesson": lesson,
        "spoken": said_in_full(lesson),
        "standing": standing(lesson),
        "sightings": queries.sightings_of(lesson),
        "shots": shots(queries.photos_of(lesson)),
    }


@require_http_methods(FORM)
@may("lessons.add_lesson")
def write(request: HttpRequest) -> HttpResponse:
    form = forms.WriteForm(
        request.POST or None, request.FILES or None, kit=request.kit, initial=_known(request, request.kit)
    )

    def act() -> Lesson:
        return services.write_lesson(request.kit, by=request.user, **form.cleaned_data)

    if answer := act_once(request, form, act):
        return answer
    if form.is_bound:
        form.ask_for_photos_again()
    return render(request, "lessons/write.html", {"form": form})


def _known(request: HttpRequest, kit: Any) -> dict[str, Any]:
    """What the page one came from knows already: ?part=, ?cast=, ?trial=, and words to begin with."""
    known: dict[str, Any] = {"owner": request.user}
    known |= {name: request.GET[name][:WORDS] for name in ("title", "what_happened", "action") if name in request.GET}
    asked = request.GET
    if cast := kit.casts.select_related("revision").filter(serial=asked.get("cast", "")).first():
        known |= {"cast": cast, "component": cast.revision.component_id}
    if trial := kit.trials.filter(code=asked.get("trial", "")).first():
        known["seen_in_trial"] = trial
    if part := kit.components.filter(part_number=asked.get("part", "")).first():
        known["component"] = part
    return known


@require_http_methods(FORM)
@may("lessons.change_lesson")
def change(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.lesson_or_404(request.kit, code)
    initial = {name: getattr(found, name) for name in forms.ChangeForm.base_fields}
    form = forms.ChangeForm(request.POST or None, kit=request.kit, initial=initial)

    def act() -> Lesson:
        return services.change_lesson(found, by=request.user, **form.cleaned_data)

    return form_page(request, form, act, template="lessons/change.html", context=_head(found))


@require_http_methods(FORM)
@may("lessons.prove_lesson")
def prove(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.lesson_or_404(request.kit, code)
    form = forms.ProveForm(request.POST or None, kit=request.kit)

    def act() -> Lesson:
        return services.prove_lesson(found, by=request.user, **form.cleaned_data)

    return form_page(request, form, act, template="lessons/prove.html", context=_head(found))


@require_http_methods(FORM)
@may("lessons.prove_lesson")
def withdraw_proof(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.lesson_or_404(request.kit, code)
    form = forms.WithdrawProofForm(request.POST or None)

    def act() -> Lesson:
        return services.withdraw_proof(found, by=request.user, **form.cleaned_data)

    return form_page(request, form, act, template="lessons/withdraw_proof.html", context=_head(found))


@require_http_methods(FORM)
@may("lessons.add_sighting")
def seen(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.lesson_or_404(request.kit, code)
    form = forms.SeenForm(request.POST or None, request.FILES or None, kit=request.kit)

    def act() -> Sighting:
        data = dict(form.cleaned_data)
        photos = data.pop("photos")
        sighting = services.log_sighting(found, by=request.user, **data)
        for photo in photos:
            add_photo(found, file=photo, caption=sighting.note, by=request.user)
        return sighting

    if answer := act_once(request, form, act, lambda _: found.get_absolute_url()):
        return answer
    if form.is_bound:
        form.ask_for_photos_again()
    return render(request, "lessons/seen.html", _head(found) | {"form": form})


def _head(lesson: Lesson) -> dict[str, Any]:
    return {"lesson": lesson, "standing": standing(lesson)}


@require_safe
@may("lessons.view_lesson")
def revision_lessons(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = revision_or_404(request.kit, part_number, letter)
    rows = queries.lessons_for_revision(revision)
    context = {
        "revision": revision,
        "room": "parts",
        "rows": [{"lesson": row, "standing": standing(row)} for row in rows],
        "sightings": queries.sightings_on(revision),
        "questions": queries.questions_about(revision),
    }
    return render(request, "lessons/revision_lessons.html", context)
