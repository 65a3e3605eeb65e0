"""Pages of the loops: will the series fit, what spoils it most, and what should be changed."""

from typing import Any

from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from parts.acting import act_once, may

from .closure import loop_or_404, loops_of, read_loops
from .closure_forms import ChangeForm, EndForm, LoopForm, Members
from .closure_models import ClosureLoop
from .closure_reading import LoopSheet, list_sentence
from .services import closure as services

# Each loop on the list is worked out when it is shown.
PAGE = 12
How = ClosureLoop.How
ROOM = {"room": "board"}
FORM = ["GET", "HEAD", "POST"]


@require_safe
@may("inspection.view_closureloop")
def loops(request: HttpRequest) -> HttpResponse:
    """Loops that count first, with their answers; ended ones only by name."""
    rows = loops_of(request.kit)
    page = Paginator(rows.filter(ended_at__isnull=True), PAGE).get_page(request.GET.get("page"))
    read = read_loops(list(page))
    sheets = [LoopSheet(read[loop.pk, None]) for loop in page]
    word, sentence = list_sentence(sheets)
    context = {"page": page, "sheets": sheets, "word": word, "sentence": sentence, "hows": How.choices,
               "ended": rows.filter(ended_at__isnull=False), **ROOM}  # fmt: skip
    return render(request, "inspection/loops.html", context)


@require_safe
@may("inspection.view_closureloop")
def loop(request: HttpRequest, code: str) -> HttpResponse:
    """The answer as it is; with a change in the address, both side by side. Nothing is saved."""
    found = loop_or_404(request.kit, code)
    read = read_loops([found])[found.pk, None]
    sheet = LoopSheet(read)
    form = ChangeForm(_asked(request, found), loop=found, rows=read.rows, can_match=sheet.can_match)
    if form.is_valid():
        said = form.cleaned_data
        sheet = LoopSheet(
            read,
            changes=form.changes,
            fixed=said["built"] == ClosureLoop.Built.FIXED if said.get("built") else None,
            match=bool(said.get("matched")),
            wanted=float(said["wanted"]) / 100,
        )
    return render(request, "inspection/loop.html", {"loop": found, "sheet": sheet, "form": form, **ROOM})


def _asked(request: HttpRequest, found: ClosureLoop) -> dict[str, str]:
    """What is tried, with starting values for what was left out."""
    asked = {name: request.GET[name][:60] for name in request.GET}
    return {"built": found.built} | asked | {"wanted": asked.get("wanted") or "95"}


@require_http_methods(FORM)
@may("inspection.add_closureloop")
def add_loop(request: HttpRequest) -> HttpResponse:
    how = request.POST.get("how") or request.GET.get("how") or How.ROW
    if how not in How.values:
        return redirect(reverse("inspection:add-loop", args=[request.kit.code]))
    data = request.POST or None
    form = LoopForm(data, kit=request.kit, how=how)
    members = Members(data, kit=request.kit, how=how)
    answer = _save(request, form, members, lambda: services.add_loop(
        request.kit, by=request.user, how=how, members=members.said(), **form.cleaned_data
    ))  # fmt: skip
    return answer or render(request, "inspection/loop_form.html", _form_context(form, members, how))


@require_http_methods(FORM)
@may("inspection.change_closureloop")
def change_loop(request: HttpRequest, code: str) -> HttpResponse:
    found = loop_or_404(request.kit, code)
    data = request.POST or None
    columns = [name for name in LoopForm.base_fields if name != "interface"]
    initial = {name: getattr(found, name) for name in columns} | {"interface": found.interface_id}
    form = LoopForm(data, kit=request.kit, how=found.how, initial=initial)
    members = Members(data, kit=request.kit, how=found.how, loop=found)
    answer = _save(request, form, members, lambda: services.change_loop(
        found, by=request.user, members=members.said(), **form.cleaned_data
    ))  # fmt: skip
    return answer or render(
        request, "inspection/loop_form.html", _form_context(form, members, found.how) | {"loop": found}
    )


@require_http_methods(FORM)
@may("inspection.change_closureloop")
def end_loop(request: HttpRequest, code: str) -> HttpResponse:
    found = loop_or_404(request.kit, code)
    form = EndForm(request.POST or None)
    answer = act_once(request, form, lambda: services.end_loop(found, by=request.user, **form.cleaned_data))
    return answer or render(request, "inspection/loop_end.html", {"loop": found, "form": form, **ROOM})


def _save(request: HttpRequest, form: LoopForm, members: Members, act: Any) -> HttpResponse | None:
    """Only the button that saves saves; "more rows" shows the form again with what was typed."""
    if request.method != "POST" or "more" in request.POST:
        if request.method == "POST":  # nothing is wrong yet with what is not finished
            for one in (form, *members.rows):
                one.errors.clear()
        return None
    good = members.is_valid()
    if not good:
        form.is_valid()
        form.add_error(None, "A row of the dimensions is not complete: see beside it.")
        return None
    return act_once(request, form, act)


def _form_context(form: LoopForm, members: Members, how: str) -> dict[str, Any]:
    return {"form": form, "members": members, "how": how, "hows": How.choices, "how_words": How(how).label, **ROOM}
