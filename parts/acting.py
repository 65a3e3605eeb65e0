"""What every writing view does, in all rooms: let the right people in, act once, put a refusal beside its field."""

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required, permission_required
from django.db import models
from django.forms import BaseForm
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from logbook.once import sent_before, submit_once

from .errors import Refusal


def may(permission: str) -> Callable:
    """Signed in, and with this permission; a signed-in person without it gets the page that says so."""
    return lambda view: login_required(permission_required(permission, raise_exception=True)(view))


def act_once(
    request: HttpRequest,
    form: BaseForm,
    act: Callable[[], models.Model],
    url: Callable[[models.Model], str] | None = None,
) -> HttpResponse | None:
    """Run the act of a sent form once and redirect. None: the form is not good, or says why the act was refused."""
    if request.method != "POST":
        return None
    if there := sent_before(request):
        return redirect(there)
    if not form.is_valid():
        return None
    try:
        return redirect(submit_once(request, act, url))
    except Refusal as refusal:
        add_refusal(form, refusal)
        return None


def form_page(
    request: HttpRequest,
    form: BaseForm,
    act: Callable[[], models.Model],
    *,
    template: str,
    context: dict[str, Any],
    url: Callable[[models.Model], str] | None = None,
) -> HttpResponse:
    """Show a form; when it is sent and good, act once and go on. What was typed stays when it is refused."""
    done = act_once(request, form, act, url)
    return done or render(request, template, {"form": form, **context})


def act_or_say(request: HttpRequest, act: Callable[[], models.Model], url: str, said: str = "") -> HttpResponse:
    """For buttons without fields: act once and go to `url`; what was done, or why not, is said there."""
    try:
        submit_once(request, act, lambda _: url)
    except Refusal as refusal:
        messages.error(request, refusal.sentence)
    else:
        if said:
            messages.success(request, said)
    return redirect(url)


def add_refusal(form: BaseForm, refusal: Refusal) -> None:
    """Put a service's refusal beside the field it names, or above the form when it has no such field."""
    form.add_error(refusal.field if refusal.field in form.fields else None, refusal.sentence)
