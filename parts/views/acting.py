"""What every writing view of this room does: run the act once, or put its refusal beside the field."""

from collections.abc import Callable

from django.contrib import messages
from django.db import models
from django.forms import BaseForm
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from logbook.once import submit_once

from ..act_forms import add_refusal
from ..errors import Refusal


def act_once(
    request: HttpRequest,
    form: BaseForm,
    act: Callable[[], models.Model],
    url: Callable[[models.Model], str] | None = None,
) -> HttpResponse | None:
    """Redirect after the act, or None when it was refused and the form says why."""
    try:
        return redirect(submit_once(request, act, url))
    except Refusal as refusal:
        add_refusal(form, refusal)
        return None


def act_or_say(request: HttpRequest, act: Callable[[], object], url: str) -> HttpResponse:
    """For buttons without fields: run the act and go to `url`; a refusal is said there as a message."""
    try:
        act()
    except Refusal as refusal:
        messages.error(request, refusal.sentence)
    return redirect(url)
