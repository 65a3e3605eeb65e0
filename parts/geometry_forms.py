"""The forms that put a nominal or a drawing on file."""

from typing import Any

from django import forms

from metrology.amounts.units import UNIT_NAMES
from metrology.reading.accepted import IN_WORDS, SUFFIXES

from .forms import LENGTHS
from .kept import KeptFileForm


class NominalForm(KeptFileForm):
    """A nominal with its unit.

    likely_unit: set when the file states another one. ask_together: set when it holds several solids.
    """

    likely_unit = ""
    ask_together = False

    choose_file = "Choose the file with the nominal."
    file = forms.FileField(
        label="file",
        help_text=f"{IN_WORDS['mesh']}, up to 250\u00a0MB.",
        required=False,
        max_length=255,
        widget=forms.ClearableFileInput(attrs={"accept": ",".join(SUFFIXES["mesh"])}),
        error_messages={"empty": "The file is empty (0 bytes). Export it again."},
    )
    unit = forms.ChoiceField(
        label="unit of the file",
        choices=[("", "Choose")] + LENGTHS,
        error_messages={"required": "Say in which unit the file is."},
    )
    together = forms.BooleanField(label="all of them are cast as one piece", required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        # The one-tap fix: the unit on the button that was pressed counts.
        if (unit := self.data.get("take_unit")) in UNIT_NAMES:
            self.change(unit=unit)

    @property
    def likely_name(self) -> str:
        return UNIT_NAMES.get(self.likely_unit, "")

    @property
    def insists(self) -> bool:
        """Whether the person keeps this very unit although the file states another."""
        return bool(self.data.get("insist")) and self.data.get("insist") == self.data.get("unit")


class DrawingForm(KeptFileForm):
    choose_file = "Choose a PDF."
    file = forms.FileField(
        label="drawing",
        help_text="PDF.",
        required=False,
        max_length=255,
        error_messages={"empty": "The file is empty (0 bytes). Export it again."},
    )
