"""The form of a revision's alignment: its kind, its datum regions, and what best fit holds."""

from typing import Any

from django import forms

from .alignment_models import AlignmentKind, RevisionAlignment
from .models import Revision

KINDS = [
    (AlignmentKind.DATUM, "Datum alignment: plane, line and point of three regions, as the drawing's datums"),
    (AlignmentKind.MARKED, "Marked points: three pairs or more, marked on each scan"),
    (AlignmentKind.BEST_FIT, "Best fit: the whole surface, which spreads errors and may hide a tilt"),
]


class AlignmentForm(forms.Form):
    kind = forms.ChoiceField(label="Aligned by", choices=KINDS, widget=forms.RadioSelect)
    primary = forms.ModelChoiceField(
        label="Primary: its plane", queryset=None, required=False, empty_label="Choose a region",
        help_text="Flat, and the widest that bears the part. Fixes three degrees of freedom.",
    )  # fmt: skip
    secondary = forms.ModelChoiceField(
        label="Secondary: its line on that plane", queryset=None, required=False, empty_label="Choose a region",
        help_text="A long side that stands across the primary. Fixes two.",
    )  # fmt: skip
    tertiary = forms.ModelChoiceField(
        label="Tertiary: a point on that line", queryset=None, required=False, empty_label="Choose a region",
        help_text="An end that stands across both. Fixes the last one.",
    )  # fmt: skip
    held = forms.MultipleChoiceField(
        label="Best fit holds, as the datums have it",
        choices=RevisionAlignment.Motion,
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text="For best fit only: these motions stay as datum alignment leaves them, the others are fitted.",
    )

    def __init__(self, *args: Any, revision: Revision, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name in ("primary", "secondary", "tertiary"):
            self.fields[name].queryset = revision.regions.order_by("name")
            self.fields[name].error_messages["invalid_choice"] = "Choose a region of this revision."
