"""What is asked about mouldability."""

import re
from typing import Any

from django import forms

from .fields import DecimalCommaField, read_decimal
from .models import Component
from .mould_models import MouldabilityCheck

PULLS = {
    "": ("find the best", None),
    "up": ("upwards", (0, 0, 1)),
    "down": ("downwards", (0, 0, -1)),
    "forward": ("forwards", (1, 0, 0)),
    "back": ("backwards", (-1, 0, 0)),
    "left": ("to the left", (0, 1, 0)),
    "right": ("to the right", (0, -1, 0)),
    "numbers": ("as three numbers", None),
}
BETWEEN = re.compile(r"[;|\t\n]+|\s+|,\s+")


class ThreeNumbersField(forms.CharField):
    """ "0; 0,5; 1": three numbers parted by semicolons or blanks, with a decimal point or comma."""

    def clean(self, value: Any) -> tuple[float, float, float] | None:
        text = super().clean(value)
        if not text:
            return None
        parts = [part for part in BETWEEN.split(text.strip().strip("()[]")) if part]
        if len(parts) == 1:
            parts = text.split(",")
        try:
            x, y, z = (float(read_decimal(part)) for part in parts)
        except ValueError:
            raise forms.ValidationError("Write three numbers, such as 0; 0; 1.", code="invalid") from None
        return x, y, z


class MouldabilityForm(forms.Form):
    kind = forms.ChoiceField(label="Mould", choices=MouldabilityCheck.Kind)
    pull = forms.ChoiceField(
        label="Pull direction", required=False, choices=[(key, words) for key, (words, _) in PULLS.items()],
        help_text="The way the part leaves its mould, in the part's own frame.",
    )  # fmt: skip
    pull_numbers = ThreeNumbersField(
        label="Pull as three numbers", required=False, help_text="Forward; left; up. Only for “as three numbers”."
    )
    fill_at = ThreeNumbersField(
        label="A point on the fill face, mm", required=False,
        help_text="Open-face moulds: x; y; z. Empty: the largest flat face towards the pull.",
    )  # fmt: skip
    draft_wanted = DecimalCommaField(
        label="Draft angle wanted", unit="°", max_digits=4, decimal_places=1, initial=2, min_value=0, max_value=44,
        help_text="Common practice, no source: 1 to 2° in polished or flexible moulds, 7 to 9° for cast stone, "
        "1 : 6 (9.5°) where the mould is stiff.",
    )  # fmt: skip
    wall_wanted = DecimalCommaField(
        label="Wall wanted", unit="mm", max_digits=6, decimal_places=1, required=False,
        help_text="Empty: the thinnest wall is named, and not judged.",
    )  # fmt: skip

    def __init__(self, *args: Any, component: Component, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if component.made_how == Component.MadeHow.TWO_PART:
            self.initial.setdefault("kind", MouldabilityCheck.Kind.TWO_PART)

    def clean(self) -> dict[str, Any]:
        data = super().clean()
        if data.get("pull") == "numbers" and not data.get("pull_numbers") and "pull_numbers" not in self.errors:
            self.add_error("pull_numbers", "Write the three numbers of the direction.")
        return data

    def asked(self) -> dict[str, Any]:
        """Arguments of `services.mouldability.ask_mouldability`."""
        data = self.cleaned_data
        pull = data["pull_numbers"] if data["pull"] == "numbers" else PULLS[data["pull"]][1]
        return {
            "kind": data["kind"],
            "pull": pull,
            "fill_at": data["fill_at"] if data["kind"] == MouldabilityCheck.Kind.OPEN_FACE else None,
            "draft_wanted": data["draft_wanted"],
            "wall_wanted": data["wall_wanted"],
        }
