"""The measurement sheet of a cast: typing, checking, filling in from a spreadsheet, saving."""

from dataclasses import replace

from django.contrib import messages
from django.db import models
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_http_methods
from django.views.decorators.vary import vary_on_headers

from casting.queries import cast_or_404
from parts.acting import act_once, may

from . import queries, services
from .entry_forms import MeasureForm
from .entry_units import LENGTHS, EntryUnits, usual_units

UNIT_KEPT = "measuring-unit"


@require_http_methods(["GET", "HEAD", "POST"])
@vary_on_headers("HX-Request")
@may("inspection.add_measurement")
def measure(request: HttpRequest, serial: str) -> HttpResponse:
    """The whole sheet; for htmx the verdict on the one line that is being typed. Only the button “save” saves."""
    piece = cast_or_404(request.kit, serial)
    sheet = queries.measurement_sheet(piece)
    more = request.POST.get("more", "")
    form = MeasureForm(
        request.POST if request.method == "POST" else None,
        kit=request.kit, sheet=sheet, usual=_units(request), more=more,
    )  # fmt: skip
    if request.method == "POST" and request.htmx and (number := request.GET.get("line")):
        row = next((row for row in form.sheet if str(row.characteristic.number) == number), None)
        return render(request, "inspection/_verdict.html", {"row": form.row(row) if row else None})
    pasted, looking = None, bool(more) or "check" in request.POST
    if "fill" in request.POST:
        pasted, looking = form.fill(), True
    if not looking and (answer := act_once(request, form, lambda: _record(request, form, piece))):
        return answer
    rows = form.rows()
    context = {
        "cast": piece, "revision": piece.revision, "form": form, "rows": rows, "sheet": sheet, "pasted": pasted,
        "looking": looking, "faults": [row for row in rows if row.faults] if looking else [],
    }  # fmt: skip
    return render(request, "inspection/measure.html", context)


def _record(request: HttpRequest, form: MeasureForm, piece: models.Model) -> models.Model:
    readings = form.readings()
    rows = services.record_measurements(piece, readings, by=request.user, measured_at=form.cleaned_data["measured_at"])
    request.session[UNIT_KEPT] = form.units.length
    messages.success(request, _saved(rows, len(form.sheet)))
    return piece


def _saved(rows: list, of: int) -> str:
    good = sum(row.result == "conforms" for row in rows)
    rest = "all conform" if good == len(rows) else f"{good} conform, {len(rows) - good} do not or are not proven"
    return f"{len(rows)} of {of} characteristics measured: {rest}."


def _units(request: HttpRequest) -> EntryUnits:
    """As chosen when this person saved last, else their own unit, else the kit's."""
    kept = request.session.get(UNIT_KEPT)
    usual = usual_units()
    return replace(usual, length=kept) if kept in LENGTHS else usual
