"""Mouldability of a nominal: what was asked and what was found, kept with the nominal's hash."""

from django.db import models
from django.db.models import Q
from django.urls import reverse

from logbook.models import StoredFile

from .work_models import Work


class MouldabilityCheck(Work):
    """One judgement of how a nominal leaves its mould; see `metrology.moulds`. Directions in the part's frame."""

    class Kind(models.TextChoices):
        OPEN_FACE = "open-face", "open-face mould"
        TWO_PART = "two-part", "mould of two parts"

    geometry = models.ForeignKey("parts.Geometry", on_delete=models.PROTECT, related_name="mouldability_checks")
    kind = models.CharField("mould", max_length=10, choices=Kind)
    pull = models.JSONField(null=True, blank=True, help_text="Three numbers; empty when the best was looked for.")
    fill_at = models.JSONField(null=True, blank=True, help_text="x, y, z in mm on the fill face; empty: the largest.")
    draft_wanted = models.DecimalField("draft angle wanted, °", max_digits=4, decimal_places=1)
    wall_wanted = models.DecimalField("wall wanted, mm", max_digits=6, decimal_places=1, null=True, blank=True)
    undercut = models.FloatField(null=True, blank=True, help_text="mm²")
    above = models.ForeignKey(StoredFile, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    below = models.ForeignKey(StoredFile, null=True, blank=True, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["-asked_at", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(draft_wanted__gte=0) & (Q(wall_wanted__isnull=True) | Q(wall_wanted__gt=0)),
                name="parts_mouldability_wanted",
            )
        ]

    def __str__(self) -> str:
        return f"mouldability of {self.geometry.revision}"

    @property
    def named(self) -> str:
        return f"Mouldability of {self.geometry.revision}"

    @property
    def trail(self) -> str:
        return self.geometry.revision.trail

    def get_absolute_url(self) -> str:
        return reverse("parts:mouldability", args=self.geometry.revision.url_args())
