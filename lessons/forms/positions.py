"""What people type about a nominal assembly and about scans of a whole mock-up."""

from decimal import Decimal
from typing import Any

from django import forms
from django.utils import timezone

from inspection.upload_forms import ScanForm
from lessons.models import Mockup, MockupScan, NominalAssembly
from metrology.positions.assembly_table import CONVENTIONS
from parts.fields import DecimalCommaField, read_decimal
from parts.models import Kit, LengthUnit
from parts.mould_forms import BETWEEN

Convention = NominalAssembly.Convention


class AssemblyForm(forms.Form):
    """The table as text; a file is read into the text box, so that it stays there whatever comes next."""

    unit = forms.ChoiceField(
        label="Unit of x, y and z", choices=LengthUnit, help_text="Unless a heading names its own."
    )
    convention = forms.ChoiceField(
        label="Turns follow each other",
        choices=[(value, words[0].upper() + words[1:]) for value, words in CONVENTIONS.items()],
        help_text="Right-handed, in degrees. Has no bearing on a table of matrices.",
    )
    text = forms.CharField(label="Table", widget=forms.Textarea(attrs={"rows": 12, "spellcheck": "false"}), strip=False)
    file = forms.FileField(label="XLSX or CSV file", required=False)
    source = forms.CharField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, kit: Kit, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.initial.setdefault("unit", kit.length_unit)


class PairsField(forms.CharField):
    """Marked points, one pair a line: x y z in the scan, x y z on the assembly. Cleans to lists of six floats."""

    widget = forms.Textarea

    def clean(self, value: Any) -> list[list[float]]:
        text = super().clean(value)
        pairs = []
        for number, line in enumerate(text.splitlines(), 1):
            if not line.strip():
                continue
            parts = [part for part in BETWEEN.split(line.strip()) if part]
            try:
                six = [float(read_decimal(part)) for part in parts]
            except ValueError:
                six = []
            if len(six) != 6:
                raise forms.ValidationError(
                    f"Line {number}: write six numbers, x y z in the scan and x y z on the assembly, parted by blanks "
                    "or semicolons.",
                    code="invalid",
                )
            pairs.append(six)
        return pairs


class MockupScanForm(ScanForm):
    """A scan file of the whole mock-up, and how it is to be placed."""

    trial = forms.ModelChoiceField(label="Scanned in trial", queryset=None, required=False, empty_label="in no trial")
    placing = forms.ChoiceField(label="Place the whole", choices=MockupScan.Placing)
    pairs = PairsField(
        label="Marked points",
        required=False,
        help_text="One pair a line: x y z in the scan, x y z on the assembly, mm.",
    )
    by_control = forms.BooleanField(
        label="Then fit the whole to the control parts only", required=False,
        help_text="Otherwise to all parts, those far off having less say.",
    )  # fmt: skip
    axes = forms.ChoiceField(label="Numbers in", choices=MockupScan.Axes)
    search_mm = DecimalCommaField(
        label="Look for parts within",
        unit="mm",
        max_digits=5,
        decimal_places=0,
        initial=40,
        min_value=1,
        max_value=1000,
    )
    field_order = ("file", "unit", "instrument", "scanned_at", "trial", "placing", "pairs", "by_control", "axes")

    def __init__(self, *args: Any, mockup: Mockup, **kwargs: Any) -> None:
        super().__init__(*args, kit=mockup.kit, **kwargs)
        self.fields["trial"].queryset = mockup.trials.order_by("-started_at")
        self.initial.setdefault("trial", mockup.trials.filter(ended_at__isnull=True).first())
        self.initial.setdefault("scanned_at", timezone.now())
        self.fields["pairs"].widget.attrs = {"rows": 4}
        if not any(part.control for part in mockup.current_parts):
            del self.fields["by_control"]

    def clean(self) -> dict[str, Any]:
        data = super().clean()
        if data.get("placing") == MockupScan.Placing.MARKED and "pairs" not in self.errors and not data.get("pairs"):
            self.add_error("pairs", "Mark at least three points.")
        return data

    def asked(self) -> dict[str, Any]:
        """Arguments of `services.positions.scan_mockup`, besides the file."""
        names = ("unit", "instrument", "scanned_at", "trial", "placing", "pairs", "axes")
        asked = {name: self.cleaned_data[name] for name in names}
        asked["search_mm"] = self.cleaned_data["search_mm"] or Decimal(40)
        return asked | {"by_control": self.cleaned_data.get("by_control", False)}


class WithdrawReportForm(forms.Form):
    reason = forms.CharField(label="Why it is withdrawn", widget=forms.Textarea(attrs={"rows": 3}))
