"""What people type to plan and to run a gauge study."""

from itertools import groupby
from typing import Any

from django import forms
from django.contrib.auth import get_user_model

from parts.fields import DecimalCommaField
from parts.models import Kit

from . import gauge_queries, queries


class PlanGaugeStudyForm(forms.Form):
    instrument = forms.ModelChoiceField(label="Instrument", queryset=None, empty_label="choose one")
    characteristic = forms.TypedChoiceField(
        label="Characteristic that is read",
        required=False,
        empty_value=None,
        help_text="Empty: the instrument as a whole. Then name what is read.",
    )
    what = forms.CharField(
        label="What is read", required=False, max_length=120, help_text="Where it is no characteristic of a drawing."
    )
    tolerance = DecimalCommaField(
        label="Width of its tolerance",
        required=False,
        max_digits=14,
        decimal_places=4,
        min_value=0.0001,
        help_text="In the unit of the instrument; a characteristic brings its own.",
    )
    parts = forms.CharField(
        label="Parts",
        widget=forms.Textarea(attrs={"rows": 6}),
        help_text="One in each line: the serial of a cast, or another mark. Ten that span what is made are usual.",
    )
    appraisers = forms.ModelMultipleChoiceField(
        label="Who reads", queryset=None, widget=forms.CheckboxSelectMultiple, help_text="Three are usual."
    )
    repeats = forms.IntegerField(label="Readings of each part by each", min_value=1, max_value=20, initial=3)

    def __init__(self, *args: Any, kit: Kit, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["instrument"].queryset = queries.instruments_of(kit)
        self._characteristics = {str(row.pk): row for row in gauge_queries.readable(kit)}
        choices: list[Any] = [("", "the instrument as a whole")]
        for revision, rows in groupby(self._characteristics.values(), key=lambda row: row.revision):
            choices.append((str(revision), [(str(row.pk), f"{row} ({row.unit})") for row in rows]))
        self.fields["characteristic"].choices = choices
        self.fields["characteristic"].coerce = self._characteristics.get
        people = get_user_model().objects.filter(is_active=True, groups__isnull=False).distinct()
        self.fields["appraisers"].queryset = people.order_by("first_name", "last_name", "username")

    def clean_parts(self) -> list[str]:
        labels = [line.strip() for line in self.cleaned_data["parts"].splitlines() if line.strip()]
        if long := next((label for label in labels if len(label) > 60), None):
            raise forms.ValidationError(f"“{long[:30]}…” is too long for a mark. Write at most 60 characters.")
        return labels


class ReadingForm(forms.Form):
    """One reading; `order` says of which place in the run order it is."""

    value = DecimalCommaField(label="Reading", max_digits=14, decimal_places=4)
    order = forms.IntegerField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, unit: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["value"] = DecimalCommaField(
            label="Reading", max_digits=14, decimal_places=4, unit="" if unit == "1" else unit
        )
        self.fields["value"].widget.attrs |= {"inputmode": "decimal", "autocomplete": "off", "autofocus": True}


class WhyForm(forms.Form):
    reason = forms.CharField(label="Why", widget=forms.Textarea(attrs={"rows": 3}))
