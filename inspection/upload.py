"""Taking in a scan: the file with its unit, and for a table of points a look at its rows first."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.db import models
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from casting.models import Cast
from casting.queries import cast_or_404
from logbook.files import local_path
from logbook.models import StoredFile
from logbook.once import sent_before, submit_once
from metrology.errors import ReadingError
from metrology.reading import TableChoice, TablePreview, preview_table
from parts.acting import add_refusal, may
from parts.errors import Refusal

from . import queries, services
from .errors import InspectionRefusal
from .services.scans import check_stated_unit, keep_scan_file, kind_of_scan, refuse_unready
from .upload_forms import ScanForm, TableForm, heads, read_shown, sign_shown


@dataclass(frozen=True)
class TableStep:
    """The rows of a table as they would be read. confirmed: exactly this was shown before and was agreed to."""

    form: TableForm
    preview: TablePreview
    shown: str
    changed: bool
    confirmed: bool

    @property
    def heads(self) -> list[str]:
        return list(heads(self.preview))

    @property
    def axes(self) -> list[tuple[str, float, float]]:
        """(axis, least, greatest) among the first rows."""
        return [(axis, low, high) for axis, (low, high) in zip("xyz", self.preview.spans, strict=False)]


def table_step(stored: StoredFile, data: QueryDict, choice: TableChoice | None = None) -> TableStep:
    """Read the first rows as the form says; as `choice` says, or as they are understood, when nothing was shown yet.

    Raises InspectionRefusal for a file without rows.
    """
    shown = read_shown(data.get("shown", ""), stored)
    try:
        with local_path(stored) as path:
            if shown is None:
                preview = preview_table(path, choice)
                form = TableForm(initial=preview.choice.as_stored(), columns=preview.columns)
                return TableStep(form, preview, sign_shown(stored, preview.choice), changed=False, confirmed=False)
            before = preview_table(path, shown)
            form = TableForm(data, columns=before.columns)
            wanted = form.choice()
            if wanted is None:
                return TableStep(form, before, data["shown"], changed=False, confirmed=False)
            preview = preview_table(path, wanted)
    except ReadingError as error:
        raise InspectionRefusal(error.sentence, code=error.code, field="file") from None
    same = wanted == shown
    agreed = "confirm" in data and same and not preview.fault
    changed = "confirm" in data and not same
    return TableStep(form, preview, sign_shown(stored, wanted), changed=changed, confirmed=agreed)


@require_http_methods(["GET", "HEAD", "POST"])
@may("inspection.add_scan")
def upload_scan(request: HttpRequest, serial: str) -> HttpResponse:
    piece = cast_or_404(request.kit, serial)
    context: dict[str, Any] = {"cast": piece, "revision": piece.revision}
    try:
        refuse_unready(piece)
    except Refusal as refusal:
        return render(request, "inspection/upload_scan.html", context | {"stopped": refusal.sentence})
    usual = {"instrument": queries.usual_scanner(request.kit, request.user)}
    sent = (request.POST, request.FILES) if request.method == "POST" else ()
    form = ScanForm(*sent, kit=request.kit, initial=usual)
    if request.method == "POST":
        answer = take_in(request, form, lambda **file: _upload(request, form, piece, **file))
        if isinstance(answer, HttpResponse):
            return answer
        context["table"] = answer
    return render(request, "inspection/upload_scan.html", context | {"form": form})


def take_in(request: HttpRequest, form: ScanForm, act: Callable[..., models.Model]) -> HttpResponse | TableStep | None:
    """First the file, outside any transaction for it may be large; then its rows, if it is a table; then the record.

    act: makes the record, of whatever was scanned; called with file, original_name, table and overrule. Answers with
    the way to the record; else the form is to be shown again, with the rows of the table if there are any.
    """
    if there := sent_before(request):
        return redirect(there)
    valid = form.is_valid()
    stored, step = form.kept_file, None
    try:
        if upload := form.cleaned_data.get("file"):
            stored = keep_scan_file(upload, form.original_name)
        if stored and kind_of_scan(stored, form.original_name) == "table":
            step = table_step(stored, form.data)
        if valid and not form.insists:
            check_stated_unit(stored, form.original_name, form.cleaned_data["unit"])
        if valid and (step is None or step.confirmed):
            given = {"original_name": form.original_name, "table": step.preview.choice if step else None}
            given |= {"file": stored, "overrule": form.insists}
            return redirect(submit_once(request, lambda: act(**given)))
    except Refusal as refusal:
        add_refusal(form, refusal)
        form.likely_unit = getattr(refusal, "likely_unit", "")
    if stored and "file" not in form.errors:
        form.keep(stored)
        return step
    form.forget()
    return None


def _upload(request: HttpRequest, form: ScanForm, piece: Cast, **file: Any) -> models.Model:
    given = {name: form.cleaned_data[name] for name in ("unit", "instrument", "scanned_at")}
    return services.upload_scan(piece, by=request.user, **file, **given)


@require_http_methods(["GET", "HEAD", "POST"])
@may("inspection.change_scan")
def columns(request: HttpRequest, code: str) -> HttpResponse:
    """The rows of a scan that is a table, to have it read by other columns and measured again."""
    if there := sent_before(request):
        return redirect(there)
    found = queries.scan_or_404(request.kit, code)
    context: dict[str, Any] = {"scan": found, "cast": found.cast, "revision": found.cast.revision}
    try:
        if kind_of_scan(found.file, found.original_name) != "table":
            return redirect(found)
        chosen = found.reading.get("table")
        step = table_step(found.file, request.POST, TableChoice.from_stored(chosen) if chosen else None)
        if step.confirmed:
            act = lambda: services.run_again(found, table=step.preview.choice, by=request.user)  # noqa: E731
            return redirect(submit_once(request, act))
        context["table"] = step
    except Refusal as refusal:
        context["stopped"] = refusal.sentence
    return render(request, "inspection/columns.html", context)
