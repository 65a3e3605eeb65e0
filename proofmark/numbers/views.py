"""The index of calculations and one page for each. Nothing is saved: the address holds the whole what-if."""

import json
from functools import partial
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.safestring import SafeString
from django.views.decorators.http import require_http_methods, require_safe

from metrology.amounts.quantities import FEET_INCHES, convert
from metrology.calculations.calculation import AnyCalculation
from metrology.calculations.fields import Grid, Many, Table, specs
from metrology.calculations.plots import Axis, Plot
from metrology.calculations.problems import Refused
from metrology.calculations.registry import by_subject, find
from metrology.calculations.running import plain, run
from metrology.errors import InputError
from parts import units_in_use
from parts.acting import may
from proofmark.drawing.plot import draw_plot

from .boxes import units_by_kind
from .given import GIVEN, given_sheet, record_of
from .result import Writer
from .sheet import SENT, Sheet
from .units import METRIC, US, axis_unit

SYSTEM = "numbers_units"
LONGEST_LINK = 3000
# A table of more columns needs the whole width; the answer then stands below.
WIDE = 5


@require_safe
@may("parts.view_component")
def index(request: HttpRequest) -> HttpResponse:
    subjects = by_subject()
    how_many = sum(len(rows) for _, rows in subjects)
    return render(
        request, "numbers/list.html", {"subjects": subjects, "how_many": how_many, "system": _system(request)}
    )


@require_http_methods(["GET", "HEAD", "POST"])
@may("parts.view_component")
def page(request: HttpRequest, name: str) -> HttpResponse:
    """The worked example, or what was sent with its answer or its errors beside the fields."""
    try:
        calculation = find(name)
    except InputError as error:
        raise Http404(error.sentence) from error
    system = _system(request)
    data = request.POST if request.method == "POST" else request.GET
    sheet = None
    if SENT in data:
        sheet = Sheet.of_sent(calculation, data, system, data.get("more", ""))
    elif GIVEN in request.GET:
        sheet = given_sheet(calculation, request.GET[GIVEN], system)
    is_example = sheet is None
    sheet = sheet or Sheet.of_example(calculation, system)
    answer = _answer(calculation, sheet, system)
    context = {
        "one": calculation,
        "sheet": sheet,
        "all_units": units_by_kind(),
        "system": system,
        "method": "post" if _long(calculation) else "get",
        "wide": any(len(getattr(box, "columns", ())) > WIDE for box in sheet.boxes),
        "is_example": is_example,
        "source": record_of(data, request.kit),
        "link": _link(request) if SENT in data and sheet.good else "",
        **answer,
    }
    return render(request, "numbers/page.html", context)


def _answer(calculation: AnyCalculation, sheet: Sheet, system: str) -> dict[str, Any]:
    if not sheet.good:
        return {}
    try:
        inputs, result = run(calculation, sheet.plain)
    except Refused as refused:
        if sheet.of_a_record:
            sheet.lacks(refused.problems)
        else:
            sheet.place(refused.problems)
        return {}
    writer = Writer(inputs, sheet.chosen, system)
    plots = calculation.plot(inputs, result) if calculation.plot else ()
    return {
        "shown": writer.show(result),
        "plots": [(plot.title, _drawn(plot, writer)) for plot in plots],
        "shell": json.dumps(plain(inputs), ensure_ascii=False, indent=2),
    }


def _drawn(plot: Plot, writer: Writer) -> SafeString:
    x_unit, x = _axis(plot.x, writer)
    y_unit, y = _axis(plot.y, writer)
    return draw_plot(plot, x_unit=x_unit, y_unit=y_unit, x=x, y=y)


def _axis(axis: Axis, writer: Writer) -> tuple[str, Any]:
    """The unit to draw along an axis, and how to get there."""
    unit = writer.values.get(axis.unit, axis.unit)
    target = axis_unit(writer.target(unit))
    if target == unit or unit in ("", "1"):
        return unit, float
    return target, partial(_convert, unit, target)


def _convert(unit: str, target: str, value: float) -> float:
    return convert(float(value), unit, target)


def _system(request: HttpRequest) -> str:
    """Metric, or feet and pounds: what the worked examples begin with. Kept while one is signed in."""
    asked = request.GET.get("units", "")
    if asked in (METRIC, US):
        request.session[SYSTEM] = asked
    own = units_in_use.current()
    return request.session.get(SYSTEM, US if own.customary or own.length in ("in", "ft", FEET_INCHES) else METRIC)


def _long(calculation: AnyCalculation) -> bool:
    """Pasted figures may be longer than an address can be."""
    return any(isinstance(spec, Table | Many | Grid) for spec in specs(calculation.inputs).values())


def _link(request: HttpRequest) -> str:
    """The address of this what-if, when it is not too long for one."""
    data = (request.POST if request.method == "POST" else request.GET).copy()
    for name in ("csrfmiddlewaretoken", "more", "units"):
        data.pop(name, None)
    address = f"{request.path}?{data.urlencode()}"
    return address if len(address) <= LONGEST_LINK else ""
