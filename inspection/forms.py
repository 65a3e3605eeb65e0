"""What people type about instruments and scans. Rules of the trade are in the services."""

from django import forms

from casting.forms import Day
from parts.fields import DecimalCommaField
from parts.models import Characteristic, LengthUnit, code_validator

from .models import Instrument


class InstrumentForm(forms.Form):
    name = forms.CharField(label="Name", max_length=120)
    kind = forms.ChoiceField(label="Kind", choices=Instrument.Kind)
    code = forms.CharField(label="Code", max_length=20, required=False, validators=[code_validator],
                           help_text="Empty: the next free number.")  # fmt: skip
    unit = forms.ChoiceField(label="Measures in", choices=Characteristic.Unit)
    uncertainty = DecimalCommaField(label="U, expanded uncertainty", max_digits=8, decimal_places=4)
    coverage_factor = DecimalCommaField(label="Coverage factor k", max_digits=4, decimal_places=2, initial=2)
    basis = forms.CharField(label="What U rests on", widget=forms.Textarea(attrs={"rows": 2}), required=False)
    calibrated_on = Day(label="Calibrated on", required=False)
    due_on = Day(label="Calibration due", required=False)


class ChangeInstrumentForm(InstrumentForm):
    """Code, kind and unit stay: measurements were made with them."""

    kind = code = unit = None


class RunAgainForm(forms.Form):
    """insist: the unit holds even where the file states another."""

    unit = forms.ChoiceField(label="Unit of the file", choices=LengthUnit)
    insist = forms.BooleanField(required=False, widget=forms.HiddenInput)


class WithdrawForm(forms.Form):
    reason = forms.CharField(label="Why it is withdrawn", widget=forms.Textarea(attrs={"rows": 3}))
