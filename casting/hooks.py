"""What upper rooms add to this one when the project starts. This room never names them.

`panels` put their part on a cast's page: each is called with the request and the cast and returns a template name
and its context, or None for nothing; `mould_panels` do the same on a mould's page. `stops` are asked before a pour:
each is called with revision, mould and batch and returns the sentence that says why nobody may cast, or None.
"""

from collections.abc import Callable
from typing import Any

from django.http import HttpRequest
from django.template.loader import render_to_string
from django.utils.safestring import SafeString

from parts.models import Revision

from .models import Batch, Cast, Mould

Panel = Callable[[HttpRequest, Cast], tuple[str, dict[str, Any]] | None]
MouldPanel = Callable[[HttpRequest, Mould], tuple[str, dict[str, Any]] | None]
Stop = Callable[[Revision, Mould | None, Batch | None], str | None]

panels: list[Panel] = []
mould_panels: list[MouldPanel] = []
stops: list[Stop] = []


def rendered_panels(request: HttpRequest, cast: Cast) -> list[SafeString]:
    found = (panel(request, cast) for panel in panels)
    return [render_to_string(template, context, request) for template, context in filter(None, found)]


def rendered_mould_panels(request: HttpRequest, mould: Mould) -> list[SafeString]:
    found = (panel(request, mould) for panel in mould_panels)
    return [render_to_string(template, context, request) for template, context in filter(None, found)]


def first_stop(revision: Revision, mould: Mould | None, batch: Batch | None) -> str | None:
    return next(filter(None, (stop(revision, mould, batch) for stop in stops)), None)
