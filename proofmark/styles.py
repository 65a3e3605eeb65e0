"""The style sheet: every mark, state and drawing in the tags that pages use. Holds no data of any kit."""

from types import SimpleNamespace

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

VERDICTS = (
    ("pass", "evidence meets the limit, signed"),
    ("fail", "evidence is outside the limit"),
    ("inconclusive", "too close to a limit for the uncertainty"),
    ("missing", "no evidence yet"),
    ("conceded", "outside, accepted for named pieces and a time"),
    ("not applicable", "this check does not apply"),
)
STATES = (
    ("in preparation", "being drawn"),
    ("on trial", "being cast, scanned and fitted"),
    ("put forward", "waits for signatures"),
    ("buildable", "signed"),
    ("superseded", "replaced by a later revision"),
    ("withdrawn", "never use again"),
    ("on hold", "stop: nobody casts, moves or installs it"),
)
GAUGES = (
    ({"lower": -1.5, "upper": 1.5, "guard": 0.3, "value": 0.4, "unit": "mm"}, "inside"),
    ({"lower": -1.5, "upper": 1.5, "guard": 0.3, "value": -1.35, "unit": "mm"}, "in the guard band: inconclusive"),
    ({"lower": -1.5, "upper": 1.5, "guard": 0.3, "value": 2.4, "unit": "mm"}, "outside"),
    ({"lower": -1.5, "upper": 1.5, "value": 9, "unit": "mm"}, "far outside, beyond the drawn stretch"),
    ({"lower": 45, "value": 52.1, "unit": "MPa"}, "at least"),
    ({"upper": 5, "value": 5.4, "unit": "%"}, "at most, outside"),
    ({"lower": 0.2, "upper": 0.8, "value": [0.3, 0.6], "unit": "mm"}, "several values"),
    ({"lower": 1, "upper": 4, "unit": "mm"}, "no value yet"),
    ({"lower": 199.5, "upper": 200.5, "guard": 0.6, "value": 200, "unit": "mm"}, "guard bands overlap"),
    ({"value": 3.2, "unit": "kg"}, "no limits"),
)
EDGES = [round(-2 + 0.2 * i, 1) for i in range(21)]
COUNTS = [0, 1, 3, 5, 9, 14, 18, 30, 62, 100, 92, 70, 55, 40, 26, 18, 12, 8, 5, 3, 0]


class SampleForm(forms.Form):
    """One field of every shape."""

    moisture = forms.CharField(label="moisture")
    wet_density = forms.DecimalField(label="wet density", min_value=1, help_text="As weighed, before drying.")
    mould = forms.ChoiceField(label="mould", choices=[("M-14", "M-14, saddle block")])
    poured_on = forms.DateField(label="poured on", required=False, widget=forms.DateInput(attrs={"type": "date"}))
    scan = forms.FileField(label="scan", required=False, help_text="STL, OBJ or PLY, up to 400 MB.")
    note = forms.CharField(label="note", required=False, widget=forms.Textarea(attrs={"rows": 2}))
    pad = forms.BooleanField(label="Bearing pad in, arrow to the lookout", required=False)
    serials = forms.MultipleChoiceField(
        label="for these serials",
        required=False,
        choices=[("1", "SB-02-0001"), ("2", "SB-02-0002")],
        widget=forms.CheckboxSelectMultiple,
    )
    disposition = forms.ChoiceField(choices=[("rework", "rework"), ("scrap", "scrap")], widget=forms.RadioSelect)


@require_safe
def style_sheet(request: HttpRequest) -> HttpResponse:
    wrong = SampleForm({"moisture": "8.6", "wet_density": "0.203", "mould": "M-14", "serials": ["1"], "pad": "on"})
    states = [
        SimpleNamespace(letter=letter, state=state) for letter, (state, _) in zip("ABCDEF", STATES[:-1], strict=True)
    ]
    context = {
        "verdicts": VERDICTS,
        "states": STATES,
        "results": ("conforms", "does not conform", "inconclusive", "not measured"),
        "letters": states,
        "gauges": GAUGES,
        "edges": EDGES,
        "counts": COUNTS[1:],
        "trend": [("A", 4.8), ("A", 4.4), ("B", 2.6), ("B", 2.4), ("B", 2.8), ("C", 1.1), ("C", 1.3), ("C", 1.8)],
        "tallies": (1, 3, 5, 6, 12),
        "form": SampleForm(),
        "wrong": wrong,
        "stages": [("Read", "done"), ("Align", "done"), ("Measure", "under way"), ("Picture", "waiting")],
        "swatches": ("paper", "recess", "wash", "rule", "edge", "lead", "graphite", "ink", "on-ink"),
        "sheet_links": [("Look", request.path), ("Nothing", request.path + "#none")],
    }
    return render(request, "styles.html", context)
