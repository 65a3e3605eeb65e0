"""What the three-dimensional view draws, kept with the record that it shows and made when it is missing."""

from collections.abc import Callable

from django.db import models
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from logbook.files import keep
from logbook.models import StoredFile
from metrology.errors import MetrologyError
from metrology.pictures.view_payload import MEDIA_TYPE, nominal_view

from . import queries
from .acting import may
from .models import Geometry
from .services.geometry import nominal_mesh


def kept(record: models.Model, field: str, make: Callable[[], bytes]) -> StoredFile:
    """The file that a field of a record names; made and noted there when it is missing or of an earlier layout."""
    stored: StoredFile | None = getattr(record, field)
    if stored is None or stored.media_type != MEDIA_TYPE:
        stored = keep(make(), MEDIA_TYPE)
        type(record)._base_manager.filter(pk=record.pk).update(**{field: stored})
        setattr(record, field, stored)
    return stored


def served(request: HttpRequest, found: Callable[[], StoredFile], name: str) -> HttpResponse:
    """Sends the browser to the file below its hash, where it may be kept for good."""
    try:
        stored = found()
    except (MetrologyError, OSError) as error:
        raise Http404("The file that this is drawn from can no longer be read.") from error
    return redirect("logbook:file", request.kit.code, stored.sha256, name)


def view_of_nominal(geometry: Geometry) -> StoredFile:
    return kept(geometry, "view", lambda: nominal_view(nominal_mesh(geometry)))


@require_safe
@never_cache
@may("parts.view_revision")
def nominal(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    revision = queries.revision_or_404(request.kit, part_number, letter)
    geometry = queries.current_geometry(revision).get(Geometry.Role.NOMINAL)
    if geometry is None:
        raise Http404("There is no nominal on file.")
    return served(request, lambda: view_of_nominal(geometry), "nominal.view")
