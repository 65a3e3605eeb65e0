"""Forms of features and of what they feed."""

from typing import Any

from django import forms

from .act_forms import ActForm
from .models import Characteristic, Feature, Feed, Revision

KINDS = [
    ("plane", "plane: flatness, distance, angle"),
    ("line", "line along a strip or an edge: straightness, distance, angle"),
    ("circle", "circle: roundness, diameter, position, distance"),
    ("cylinder", "cylinder: cylindricity, diameter, position, distance, angle"),
    ("sphere", "sphere: departure from it, diameter, position, distance"),
]
GIVES = [
    ("form", "its form: flatness, straightness, roundness, cylindricity"),
    ("diameter", "its diameter"),
    ("position", "its position, as the diameter of the round zone about the nominal"),
    ("distance", "its distance from another feature"),
    ("angle", "its angle to another feature"),
]


class FeatureForm(ActForm):
    kind = forms.ChoiceField(choices=KINDS)

    class Meta:
        model = Feature
        fields = ["name", "kind", "regions"]
        widgets = {"regions": forms.CheckboxSelectMultiple}
        help_texts = {
            "name": "As “dowel hole”.",
            "regions": "Points measured on them are used, away from their edges; strays are left out.",
        }
        error_messages = {"regions": {"required": "Choose at least one region: its points are what it is fitted to."}}

    def __init__(self, *args: Any, revision: Revision, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["regions"].queryset = revision.regions.order_by("name")


class FeedForm(ActForm):
    gives = forms.ChoiceField(label="takes", choices=GIVES)

    class Meta:
        model = Feed
        fields = ["characteristic", "feature", "gives", "other"]
        labels = {"other": "the other feature"}
        help_texts = {
            "characteristic": "Measured by scan and not yet fed.",
            "other": "For a distance or an angle.",
        }

    field_order = ["characteristic", "gives", "feature", "other"]

    def __init__(self, *args: Any, revision: Revision, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["characteristic"].queryset = free_characteristics(revision)
        self.fields["characteristic"].empty_label = "Choose a characteristic"
        for name in ("feature", "other"):
            self.fields[name].queryset = revision.features.order_by("name")
            self.fields[name].empty_label = "Choose a feature"
        self.fields["other"].empty_label = "none"


def free_characteristics(revision: Revision):
    """Characteristics measured by scan that nothing feeds yet."""
    rows = revision.characteristics.filter(method=Characteristic.Method.SCAN, feed__isnull=True)
    return rows.exclude(kind=Characteristic.Kind.PROFILE).order_by("number")
