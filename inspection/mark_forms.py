"""The form of marked points: pairs of a place on the scan and the same place on the nominal."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django import forms

from metrology.alignment.model import MarkedPair
from parts.fields import DecimalCommaField

from .alignment_models import MarkedPoint

ROWS = 6
SIDES = ("scan", "nominal")
AXES = ("x", "y", "z")


@dataclass(frozen=True)
class MarkRow:
    """One pair on the page."""

    number: int
    name: forms.BoundField
    sides: list[tuple[str, list[tuple[str, forms.BoundField]]]]
    faults: list[str]


class MarksForm(forms.Form):
    """Rows that are empty are passed over; a row must be whole."""

    def __init__(self, *args: Any, marks: Sequence[MarkedPoint] = (), **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.rows = max(ROWS, len(marks) + 1)
        found = {mark.number: mark for mark in marks}
        for row in range(1, self.rows + 1):
            mark = found.get(row)
            self.fields[f"name-{row}"] = forms.CharField(
                label=f"Name of pair {row}", max_length=60, required=False, initial=mark.name if mark else ""
            )
            for side in SIDES:
                at = getattr(mark, f"on_{side}") if mark else (None,) * 3
                for axis, value in zip(AXES, at, strict=True):
                    self.fields[f"{side}-{row}-{axis}"] = DecimalCommaField(
                        label=f"Pair {row} on the {side}, {axis}", unit="mm", fixed=True,
                        required=False, max_digits=16, decimal_places=4,
                        initial=None if value is None else round(value, 4),
                        widget=forms.TextInput(attrs={"inputmode": "decimal", "data-axis": axis, "size": 9}),
                    )  # fmt: skip

    def clean(self) -> dict[str, Any]:
        data = super().clean()
        for row in range(1, self.rows + 1):
            names = [f"{side}-{row}-{axis}" for side in SIDES for axis in AXES]
            empty = [name for name in names if data.get(name) is None and name not in self.errors]
            if empty and len(empty) < len(names):
                self.add_error(empty[0], f"Pair {row} lacks a coordinate: a pair has x, y and z on both.")
        return data

    @property
    def pairs(self) -> list[MarkedPair]:
        """The pairs that are whole."""
        found = []
        for row in range(1, self.rows + 1):
            scan, nominal = (tuple(self.cleaned_data.get(f"{side}-{row}-{axis}") for axis in AXES) for side in SIDES)
            if None not in scan + nominal:
                name = self.cleaned_data.get(f"name-{row}", "")
                found.append(MarkedPair(tuple(map(float, scan)), tuple(map(float, nominal)), name))
        return found

    def mark_rows(self) -> list[MarkRow]:
        return [
            MarkRow(
                row,
                self[f"name-{row}"],
                [(side, [(axis, self[f"{side}-{row}-{axis}"]) for axis in AXES]) for side in SIDES],
                [
                    error
                    for name in (f"name-{row}", *(f"{side}-{row}-{axis}" for side in SIDES for axis in AXES))
                    for error in (self[name].errors if self.is_bound else [])
                ],
            )
            for row in range(1, self.rows + 1)
        ]
