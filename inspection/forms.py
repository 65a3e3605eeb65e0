"""What people type about instruments, scans and measurements. Rules of the trade are in the services."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django import forms
from django.utils import timezone

from casting.forms import Day, Moment
from parts.fields import DecimalCommaField
from parts.models import Characteristic, Kit, LengthUnit, code_validator

from .errors import InspectionRefusal
from .models import Instrument
from .queries import SheetRow, instruments_of, usual_instruments
from .services import Reading
from .services.measurements import verdict


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


@dataclass(frozen=True)
class EntryRow:
    """One line of the measurement sheet: the characteristic, its two fields, and what the typed value says."""

    sheet: SheetRow
    value: forms.BoundField
    instrument: forms.BoundField
    result: str
    sentence: str
    typed: Decimal | None = None
    sure: Decimal | None = None


class MeasureForm(forms.Form):
    """Every characteristic measured by hand, in the order of the drawing; what is left empty is not measured."""

    measured_at = Moment(label="Measured at")

    def __init__(self, *args: Any, kit: Kit, sheet: Sequence[SheetRow], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.initial.setdefault("measured_at", timezone.now())
        self.sheet = [row for row in sheet if not row.by_scan]
        self.instruments = {instrument.pk: instrument for instrument in instruments_of(kit)}
        usual = usual_instruments([row.characteristic for row in self.sheet])
        for row in self.sheet:
            characteristic = row.characteristic
            fits = [i for i in self.instruments.values() if i.unit == characteristic.unit]
            fits.sort(key=lambda i: i.kind == Instrument.Kind.SCANNER)
            start = usual.get(characteristic.pk) or (fits[0].pk if fits else None)
            self.fields[f"value-{characteristic.number}"] = DecimalCommaField(
                label=characteristic.name, max_digits=14, decimal_places=4, required=False
            )
            self.fields[f"instrument-{characteristic.number}"] = forms.TypedChoiceField(
                label=f"Instrument for {characteristic.name}",
                choices=[(i.pk, f"{i.code} {i.name}") for i in fits] or [("", "no instrument in this unit")],
                coerce=int,
                empty_value=None,
                initial=start,
                required=False,
            )

    def clean(self) -> dict[str, Any]:
        data = super().clean()
        for row in self.sheet:
            number = row.characteristic.number
            if data.get(f"value-{number}") is not None and not data.get(f"instrument-{number}"):
                self.add_error(f"instrument-{number}", "Choose the instrument; add it to the list first if need be.")
        return data

    def readings(self) -> list[Reading]:
        """What was typed, of lines without a fault."""
        found = [self._reading(row.characteristic) for row in self.sheet]
        return [reading for reading in found if reading]

    def rows(self) -> list[EntryRow]:
        return [self.row(row) for row in self.sheet]

    def row(self, sheet_row: SheetRow) -> EntryRow:
        number = sheet_row.characteristic.number
        value, instrument = self[f"value-{number}"], self[f"instrument-{number}"]
        reading = self._reading(sheet_row.characteristic)
        if reading is None:
            faults = [*value.errors, *instrument.errors] if self.is_bound else []
            return EntryRow(sheet_row, value, instrument, "", " ".join(faults))
        try:
            said = verdict(reading)
        except InspectionRefusal as refusal:
            return EntryRow(sheet_row, value, instrument, "", refusal.sentence)
        return EntryRow(
            sheet_row, value, instrument, said.result, said.note, reading.value, reading.instrument.uncertainty
        )

    def _reading(self, characteristic: Characteristic) -> Reading | None:
        if not self.is_bound:
            return None
        errors, number = self.errors, characteristic.number
        value = self.cleaned_data.get(f"value-{number}")
        instrument = self.instruments.get(self.cleaned_data.get(f"instrument-{number}"))
        if value is None or instrument is None or f"value-{number}" in errors:
            return None
        return Reading(characteristic, value, instrument)
