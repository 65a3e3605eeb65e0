"""What people fill in about sites, and what the site team logs."""

from typing import Any

from django import forms
from django.contrib.auth import get_user_model

from casting.models import Cast
from parts.models import Component, Kit

from .models import Position, code_validator
from .queries import free_positions, hold_points_for


class SiteForm(forms.Form):
    code = forms.CharField(max_length=20, validators=[code_validator], help_text="Short, as it stands in addresses.")
    name = forms.CharField(max_length=120)
    contact_name = forms.CharField(label="Who to call", max_length=120)
    contact_phone = forms.CharField(label="Phone", max_length=40, widget=forms.TextInput(attrs={"type": "tel"}))
    team = forms.ModelMultipleChoiceField(
        label="Site team", queryset=None, required=False, widget=forms.CheckboxSelectMultiple
    )

    def __init__(self, *args: Any, changing: bool = False, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        people = get_user_model().objects.filter(is_active=True).order_by("first_name", "username")
        self.fields["team"].queryset = people
        if changing:
            del self.fields["code"]


class PositionForm(forms.Form):
    code = forms.CharField(max_length=20, validators=[code_validator])
    name = forms.CharField(max_length=120, help_text="As the site team says it: pier 3, seaward seat.")
    component = forms.ModelChoiceField(queryset=None)
    order = forms.IntegerField(label="Order of building", min_value=0, initial=0)

    def __init__(self, *args: Any, kit: Kit, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["component"].queryset = Component.objects.filter(kit=kit)


class HoldPointForm(forms.Form):
    component = forms.ModelChoiceField(queryset=None)
    text = forms.CharField(
        label="What must be signed", max_length=200, help_text="With its number and unit: seat level within 3 mm."
    )

    def __init__(self, *args: Any, kit: Kit, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["component"].queryset = Component.objects.filter(kit=kit)


class InstallForm(forms.Form):
    """Position and hold points; every point is ticked by the person who looked."""

    position = forms.ModelChoiceField(queryset=Position.objects.none())
    note = forms.CharField(label="Note", required=False, max_length=300)

    def __init__(self, *args: Any, cast: Cast, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        positions = free_positions(cast)
        field = self.fields["position"]
        field.queryset = positions
        field.label_from_instance = lambda position: f"{position.site.name}, {position.name}"
        if len(positions) == 1:
            field.initial = positions[0]
        self.points = list(hold_points_for(cast))
        for point in self.points:
            self.fields[f"point-{point.pk}"] = forms.BooleanField(label=point.text, required=False)

    def signed(self) -> dict[int, str]:
        """The hold points that were ticked, for `services.install`."""
        return {point.pk: "" for point in self.points if self.cleaned_data.get(f"point-{point.pk}")}

    def point_fields(self) -> list[Any]:
        return [self[f"point-{point.pk}"] for point in self.points]


class TakeOutForm(forms.Form):
    why = forms.CharField(label="Why it was taken out", widget=forms.Textarea(attrs={"rows": 3}))
