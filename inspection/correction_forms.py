"""What people type about mould corrections. Rules of the trade are in the services."""

from decimal import ROUND_UP, Decimal
from typing import Any

from django import forms
from django.utils import timezone

from casting.forms import Day
from casting.models import Mould
from parts.fields import DecimalCommaField
from parts.models import Revision, code_validator

from .compared import Group
from .models import ScanResult
from .services.scans import profile_of


class CorrectForm(forms.Form):
    """Which casts of a mould to rest on, and how far to go."""

    serials = forms.MultipleChoiceField(
        label="Casts to rest on",
        widget=forms.CheckboxSelectMultiple,
        error_messages={"required": "Choose at least one cast; three or more also say how sure it is."},
    )
    smoothing = DecimalCommaField(label="Smoothing length", unit="mm", max_digits=7, decimal_places=1)
    most = DecimalCommaField(label="Most in one step", unit="mm", max_digits=6, decimal_places=2)
    damping = DecimalCommaField(label="Share taken out", unit="%", max_digits=4, decimal_places=0)
    by_scale = forms.BooleanField(label="Scale the pattern per direction first", required=False)
    pull = forms.ChoiceField(label="Pull direction", choices=Mould.Pull)
    kind = forms.ChoiceField(label="Kind of mould", choices=Mould.Kind)

    def __init__(self, *args: Any, group: Group, revision: Revision, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["serials"].choices = [
            (scan.cast.serial, f"{scan.cast.serial}, pour {group.pours[scan.cast_id]}, scan {scan.code}")
            for scan in group.scans
        ]
        self.initial = usual(group, revision) | self.initial


def usual(group: Group, revision: Revision) -> dict[str, Any]:
    """Starting values: all casts, twice the distance between measured places, the width of the profile's limits."""
    spacings = ScanResult.objects.filter(scan__in=[scan.pk for scan in group.scans]).values_list(
        "figures__spacing_mm", flat=True
    )
    spacing = max((value for value in spacings if value), default=10.0)
    profile = profile_of(revision)
    width = profile.upper - profile.lower if profile else Decimal(2)
    return {
        "serials": [scan.cast.serial for scan in group.scans],
        "smoothing": (Decimal(2 * spacing) / 5).quantize(Decimal(1), ROUND_UP) * 5,
        "most": width.quantize(Decimal("0.01")),
        "damping": Decimal(100),
        "by_scale": True,
        "pull": group.mould.pull if group.mould else Mould.Pull.UP,
        "kind": group.mould.kind if group.mould else Mould.Kind.OPEN_FACE,
    }


class MouldMadeForm(forms.Form):
    """The mould that was made from a correction; the rest follows from the correction."""

    code = forms.CharField(label="Code", max_length=20, required=False, validators=[code_validator],
                           help_text="Empty: the next free number.")  # fmt: skip
    made_on = Day(label="Made on")
    note = forms.CharField(
        label="What else was changed",
        widget=forms.Textarea(attrs={"rows": 2}),
        required=False,
        help_text="Rim, release, stiffening: what the surface does not say.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.initial.setdefault("made_on", timezone.localdate())
