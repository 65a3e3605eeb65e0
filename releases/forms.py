"""What people fill in to decide about a revision."""

from collections.abc import Iterable
from typing import Any

from django import forms
from django.contrib.auth import get_user_model
from django.utils import timezone

from casting.models import Cast
from parts.alignment_models import AlignmentKind
from parts.fields import DecimalCommaField
from parts.models import Revision

from .gate import CHECKS, GateReading, process
from .gate.base import Check

STOPS_FIRST_HELP = "What stops the revision stands first."


class ReasonForm(forms.Form):
    """One reason, for an act that needs nothing else."""

    why = forms.CharField(label="Why", widget=forms.Textarea(attrs={"rows": 3}))


class HoldForm(forms.Form):
    reason = forms.CharField(
        label="Why it is held",
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="The site team reads this on the phone: what was seen, with number and unit.",
    )
    what_to_do = forms.CharField(
        label="What the site team does now",
        required=False,
        widget=forms.Textarea(attrs={"rows": 3}),
        initial="Do not install it.\nLeave it where it is and call the lead.",
        help_text="One instruction a line.",
    )


class WithdrawForm(forms.Form):
    reason = forms.CharField(
        label="Why it must never be used again",
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="Shown on every tag.",
    )


class ConcessionForm(forms.Form):
    """Limits: serials or a quantity, and a last day."""

    check_code = forms.ChoiceField(label="Check that is not met", help_text=STOPS_FIRST_HELP)
    reason = forms.CharField(label="Why it may be used all the same", widget=forms.Textarea(attrs={"rows": 3}))
    condition = forms.CharField(label="Where and how it may be used", required=False, max_length=200)
    asked_by = forms.ModelChoiceField(label="Asked for by", queryset=None)
    serials = forms.ModelMultipleChoiceField(
        label="For these serials", queryset=None, required=False, widget=forms.CheckboxSelectMultiple
    )
    quantity = forms.IntegerField(label="Or for a number of pieces", required=False, min_value=1)
    expires_on = forms.DateField(label="Last day", widget=forms.DateInput(attrs={"type": "date"}))

    def __init__(self, *args: Any, revision: Revision, reading: GateReading, by: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        stopping = reading.stopping
        rest = [row for row in reading.rows if row not in stopping]
        self.fields["check_code"].choices = [(row.code, f"{row.title}: {row.verdict}") for row in [*stopping, *rest]]
        self.fields["serials"].queryset = Cast.objects.filter(revision=revision).exclude(
            standing=Cast.Standing.SCRAPPED
        )
        people = get_user_model().objects.filter(is_active=True).exclude(pk=by.pk)
        self.fields["asked_by"].queryset = people.order_by("first_name", "username")

    def clean_expires_on(self) -> Any:
        day = self.cleaned_data["expires_on"]
        if day < timezone.localdate():
            raise forms.ValidationError("That day is over. Choose today or a later day.")
        return day


class PlanForm(forms.Form):
    """A row per check: whether it applies, why not, and its settings."""

    def __init__(self, *args: Any, planned: dict[str, Any], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for check in CHECKS:
            row = planned.get(check.CODE)
            self.fields[f"{check.CODE}-applies"] = forms.BooleanField(
                label=check.TITLE, required=False, initial=row.applies if row else True
            )
            self.fields[f"{check.CODE}-reason"] = forms.CharField(
                label="Why it does not apply", required=False, max_length=200, initial=row.reason if row else ""
            )
            for name, standard in check.DEFAULTS.items():
                value = row.settings.get(name, standard) if row else standard
                self.fields[f"{check.CODE}-{name}"] = _setting(name, standard, value)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        for check in CHECKS:
            if not cleaned.get(f"{check.CODE}-applies") and not cleaned.get(f"{check.CODE}-reason", "").strip():
                self.add_error(f"{check.CODE}-reason", f"Say why {check.TITLE.lower()} does not apply.")
        return cleaned

    def rows(self) -> Iterable[tuple[Check, Any, Any, list[Any]]]:
        """For the page: the check, its tick, its reason, its settings."""
        for check in CHECKS:
            settings = [self[f"{check.CODE}-{name}"] for name in check.DEFAULTS]
            yield check, self[f"{check.CODE}-applies"], self[f"{check.CODE}-reason"], settings


def plan_checks(data: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """What `services.set_plan` takes, from the cleaned data of a `PlanForm`."""
    return {
        check.CODE: {
            "applies": data[f"{check.CODE}-applies"],
            "reason": data[f"{check.CODE}-reason"],
            "settings": {name: _plain(data[f"{check.CODE}-{name}"]) for name in check.DEFAULTS},
        }
        for check in CHECKS
    }


LABELS = {
    "minimum": ("Casts needed", 1, 1000),
    "coverage": ("Share of the surface to be measured, 0 to 1", 0, 1),
    "worst_ratio": ("Most that U may be of the half tolerance", 0.01, 1),
    "wanted": ("Wanted chance of closing, 0 to 1", 0.01, 0.9999),
    "confidence": ("Confidence of that chance, 0 to 1", 0.5, 0.999),
    "largest_grr": ("Most that %GRR may be of the tolerance, 0 to 1; 0 asks for no gauge study", 0, 1),
    "drawing": ("A drawing is needed", None, None),
    "closed": ("The mesh must be closed", None, None),
    "alignment": ("The verdict rests on", None, None),
    "process": ("Asked of the process", None, None),
    "fewest": ("Casts to tell it by", 2, 10_000),
    "ppk": ("Least Ppk, shown with 95\u00a0% confidence", 0.1, 10),
    "share": ("Least share of the casts to come, 0 to 1", 0.5, 0.999999),
}
# Settings that are words, with what can be chosen.
CHOICES = {
    "alignment": [("", "what the definition says"), *AlignmentKind.choices],
    "process": [
        (process.NOTHING, "nothing"),
        (process.STABLE, "stable"),
        (process.CAPABLE, "stable, with the least Ppk"),
        (process.SHARE, "stable, with the least share of the casts to come"),
    ],
}


def _setting(name: str, standard: Any, value: Any) -> forms.Field:
    label, least, most = LABELS[name]
    if name in CHOICES:
        return forms.ChoiceField(label=label, choices=CHOICES[name], required=False, initial=value)
    if isinstance(standard, bool):
        return forms.BooleanField(label=label, required=False, initial=value)
    if isinstance(standard, int):
        return forms.IntegerField(label=label, min_value=least, max_value=most, initial=value)
    return DecimalCommaField(label=label, min_value=least, max_value=most, initial=value)


def _plain(value: Any) -> Any:
    return value if isinstance(value, bool | int | str) else float(value)
