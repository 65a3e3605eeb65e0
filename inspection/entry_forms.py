"""The measurement sheet of a cast as it is typed: every characteristic in the order of the drawing."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone

from casting.forms import Moment
from metrology.errors import UnitError
from parts.models import Characteristic, Kit

from .entry_paste import Paste, read_paste
from .entry_units import LENGTHS, EntryUnits
from .errors import InspectionRefusal
from .models import Instrument
from .queries import SheetRow, instruments_of, usual_instruments
from .services import Reading, reading_of
from .services.measurements import verdict

MOST_READINGS = 30
FEW_READINGS = 1.3  # a factor so much larger than the instrument's k is due to too few readings
SEVERAL = re.compile(r"[;\n]")


class ReadingsField(forms.CharField):
    """One reading, or several parted by semicolons, in the units of the sheet. Cleans to a list of decimals."""

    def __init__(self, *, units: EntryUnits, unit: str, **kwargs: Any) -> None:
        self.units, self.unit_kept = units, unit
        super().__init__(required=False, max_length=400, **kwargs)

    def clean(self, value: Any) -> list[Decimal]:
        text = super().clean(value)
        try:
            return [self.units.read(one, self.unit_kept) for one in SEVERAL.split(text) if one.strip()]
        except UnitError as error:
            raise ValidationError(error.sentence, code=error.code) from None

    def widget_attrs(self, widget: forms.Widget) -> dict[str, Any]:
        # Digits first on a tablet's keyboard; feet, inches and fractions need its letters.
        kind = "text" if self.units.of(self.unit_kept) == "ft-in" else "decimal"
        return {"inputmode": kind, "autocomplete": "off", "enterkeyhint": "next", "data-entry": ""}


@dataclass(frozen=True)
class EntryRow:
    """One line of the sheet: the characteristic, its boxes, and what the typed values say.

    nominal, asked, before: in the units of the sheet. own: the limits as the drawing has them, where those differ.
    """

    sheet: SheetRow
    boxes: Sequence[forms.BoundField]
    instrument: forms.BoundField
    unit: str
    nominal: str
    asked: str
    own: str
    before: str
    result: str = ""
    sentence: str = ""
    faults: Sequence[str] = ()
    mean: str = ""
    spread: str = ""
    typed: Decimal | None = None
    sure: Decimal | None = None
    readings: Sequence[Decimal] = field(default_factory=list)

    @property
    def several(self) -> bool:
        return len(self.readings) > 1


class MeasureForm(forms.Form):
    """Fields "value-3", "value-3-2", … hold the readings of number 3; what is left empty is not measured."""

    unit = forms.ChoiceField(label="Lengths in", choices=list(LENGTHS.items()))
    measured_at = Moment(label="Measured at")
    paste = forms.CharField(
        label="Rows from a spreadsheet",
        widget=forms.Textarea(attrs={"rows": 5, "spellcheck": "false"}),
        required=False,
        strip=False,
        max_length=100_000,
    )
    paste_from = forms.TypedChoiceField(label="First row belongs to", coerce=int, empty_value=None, required=False)

    def __init__(
        self, data: Any = None, *, kit: Kit, sheet: Sequence[SheetRow], usual: EntryUnits, more: str = ""
    ) -> None:
        if data is not None and not data.get("unit"):
            data = data.copy()
            data["unit"] = usual.length
        super().__init__(data)
        self.initial |= {"measured_at": timezone.now(), "unit": usual.length}
        chosen = self.data.get("unit")
        self.units = replace(usual, length=chosen) if chosen in LENGTHS else usual
        self.sheet = [row for row in sheet if not row.by_scan]
        self.instruments = {instrument.pk: instrument for instrument in instruments_of(kit)}
        last = usual_instruments([row.characteristic for row in self.sheet])
        self.fields["paste_from"].choices = [(row.characteristic.number, str(row.characteristic)) for row in self.sheet]
        for row in self.sheet:
            self._add_line(row.characteristic, last.get(row.characteristic.pk), more)

    def _add_line(self, characteristic: Characteristic, last: int | None, more: str) -> None:
        number = characteristic.number
        fits = [i for i in self.instruments.values() if i.unit == characteristic.unit]
        fits.sort(key=lambda i: i.kind == Instrument.Kind.SCANNER)
        boxes = 1
        while boxes < MOST_READINGS and f"value-{number}-{boxes + 1}" in self.data:
            boxes += 1
        boxes += str(number) == more and boxes < MOST_READINGS
        for box in range(1, boxes + 1):
            label = characteristic.name if box == 1 else f"{characteristic.name}, reading {box}"
            self.fields[_box(number, box)] = ReadingsField(units=self.units, unit=characteristic.unit, label=label)
        if str(number) == more:
            self.fields[_box(number, boxes)].widget.attrs["autofocus"] = True
        self.fields[f"instrument-{number}"] = forms.TypedChoiceField(
            label=f"Instrument for {characteristic.name}",
            choices=[(i.pk, f"{i.code} {i.name}") for i in fits] or [("", "no instrument in this unit")],
            coerce=int,
            empty_value=None,
            initial=last or (fits[0].pk if fits else None),
            required=False,
        )

    def clean(self) -> dict[str, Any]:
        data = super().clean()
        for row in self.sheet:
            number = row.characteristic.number
            if self._values(number) and not data.get(f"instrument-{number}"):
                self.add_error(f"instrument-{number}", "Choose the instrument; add it to the list first if need be.")
        return data

    def fill(self) -> Paste:
        """Put the pasted cells into the boxes, as they are written; nothing else that was typed is touched."""
        numbers = [row.characteristic.number for row in self.sheet]
        names = [row.characteristic.name for row in self.sheet]
        first = self.data.get("paste_from", "")
        start = int(first) if first.isdigit() and int(first) in numbers else None
        pasted = read_paste(self.data.get("paste", ""), numbers, names, start, MOST_READINGS)
        self.data = self.data.copy()
        for number, texts in pasted.texts.items():
            characteristic = next(row.characteristic for row in self.sheet if row.characteristic.number == number)
            for box in [name for name in self.fields if re.fullmatch(rf"value-{number}-\d+", name)]:
                del self.fields[box]
                self.data.pop(box, None)
            for box, text in enumerate(texts, start=1):
                label = characteristic.name if box == 1 else f"{characteristic.name}, reading {box}"
                made = ReadingsField(units=self.units, unit=characteristic.unit, label=label)
                self.fields[_box(number, box)] = made
                self.data[_box(number, box)] = text
        if not pasted.faults:
            self.data["paste"] = ""
        return pasted

    def readings(self) -> list[Reading]:
        """What was typed, of lines without a fault."""
        found = [self._reading(row.characteristic) for row in self.sheet]
        return [reading for reading in found if reading]

    def rows(self) -> list[EntryRow]:
        return [self.row(row) for row in self.sheet]

    def row(self, sheet_row: SheetRow) -> EntryRow:
        characteristic = sheet_row.characteristic
        boxes = [self[name] for name in self._boxes(characteristic.number)]
        instrument = self[f"instrument-{characteristic.number}"]
        plain = {
            "sheet": sheet_row, "boxes": boxes, "instrument": instrument, **self._in_units(sheet_row),
            "unit": self.units.of(characteristic.unit),
        }  # fmt: skip
        reading = self._reading(characteristic)
        if reading is None:
            faults = [e for bound in (*boxes, instrument) for e in bound.errors] if self.is_bound else []
            return EntryRow(**plain, faults=faults)
        unit, shown = characteristic.unit, self.units.shown
        sums: dict[str, Any] = {"typed": reading.value, "sure": reading.uncertainty, "readings": reading.repeats}
        if reading.repeats:
            sums["mean"] = shown(reading.value, unit)
            sums["spread"] = shown(max(reading.repeats) - min(reading.repeats), unit)
        try:
            said = verdict(reading)
        except InspectionRefusal as refusal:
            return EntryRow(**plain, faults=[refusal.sentence], readings=reading.repeats)
        note = said.note
        if reading.repeats and reading.summed_up.factor > FEW_READINGS * float(reading.instrument.coverage_factor):
            note = f"{len(reading.repeats)} readings say little about their own spread: take one or two more."
        return EntryRow(**plain, **sums, result=said.result, sentence=note)

    def _in_units(self, row: SheetRow) -> dict[str, str]:
        c, units = row.characteristic, self.units
        target = units.of(c.unit)
        measured = row.measurement
        return {
            "nominal": units.shown(c.nominal, c.unit),
            "asked": _limits(units, c),
            "own": _limits(EntryUnits(), c) if target != c.unit else "",
            "before": f"{units.shown(measured.value, c.unit)}, {measured.get_result_display()}" if measured else "",
        }

    def _boxes(self, number: int) -> list[str]:
        """The names of a line's boxes, in their order."""
        names, box = [], 1
        while (name := _box(number, box)) in self.fields:
            names.append(name)
            box += 1
        return names

    def _values(self, number: int) -> list[Decimal]:
        return [value for name in self._boxes(number) for value in self.cleaned_data.get(name) or []]

    def _reading(self, characteristic: Characteristic) -> Reading | None:
        if not self.is_bound:
            return None
        errors, number = self.errors, characteristic.number
        values = self._values(number)
        instrument = self.instruments.get(self.cleaned_data.get(f"instrument-{number}"))
        if not values or instrument is None or any(name in errors for name in self._boxes(number)):
            return None
        return reading_of(characteristic, values, instrument)


def _box(number: int, box: int) -> str:
    return f"value-{number}" if box == 1 else f"value-{number}-{box}"


def _limits(units: EntryUnits, c: Characteristic) -> str:
    lower, upper = units.shown(c.lower, c.unit), units.shown(c.upper, c.unit)
    if c.lower is not None and c.upper is not None:
        return f"{units.plain(c.lower, c.unit).replace('-', '−') if units.of(c.unit) != 'ft-in' else lower} to {upper}"
    return f"{lower} or more" if c.lower is not None else f"{upper} or less"
