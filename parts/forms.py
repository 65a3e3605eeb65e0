"""Forms of this room. They read and check single values; what belongs together is checked by the services."""

from decimal import Decimal
from functools import cache
from typing import Any
from zoneinfo import available_timezones

from django import forms

from metrology.amounts.quantities import FEET_INCHES
from metrology.amounts.units import UNIT_NAMES

from . import units_in_use
from .act_forms import ActForm
from .acting import add_refusal
from .errors import Refusal
from .fields import DecimalCommaField, ToleranceField
from .limits import check_against_nominal, check_limits
from .models import Characteristic, Component, Interface, Kit, LengthUnit, Revision

LENGTHS = [(unit, f"{name} ({unit})") for unit, name in UNIT_NAMES.items()]


@cache
def time_zones() -> list[tuple[str, str]]:
    names = {name for name in available_timezones() if "/" in name and not name.startswith(("Etc/", "SystemV/"))}
    return [("UTC", "UTC"), *((name, name.replace("_", " ")) for name in sorted(names))]


class KitForm(ActForm):
    time_zone = forms.ChoiceField(choices=time_zones, help_text="Times on this kit's pages are shown in it.")
    length_unit = forms.ChoiceField(
        label="preferred unit", choices=LENGTHS, help_text="For showing lengths. Everything is kept in millimetres."
    )

    class Meta:
        model = Kit
        fields = ["code", "name", "about", "time_zone", "length_unit"]
        help_texts = {"code": "Short, as TPW. It stands in addresses and on tags and never changes."}
        widgets = {"about": forms.Textarea(attrs={"rows": 3})}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.instance.pk:
            del self.fields["code"]


class ComponentForm(ActForm):
    quantity = forms.IntegerField(
        label="quantity in the kit",
        min_value=1,
        initial=1,
        widget=forms.TextInput(attrs={"inputmode": "numeric"}),
        error_messages={
            "invalid": "Write a whole number, as 12.",
            "min_value": "Write 1 or more.",
            "required": "Say how many pieces one kit needs.",
        },
    )

    class Meta:
        model = Component
        fields = ["part_number", "name", "family", "material", "made_how", "quantity", "criticality"]
        labels = {"made_how": "how it is made"}
        help_texts = {
            "part_number": "As SB-02. Independent of revision.",
            "family": "Components that belong together, as deck panels.",
            "criticality": "How much hangs on it.",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name, suggestions in (("family", "families"), ("material", "materials")):
            self.fields[name].widget.attrs["list"] = suggestions
        if self.instance.pk and self.instance.revisions.all():
            del self.fields["part_number"]


class InterfaceForm(ActForm):
    lower = DecimalCommaField(label="least gap", unit="mm", required=False, max_digits=10, decimal_places=3)
    upper = DecimalCommaField(label="greatest gap", unit="mm", required=False, max_digits=10, decimal_places=3)

    class Meta:
        model = Interface
        fields = ["code", "name", "component_a", "component_b", "lower", "upper", "note"]
        labels = {"component_a": "component", "component_b": "meets component"}
        help_texts = {"code": "Leave it empty for the next free one."}
        widgets = {"note": forms.Textarea(attrs={"rows": 3})}

    def __init__(self, *args: Any, kit: Kit, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["code"].required = bool(self.instance.pk)
        for name in ("component_a", "component_b"):
            self.fields[name].queryset = kit.components.order_by("part_number")
            self.fields[name].empty_label = "Choose a component"
            self.fields[name].error_messages["invalid_choice"] = "Choose a component of this kit."

    def clean(self) -> dict[str, Any]:
        return limits_checked(self, "mm")


class RevisionForm(ActForm):
    letter = forms.RegexField(
        regex=r"^[A-Z]{1,3}$", error_messages={"invalid": "Use capital letters, as B.", "required": "Give a letter."}
    )
    strength_required = DecimalCommaField(
        label="required strength",
        unit="MPa",
        required=False,
        max_digits=6,
        decimal_places=1,
        min_value=Decimal("0.1"),
        help_text="The engineer's value. Leave it empty when no strength is asked for.",
    )
    strength_age_days = forms.IntegerField(
        label="at an age of",
        min_value=1,
        max_value=3650,
        initial=28,
        widget=forms.TextInput(attrs={"inputmode": "numeric"}),
        error_messages={
            "invalid": "Write whole days, as 28.",
            "min_value": "Write 1 day or more.",
            "max_value": "Write 3650 days or fewer.",
            "required": "Give the age in days, usually 28.",
        },
    )
    copy_before = forms.BooleanField(required=False, initial=True)

    class Meta:
        model = Revision
        fields = ["letter", "what_changed", "why", "cautions", "strength_required", "strength_age_days"]
        widgets = {name: forms.Textarea(attrs={"rows": 3}) for name in ("what_changed", "why", "cautions")}
        help_texts = {
            "what_changed": "Against the revision before; for the first one, what it is.",
            "cautions": "What can hurt someone who casts, lifts or installs it.",
        }

    def __init__(self, *args: Any, before: Revision | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.instance.pk:
            del self.fields["letter"], self.fields["copy_before"]
        elif before is None:
            del self.fields["copy_before"]
        else:
            self.fields["copy_before"].label = f"Take over characteristics and regions from {before.letter}"


class CharacteristicForm(ActForm):
    """One characteristic. Lengths may be given in any unit of length and are kept in millimetres."""

    number = forms.IntegerField(
        label="number on the drawing",
        min_value=1,
        max_value=99_999,
        widget=forms.TextInput(attrs={"inputmode": "numeric"}),
        error_messages={
            "invalid": "Write a whole number, as 12.",
            "min_value": "Write 1 or more.",
            "max_value": "Write 99999 or less.",
            "required": "Give the number on the drawing.",
        },
    )
    nominal = DecimalCommaField(required=False, max_digits=14, decimal_places=4)
    tolerance = ToleranceField(
        required=False, help_text="Instead of limits: 0.5, or +0.5/\u22120.2, about the nominal.", max_length=40
    )
    lower = DecimalCommaField(label="lower limit", required=False, max_digits=14, decimal_places=4)
    upper = DecimalCommaField(label="upper limit", required=False, max_digits=14, decimal_places=4)
    unit = forms.ChoiceField(
        choices=[
            *Characteristic.Unit.choices,
            *((unit, f"{unit}, kept as mm") for unit in (*LengthUnit.values, FEET_INCHES) if unit != LengthUnit.MM),
        ]
    )

    class Meta:
        model = Characteristic
        fields = ["number", "name", "kind", "nominal", "lower", "upper", "unit", "weight", "method"]
        error_messages = {"name": {"required": "Say what is measured, as “seat width”."}}

    field_order = ["number", "name", "kind", "unit", "nominal", "tolerance", "lower", "upper", "weight", "method"]
    FIGURES = ("nominal", "lower", "upper")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.initial.get("unit", "mm") == "mm":
            self.initial["unit"] = units_in_use.current().unit_for("mm")
        chosen = str(self["unit"].value())
        kept = "mm" if chosen in (*LengthUnit.values, FEET_INCHES) else chosen
        for field in (*(self.fields[name] for name in self.FIGURES), self.fields["tolerance"].figure):
            field.kept_unit, field.typed_unit, field.unit_elsewhere = kept, chosen, True

    def clean(self) -> dict[str, Any]:
        self._limits_from_tolerance()
        if self.cleaned_data.get("unit"):
            self.cleaned_data["unit"] = self.fields["nominal"].kept_unit
        cleaned = limits_checked(self, self.cleaned_data.get("unit", ""))
        if not self.errors:
            try:
                check_against_nominal(cleaned["nominal"], cleaned["lower"], cleaned["upper"])
            except Refusal as refusal:
                add_refusal(self, refusal)
        return cleaned

    def _limits_from_tolerance(self) -> None:
        cleaned = self.cleaned_data
        tolerance = cleaned.pop("tolerance", None)
        if tolerance is None or {"nominal", "lower", "upper"} & set(self.errors):
            return
        if cleaned["lower"] is not None or cleaned["upper"] is not None:
            self.add_error("tolerance", "Give limits or a tolerance, not both. Empty one of them.")
        elif cleaned["nominal"] is None:
            self.add_error("nominal", "A tolerance needs a nominal to stand about. Give it, or give limits.")
        else:
            cleaned["lower"], cleaned["upper"] = (cleaned["nominal"] + part for part in tolerance)


class ImportForm(forms.Form):
    text = forms.CharField(
        label="table", required=False, widget=forms.Textarea(attrs={"rows": 12, "spellcheck": "false", "wrap": "off"})
    )
    file = forms.FileField(label="CSV file", required=False)


def limits_checked(form: forms.BaseForm, unit: str) -> dict[str, Any]:
    """Put swapped or missing limits beside their field, unless one of them is not even a number."""
    cleaned = form.cleaned_data
    if not {"lower", "upper", "tolerance", "nominal"} & set(form.errors):
        try:
            check_limits(cleaned.get("lower"), cleaned.get("upper"), unit)
        except Refusal as refusal:
            add_refusal(form, refusal)
    return cleaned
