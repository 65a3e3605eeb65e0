"""The gate sheet of a revision and the acts of release."""

from typing import Any

from django.db.models import Model
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from casting.models import Batch, Cast, Mould
from parts.acting import act_or_say, form_page, may
from parts.models import Component
from parts.queries import revision_or_404

from . import queries, services
from .forms import ConcessionForm, HoldForm, PlanForm, ReasonForm, WithdrawForm, plan_checks
from .gate import evaluate
from .models import Concession, GatePlan, Packet


@require_safe
@may("parts.view_revision")
def gate(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = revision_or_404(request.kit, part_number, letter)
    return render(request, "releases/gate.html", queries.gate_sheet(revision, request.user, timezone.now()))


@require_POST
@may("releases.put_forward_revision")
def put_forward(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = revision_or_404(request.kit, part_number, letter)
    return act_or_say(
        request,
        lambda: services.put_forward(revision=revision, by=request.user),
        revision.get_absolute_url(),
        f"{revision} put forward. It waits for the signature of a lead who is not its author.",
    )


@require_POST
@may("releases.sign_off_revision")
def sign(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = revision_or_404(request.kit, part_number, letter)
    return act_or_say(
        request,
        lambda: services.sign_off(revision=revision, by=request.user, address=request.build_absolute_uri("/")),
        revision.get_absolute_url(),
        f"{revision} is buildable. The packet is being made.",
    )


@require_http_methods(["GET", "POST"])
@may("releases.sign_off_revision")
def send_back(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = revision_or_404(request.kit, part_number, letter)
    form = ReasonForm(request.POST or None)
    return form_page(
        request,
        form,
        lambda: services.send_back(revision=revision, by=request.user, why=form.cleaned_data["why"]),
        template="releases/act.html",
        url=lambda _: revision.get_absolute_url(),
        context={"revision": revision, "title": f"Send {revision} back to trial", "button": "Send back"},
    )


@require_http_methods(["GET", "POST"])
@may("releases.withdraw_revision")
def withdraw(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = revision_or_404(request.kit, part_number, letter)
    form = WithdrawForm(request.POST or None)
    return form_page(
        request,
        form,
        lambda: services.withdraw(revision=revision, by=request.user, reason=form.cleaned_data["reason"]),
        template="releases/act.html",
        url=lambda _: revision.get_absolute_url(),
        context={
            "revision": revision,
            "title": f"Withdraw {revision} for good",
            "button": f"Withdraw {revision}",
            "then": "This cannot be undone. Every tag of this revision turns to not cleared, and every site must "
            "acknowledge it.",
        },
    )


@require_http_methods(["GET", "POST"])
@may("releases.grant_concession")
def grant_concession(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = revision_or_404(request.kit, part_number, letter)
    reading = evaluate([revision], timezone.now())[revision.pk]
    form = ConcessionForm(request.POST or None, revision=revision, reading=reading, by=request.user)
    return form_page(
        request,
        form,
        lambda: services.grant_concession(revision=revision, by=request.user, **form.cleaned_data),
        template="releases/act.html",
        url=lambda row: f"{revision.get_absolute_url()}#{row.code}",
        context={
            "revision": revision,
            "title": f"Grant a concession for {revision}",
            "button": "Grant concession",
            "then": "It permits; it never makes the check pass. Neither the author nor who asks for it may grant it.",
        },
    )


@require_http_methods(["GET", "POST"])
@may("releases.grant_concession")
def end_concession(request: HttpRequest, code: str) -> HttpResponse:
    row = get_object_or_404(Concession.objects.select_related("revision__component__kit"), kit=request.kit, code=code)
    form = ReasonForm(request.POST or None)
    return form_page(
        request,
        form,
        lambda: services.end_concession(concession=row, by=request.user, why=form.cleaned_data["why"]),
        template="releases/act.html",
        url=lambda _: row.revision.get_absolute_url(),
        context={"revision": row.revision, "title": f"End concession {row.code}", "button": "End it"},
    )


@require_safe
@may("parts.view_revision")
def packet(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = revision_or_404(request.kit, part_number, letter)
    row = get_object_or_404(Packet.objects.select_related("file"), release__revision=revision, file__isnull=False)
    return redirect(
        reverse("logbook:file", args=[request.kit.code, row.file.sha256, f"{part_number}-{letter}-packet.pdf"])
    )


@require_POST
@may("releases.sign_off_revision")
def packet_again(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = revision_or_404(request.kit, part_number, letter)
    rows = Packet.objects.select_related("release__revision__component__kit")
    row = get_object_or_404(rows, release__revision=revision)
    return act_or_say(
        request,
        lambda: services.ask_packet_again(packet=row, by=request.user),
        revision.get_absolute_url(),
        "The packet is being made.",
    )


HOLDABLE: dict[str, tuple[type[Model], str]] = {
    "mould": (Mould, "code"),
    "batch": (Batch, "code"),
    "serial": (Cast, "serial"),
}


def _held(request: HttpRequest, what: str, name: str) -> Any:
    if what == "revision":
        part_number, _, letter = name.rpartition("-")
        return revision_or_404(request.kit, part_number, letter)
    if what not in HOLDABLE:
        raise Http404(f"A {what} cannot be put on hold.")
    model, field = HOLDABLE[what]
    related = {"mould": "component", "serial": "revision__component"}.get(what)
    rows = model._default_manager.select_related("kit", *([related] if related else []))
    return get_object_or_404(rows, kit=request.kit, **{field: name})


@require_http_methods(["GET", "POST"])
@may("releases.place_hold")
def place_hold(request: HttpRequest, what: str, name: str) -> HttpResponse:
    held = _held(request, what, name)
    form = HoldForm(request.POST or None)
    return form_page(
        request,
        form,
        lambda: services.place_hold(on=held, by=request.user, **form.cleaned_data),
        template="releases/act.html",
        url=lambda row: row.get_absolute_url(),
        context={
            "revision": held if what == "revision" else None,
            "title": f"Put {what} {held} on hold",
            "button": f"Put {held} on hold",
            "then": "In force at once: every tag that it touches turns to not cleared.",
        },
    )


@require_safe
@may("releases.view_hold")
def holds(request: HttpRequest) -> HttpResponse:
    return render(request, "releases/holds.html", {"holds": queries.holds_for_list(request.kit), "room": "site"})


@require_safe
@may("releases.view_hold")
def hold(request: HttpRequest, code: str) -> HttpResponse:
    row = queries.hold_or_404(request.kit, code)
    return render(request, "releases/hold.html", {"hold": row, "casts": queries.casts_under(row), "room": "site"})


@require_http_methods(["GET", "POST"])
@may("releases.lift_hold")
def lift_hold(request: HttpRequest, code: str) -> HttpResponse:
    row = queries.hold_or_404(request.kit, code)
    form = ReasonForm(request.POST or None)
    return form_page(
        request,
        form,
        lambda: services.lift_hold(hold=row, by=request.user, why=form.cleaned_data["why"]),
        template="releases/act.html",
        url=lambda _: row.get_absolute_url(),
        context={
            "title": f"Lift hold {row.code} on {row.subject}",
            "button": "Lift the hold",
            "then": "Say what was found and why it may go on. Tags answer by the evidence again at once.",
        },
    )


@require_http_methods(["GET", "POST"])
@may("releases.change_gateplan")
def plan(request: HttpRequest, part_number: str | None = None) -> HttpResponse:
    component = (
        get_object_or_404(Component.objects.select_related("kit"), kit=request.kit, part_number=part_number)
        if part_number
        else None
    )
    plans = GatePlan.objects.prefetch_related("checks").filter(kit=request.kit)
    row = plans.filter(component=component).first() or plans.filter(component__isnull=True).first()
    planned = {check.check_code: check for check in row.checks.all()} if row else {}
    form = PlanForm(request.POST or None, planned=planned)
    return form_page(
        request,
        form,
        lambda: services.set_plan(
            kit=request.kit, component=component, checks=plan_checks(form.cleaned_data), by=request.user
        ),
        template="releases/plan.html",
        url=lambda _: component.get_absolute_url() if component else reverse("board", args=[request.kit.code]),
        context={"component": component, "plan": row, "own": bool(row and row.component_id)},
    )
