"""What the scans of a revision are aligned by: part of its definition."""

from django.db import models
from django.db.models import Q

from metrology.alignment.model import BEST_FIT, DATUM, MARKED
from metrology.wording import listed

from .models import Revision
from .region_models import Region


class AlignmentKind(models.TextChoices):
    DATUM = DATUM, "datum alignment"
    MARKED = MARKED, "marked points"
    BEST_FIT = BEST_FIT, "best fit"


class RevisionAlignment(models.Model):
    """How a scan is placed before it is judged. A revision without one is judged by best fit.

    Datum alignment needs three regions. Best fit may hold some motions as the datums have them, and then needs them
    too. Marked points belong to each scan.
    """

    class Motion(models.TextChoices):
        """Held motions, along and about the part's axes: +X forward, +Y left, +Z up."""

        ALONG_X = "along forward", "sliding forward and back"
        ALONG_Y = "along left", "sliding left and right"
        ALONG_Z = "along up", "sliding up and down"
        ABOUT_X = "about forward", "turning about the front–back axis"
        ABOUT_Y = "about left", "turning about the left–right axis"
        ABOUT_Z = "about up", "turning about the up axis"

    Kind = AlignmentKind

    revision = models.OneToOneField(Revision, on_delete=models.PROTECT, related_name="alignment")
    kind = models.CharField(max_length=20, choices=AlignmentKind, default=AlignmentKind.DATUM)
    primary = models.ForeignKey(Region, null=True, blank=True, on_delete=models.PROTECT, related_name="primary_of")
    secondary = models.ForeignKey(Region, null=True, blank=True, on_delete=models.PROTECT, related_name="secondary_of")
    tertiary = models.ForeignKey(Region, null=True, blank=True, on_delete=models.PROTECT, related_name="tertiary_of")
    held = models.JSONField(default=list, blank=True, help_text="Motions that best fit leaves as the datums have them.")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=~Q(kind=AlignmentKind.DATUM)
                | Q(primary__isnull=False, secondary__isnull=False, tertiary__isnull=False),
                name="parts_datum_alignment_has_three_regions",
            ),
            models.CheckConstraint(
                condition=Q(kind=AlignmentKind.BEST_FIT) | Q(held=[]), name="parts_only_best_fit_holds_motions"
            ),
        ]

    def __str__(self) -> str:
        return self.words

    @property
    def trail(self) -> str:
        return self.revision.trail

    @property
    def datums(self) -> list[Region]:
        return [region for region in (self.primary, self.secondary, self.tertiary) if region]

    @property
    def words(self) -> str:
        """ "datum alignment on “underside”, “left side” and “front”"."""
        on = listed([f"“{region}”" for region in self.datums])
        if self.kind == AlignmentKind.DATUM:
            return f"datum alignment on {on}"
        if self.held:
            motions = listed([str(self.Motion(one).label) for one in self.held], 6)
            return f"best fit, with {motions} held by the datums {on}"
        return str(self.get_kind_display())


def kind_of(revision: Revision) -> str:
    """What the definition asks for, in words; best fit when it says nothing. One query unless it was selected."""
    alignment = alignment_of(revision)
    return alignment.kind if alignment else BEST_FIT


def alignment_of(revision: Revision) -> RevisionAlignment | None:
    try:
        return revision.alignment
    except RevisionAlignment.DoesNotExist:
        return None
