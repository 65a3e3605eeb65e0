"""What the casts of a revision say characteristic by characteristic, and one of them over all its pours."""

from dataclasses import replace
from decimal import Decimal

from django import forms
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from metrology.calculations.control_chart import RULES
from parts.acting import may
from parts.fields import DecimalCommaField
from parts.models import Characteristic, Revision
from parts.queries import revision_or_404

from .characteristic import Process, Wanted, pours_of, same_elsewhere
from .entry_units import LENGTHS, usual_units

PAGE = 40
MOST_PIECES = 1_000_000


class WantedForm(forms.Form):
    """What is asked of the casts; everything has a usual value."""

    pieces = forms.IntegerField(
        label="Casts still to come", min_value=1, max_value=MOST_PIECES,
        widget=forms.TextInput(attrs={"inputmode": "numeric"}),
        error_messages={"invalid": "Write a whole number, as 48."},
    )  # fmt: skip
    confidence = DecimalCommaField(
        label="Confidence", unit="%", min_value=50, max_value=Decimal("99.99"), decimal_places=2
    )
    ppk = DecimalCommaField(label="Wanted Ppk", min_value=Decimal("0.1"), max_value=10, decimal_places=2)
    rules = forms.ChoiceField(label="Run rules", choices=list(RULES.items()))
    phase_one = forms.IntegerField(
        label="Control limits from the first", min_value=2, required=False, help_text="Empty: from all casts.",
        widget=forms.TextInput(attrs={"inputmode": "numeric"}),
        error_messages={"invalid": "Write a whole number of casts, as 20."},
    )  # fmt: skip
    revisions = forms.ChoiceField(
        label="Casts of", choices=[("this", "this revision"), ("all", "all revisions")], required=False
    )
    unit = forms.ChoiceField(label="Lengths in", choices=list(LENGTHS.items()))

    def wanted(self) -> Wanted:
        data = self.cleaned_data
        return Wanted(
            data["pieces"], float(data["confidence"]) / 100, float(data["ppk"]), data["rules"], data["phase_one"],
            data["revisions"] == "all",
        )  # fmt: skip


@require_safe
@may("inspection.view_measurement")
def characteristic(request: HttpRequest, part_number: str, letter: str, number: int) -> HttpResponse:
    revision = revision_or_404(request.kit, part_number, letter)
    found = get_object_or_404(Characteristic.objects.filter(revision=revision), number=number)
    found.revision = revision
    usual = _usual(request, revision)
    asked = {name: request.GET[name] for name in usual if name in request.GET}
    form = WantedForm(usual | asked)
    good = form.is_valid()
    wanted = form.wanted() if good else Wanted(revision.component.quantity)
    unit = form.cleaned_data.get("unit") or usual["unit"]
    everywhere = same_elsewhere(found) if wanted.all_revisions else [found]
    by_row = pours_of([row.pk for row in everywhere])
    pours = sorted((pour for row in by_row.values() for pour in row), key=lambda pour: pour.order)
    process = Process(found, pours, wanted, replace(usual_units(), length=unit))
    page = Paginator(range(len(pours) - 1, -1, -1), PAGE).get_page(request.GET.get("page"))
    others = list(revision.characteristics.order_by("number").values_list("number", "name"))
    query = request.GET.copy()
    query.pop("page", None)
    context = {
        "revision": revision, "characteristic": found, "process": process, "said": process.said, "form": form,
        "page": page, "rows": process.rows(page.object_list), "others": others,
        "query": f"{query.urlencode()}&" if query else "",
        "open_form": not good or bool(asked),
    }  # fmt: skip
    return render(request, "inspection/characteristic.html", context)


@require_safe
@may("inspection.view_measurement")
def characteristics(request: HttpRequest, part_number: str, letter: str) -> HttpResponse:
    """Every characteristic of a revision with what its casts say."""
    revision = revision_or_404(request.kit, part_number, letter)
    drawn = list(revision.characteristics.order_by("number"))
    by_row = pours_of([row.pk for row in drawn])
    wanted, units = Wanted(revision.component.quantity), usual_units()
    rows = []
    for row in drawn:
        row.revision = revision
        rows.append(Process(row, by_row[row.pk], wanted, units))
    return render(request, "inspection/characteristics.html", {"revision": revision, "rows": rows})


def _usual(request: HttpRequest, revision: Revision) -> dict[str, str]:
    return {
        "pieces": str(revision.component.quantity), "confidence": "95", "ppk": "1.33", "rules": "western-electric",
        "phase_one": "", "revisions": "this", "unit": usual_units().length,
    }  # fmt: skip
