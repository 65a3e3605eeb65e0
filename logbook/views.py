"""The logbook of a kit and of one revision; and stored files by their content hash."""

from django.contrib.auth.decorators import login_required, permission_required
from django.core.files.storage import default_storage
from django.core.paginator import Paginator
from django.http import FileResponse, Http404, HttpRequest, HttpResponse, HttpResponseNotModified
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from . import queries
from .models import StoredFile
from .queries import Filter

PER_PAGE = 50
# Shown in the browser; everything else is handed over as a download.
PICTURES = frozenset({"image/png", "image/jpeg", "image/webp"})


@require_safe
@login_required
@permission_required("logbook.view_entry", raise_exception=True)
def entry_list(request: HttpRequest) -> HttpResponse:
    """Every entry of the kit, newest first, by place, person and act."""
    wanted = _filter(request)
    context = {
        "people": queries.people(request.kit.trail),
        "acts": queries.acts(request.kit.trail),
        **entries_page(request, wanted),
    }
    return render(request, "logbook/list.html", context)


@require_safe
@login_required
@permission_required("logbook.view_storedfile", raise_exception=True)
def stored_file(request: HttpRequest, sha256: str, name: str) -> HttpResponse:
    """The content of a stored file under a name of the reader's choice. It never changes, so browsers may keep it."""
    if request.headers.get("If-None-Match") == f'"{sha256}"':
        return HttpResponseNotModified()
    stored = get_object_or_404(StoredFile, sha256=sha256)
    if not default_storage.exists(stored.storage_name):
        raise Http404("The file is missing from the data folder. Restore it from the last good copy.")
    response = FileResponse(
        stored.open(), as_attachment=stored.media_type not in PICTURES, filename=name, content_type=stored.media_type
    )
    response["Content-Length"] = stored.size
    response["ETag"] = f'"{sha256}"'
    response["Cache-Control"] = "private, max-age=31536000, immutable"
    response["X-Content-Type-Options"] = "nosniff"
    return response


def _filter(request: HttpRequest) -> Filter:
    given = {field: request.GET.get(field, "").strip() for field in ("trail", "who", "act")}
    return Filter(**given | {"trail": given["trail"].strip("/")})


def entries_page(request: HttpRequest, wanted: Filter) -> dict[str, object]:
    """What `logbook/_entries.html` needs: one page of the entries that match."""
    page = Paginator(queries.entries(request.kit.trail, wanted), PER_PAGE).get_page(request.GET.get("page"))
    for entry in page:
        entry.place = entry.trail.removeprefix(request.kit.trail).removeprefix("/")
    return {"page": page, "wanted": wanted}
