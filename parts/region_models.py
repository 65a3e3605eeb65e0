"""What is measured on the surface of a nominal: regions, features fitted in them, and what feeds a characteristic."""

from typing import Any

from django.db import models
from django.db.models import F, Q

from metrology.surfaces.selection import Selection
from metrology.surfaces.selection_plain import from_plain, in_words

from .models import Characteristic, Revision, limits_in_order


class Region(models.Model):
    """A named part of the nominal surface with limits of its own on deviation, mm.

    How it is chosen is kept, never which triangles: so it is found again on another mesh of the same part.
    """

    revision = models.ForeignKey(Revision, on_delete=models.PROTECT, related_name="regions")
    name = models.CharField(max_length=60)
    selection = models.JSONField(help_text="How it is chosen on the nominal.")
    lower = models.DecimalField("lower limit", max_digits=10, decimal_places=3)
    upper = models.DecimalField("upper limit", max_digits=10, decimal_places=3)
    moved_limit = models.DecimalField(
        "moved as a whole by at most, ± mm", max_digits=8, decimal_places=3, null=True, blank=True
    )
    turned_limit = models.DecimalField(
        "turned as a whole by at most, ± degrees", max_digits=7, decimal_places=3, null=True, blank=True
    )
    found = models.JSONField(
        default=dict, blank=True, help_text="What it found on which nominal: hash, faces, area in mm², seeds lost."
    )

    class Meta:
        ordering = ["revision", "name"]
        constraints = [
            models.UniqueConstraint(fields=["revision", "name"], name="parts_region_name_once"),
            limits_in_order("parts_region_limits_in_order"),
            models.CheckConstraint(
                condition=(Q(moved_limit__isnull=True) | Q(moved_limit__gt=0))
                & (Q(turned_limit__isnull=True) | Q(turned_limit__gt=0)),
                name="parts_region_motion_limits_positive",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def trail(self) -> str:
        return self.revision.trail

    @property
    def chosen(self) -> Selection:
        """Raises InputError (selection) when what is kept cannot be read."""
        return from_plain(self.selection)

    @property
    def words(self) -> str:
        return in_words(self.chosen)

    @property
    def area_cm2(self) -> float | None:
        return self.found["area"] / 100 if self.found else None

    def stands_on(self, geometry: Any) -> bool:
        """Whether what it found is what it finds on this nominal."""
        return bool(geometry) and self.found.get("nominal") == geometry.file.sha256


class Feature(models.Model):
    """A plane, line, circle, cylinder or sphere that is fitted to the points measured in one region or several."""

    class Kind(models.TextChoices):
        PLANE = "plane", "plane"
        LINE = "line", "line"
        CIRCLE = "circle", "circle"
        CYLINDER = "cylinder", "cylinder"
        SPHERE = "sphere", "sphere"

    revision = models.ForeignKey(Revision, on_delete=models.PROTECT, related_name="features")
    name = models.CharField(max_length=60)
    kind = models.CharField(max_length=10, choices=Kind)
    regions = models.ManyToManyField(Region, related_name="features")

    class Meta:
        ordering = ["revision", "name"]
        constraints = [models.UniqueConstraint(fields=["revision", "name"], name="parts_feature_name_once")]

    def __str__(self) -> str:
        return self.name

    @property
    def trail(self) -> str:
        return self.revision.trail


class Feed(models.Model):
    """Where a characteristic that is measured by scan has its value from: a figure of one feature, or of two."""

    class Gives(models.TextChoices):
        FORM = "form", "form"
        DIAMETER = "diameter", "diameter"
        POSITION = "position", "position"
        DISTANCE = "distance", "distance"
        ANGLE = "angle", "angle"

    # Two features are needed for these.
    OF_TWO = (Gives.DISTANCE, Gives.ANGLE)

    characteristic = models.OneToOneField(Characteristic, on_delete=models.CASCADE, related_name="feed")
    feature = models.ForeignKey(Feature, on_delete=models.PROTECT, related_name="feeds")
    gives = models.CharField(max_length=10, choices=Gives)
    other = models.ForeignKey(Feature, null=True, blank=True, on_delete=models.PROTECT, related_name="feeds_as_other")

    class Meta:
        ordering = ["characteristic__number"]
        constraints = [
            models.CheckConstraint(
                condition=(Q(gives__in=["distance", "angle"]) & Q(other__isnull=False) & ~Q(other=F("feature")))
                | (~Q(gives__in=["distance", "angle"]) & Q(other__isnull=True)),
                name="parts_feed_two_features_where_two_are_needed",
            )
        ]

    def __str__(self) -> str:
        return f"{self.characteristic}: {self.words}"

    @property
    def trail(self) -> str:
        return self.characteristic.trail

    @property
    def form_name(self) -> str:
        """What the departure from the form of this feature is called."""
        return FORM_NAMES.get(self.feature.kind, "form")

    @property
    def words(self) -> str:
        if self.gives == self.Gives.FORM:
            return f"{self.form_name} of {self.feature}"
        if self.other_id:
            return (
                f"{self.gives} of {self.feature} {'from' if self.gives == self.Gives.DISTANCE else 'to'} {self.other}"
            )
        return f"{self.gives} of {self.feature}"


FORM_NAMES = {
    Feature.Kind.PLANE: "flatness",
    Feature.Kind.LINE: "straightness",
    Feature.Kind.CIRCLE: "roundness",
    Feature.Kind.CYLINDER: "cylindricity",
    Feature.Kind.SPHERE: "departure from the sphere",
}
