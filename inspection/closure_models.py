"""Loops: dimensions that close over a gap, and rings of equal pieces. Whether they close is worked out when asked."""

from django.conf import settings
from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import F, Q
from django.urls import reverse

from parts.models import Component, Interface, Kit, limits_in_order


class ClosureLoop(models.Model):
    """What must close in an assembly: a gap, or the joints of a ring. Millimetres, full size; a formula may give °."""

    class How(models.TextChoices):
        ROW = "row", "dimensions in a row"
        FORMULA = "formula", "by formula"
        RING = "ring", "ring of equal pieces"

    class Built(models.TextChoices):
        FREE = "free", "piece against piece"
        FIXED = "fixed", "each piece on its set-out place"

    class Unit(models.TextChoices):
        MM = "mm", "mm"
        DEG = "°", "°"

    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="closure_loops")
    code = models.CharField(max_length=20)
    name = models.CharField(max_length=120)
    how = models.CharField(max_length=10, choices=How, default=How.ROW)
    formula = models.CharField(max_length=500, blank=True)
    unit = models.CharField(max_length=5, choices=Unit, default=Unit.MM)
    interface = models.ForeignKey(
        Interface, null=True, blank=True, on_delete=models.PROTECT, related_name="closure_loops",
        help_text="Whose limits hold; else those below.",
    )  # fmt: skip
    lower = models.DecimalField("least gap", max_digits=10, decimal_places=3, null=True, blank=True)
    upper = models.DecimalField("greatest gap", max_digits=10, decimal_places=3, null=True, blank=True)
    assemblies = models.PositiveIntegerField("assemblies of this kind in the works", default=1)
    pieces = models.PositiveIntegerField(null=True, blank=True, validators=[MinValueValidator(3)])
    chord = models.DecimalField(
        "length of a piece between its joint faces", max_digits=10, decimal_places=3, null=True, blank=True
    )
    joint = models.DecimalField("nominal joint", max_digits=8, decimal_places=3, null=True, blank=True)
    depth = models.DecimalField("depth of the joint face", max_digits=10, decimal_places=3, null=True, blank=True)
    built = models.CharField(max_length=10, choices=Built, blank=True)
    step = models.DecimalField("largest step across", max_digits=8, decimal_places=3, null=True, blank=True)
    height_step = models.DecimalField("largest step in height", max_digits=8, decimal_places=3, null=True, blank=True)
    note = models.TextField(blank=True)
    for_gate = models.BooleanField("counts for the gate", default=True, help_text="Off: a sketch; no check reads it.")
    created_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    created_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)
    ended_why = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["code"]
        constraints = [
            models.UniqueConstraint(fields=["kit", "code"], name="inspection_loop_code_once"),
            limits_in_order("inspection_loop_limits_in_order"),
            models.CheckConstraint(
                condition=~Q(how="ring") | (Q(pieces__gte=3, chord__gt=0) & ~Q(built="")),
                name="inspection_ring_says_what_it_is",
            ),
            models.CheckConstraint(
                condition=~Q(how="formula") | ~Q(formula=""), name="inspection_loop_has_its_formula"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.code} {self.name}"

    @property
    def trail(self) -> str:
        return f"{self.kit.code}/{self.code}"

    def get_absolute_url(self) -> str:
        return reverse("inspection:loop", args=[self.kit.code, self.code])


class LoopMember(models.Model):
    """One dimension of a loop: a characteristic, on whatever revision counts, or a typed one (site, bought in)."""

    class Role(models.TextChoices):
        LENGTH = "length", "length of a piece"
        ANGLE = "angle", "angle between its faces in plan"
        HEIGHT = "height", "height of its far end"
        PITCH = "pitch", "angle between its faces in elevation"
        ALONG = "along", "place along the ring"
        ACROSS = "across", "place across the ring"
        UP = "up", "place in height"

    loop = models.ForeignKey(ClosureLoop, on_delete=models.CASCADE, related_name="members")
    position = models.PositiveIntegerField()
    name = models.CharField(max_length=40)
    component = models.ForeignKey(
        Component, null=True, blank=True, on_delete=models.PROTECT, related_name="closure_members"
    )
    number = models.PositiveIntegerField("number on the drawing", null=True, blank=True)
    nominal = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    lower = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    upper = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    sensitivity = models.DecimalField(max_digits=12, decimal_places=6, default=1)
    times = models.PositiveIntegerField("pieces in the loop", default=1, validators=[MinValueValidator(1)])
    role = models.CharField(max_length=10, choices=Role, blank=True)

    class Meta:
        ordering = ["loop", "position"]
        constraints = [
            models.UniqueConstraint(fields=["loop", "position"], name="inspection_member_position_once"),
            models.UniqueConstraint(fields=["loop", "name"], name="inspection_member_name_once"),
            models.CheckConstraint(
                condition=Q(component__isnull=False, number__isnull=False, nominal__isnull=True)
                | Q(
                    component__isnull=True,
                    number__isnull=True,
                    nominal__isnull=False,
                    lower__lte=F("upper"),
                ),
                name="inspection_member_is_drawn_or_typed",
            ),
            models.CheckConstraint(condition=Q(times__gte=1), name="inspection_member_stands_in_the_loop"),
        ]

    def __str__(self) -> str:
        return self.name
