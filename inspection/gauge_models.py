"""Gauge studies: the same parts read by several people, again and again, to learn how far a gauge can be trusted."""

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.urls import reverse

from casting.models import Cast
from parts.models import Characteristic, Kit

from .models import Instrument

PERSON = settings.AUTH_USER_MODEL


class GaugeStudy(models.Model):
    """Every appraiser reads every part equally often, in an order drawn by lot, blind to earlier readings.

    characteristic: what is read; None for a study of the instrument as a whole, which `what` then names and whose
    tolerance, if any, is its own. grr: standard deviation of repeatability and reproducibility, from the readings that
    count, kept with the figures behind it when the study is complete.
    """

    class State(models.TextChoices):
        PLANNED = "planned", "planned"
        RUNNING = "under way", "under way"
        COMPLETE = "complete", "complete"
        WITHDRAWN = "withdrawn", "withdrawn"

    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="gauge_studies")
    code = models.CharField(max_length=20)
    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="gauge_studies")
    characteristic = models.ForeignKey(
        Characteristic, null=True, blank=True, on_delete=models.PROTECT, related_name="gauge_studies"
    )
    what = models.CharField("what is read", max_length=120)
    unit = models.CharField(max_length=5, choices=Characteristic.Unit)
    tolerance = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    repeats = models.PositiveSmallIntegerField()
    seed = models.BigIntegerField(help_text="Of the run order, so that it can be drawn again.")
    state = models.CharField(max_length=10, choices=State, default=State.PLANNED)
    planned_at = models.DateTimeField()
    planned_by = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    completed_at = models.DateTimeField(null=True, blank=True)
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    withdrawn_why = models.TextField(blank=True)
    grr = models.FloatField(null=True, blank=True)
    figures = models.JSONField(default=dict, blank=True)
    code_version = models.CharField(max_length=20, blank=True)

    class Meta:
        ordering = ["-planned_at", "-pk"]
        verbose_name_plural = "gauge studies"
        permissions = [("plan_gaugestudy", "Can plan and withdraw gauge studies")]
        constraints = [
            models.UniqueConstraint(fields=["kit", "code"], name="inspection_gauge_study_code_once"),
            models.CheckConstraint(condition=Q(repeats__gte=1), name="inspection_gauge_study_repeats"),
            models.CheckConstraint(
                condition=Q(tolerance__isnull=True) | Q(tolerance__gt=0), name="inspection_gauge_study_tolerance"
            ),
            models.CheckConstraint(
                condition=~Q(state="complete") | Q(grr__isnull=False), name="inspection_gauge_study_complete_has_grr"
            ),
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def trail(self) -> str:
        return self.characteristic.trail if self.characteristic else self.instrument.trail

    def get_absolute_url(self) -> str:
        return reverse("inspection:gauge-study", args=[self.kit.code, self.code])


class GaugeStudyPart(models.Model):
    """A part of a study: a cast, or anything else with a mark, such as a gauge block."""

    study = models.ForeignKey(GaugeStudy, on_delete=models.CASCADE, related_name="parts")
    place = models.PositiveSmallIntegerField()
    label = models.CharField(max_length=60)
    cast = models.ForeignKey(Cast, null=True, blank=True, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["place"]
        constraints = [
            models.UniqueConstraint(fields=["study", "place"], name="inspection_gauge_part_place_once"),
            models.UniqueConstraint(fields=["study", "label"], name="inspection_gauge_part_once"),
        ]

    def __str__(self) -> str:
        return self.label


class GaugeStudyAppraiser(models.Model):
    study = models.ForeignKey(GaugeStudy, on_delete=models.CASCADE, related_name="appraisers")
    place = models.PositiveSmallIntegerField()
    person = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["place"]
        constraints = [
            models.UniqueConstraint(fields=["study", "place"], name="inspection_gauge_appraiser_place_once"),
            models.UniqueConstraint(fields=["study", "person"], name="inspection_gauge_appraiser_once"),
        ]

    def __str__(self) -> str:
        return str(self.person)


class GaugeStudyReading(models.Model):
    """One reading of the run order, taken or still to take. A withdrawn one stays; its second try is a new row at the
    end of the order. entered_by: who was signed in on the tablet; the appraiser is who read.
    """

    study = models.ForeignKey(GaugeStudy, on_delete=models.CASCADE, related_name="readings")
    order = models.PositiveIntegerField("place in the run order")
    part = models.ForeignKey(GaugeStudyPart, on_delete=models.CASCADE, related_name="readings")
    appraiser = models.ForeignKey(GaugeStudyAppraiser, on_delete=models.CASCADE, related_name="readings")
    repeat = models.PositiveSmallIntegerField()
    value = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    read_at = models.DateTimeField(null=True, blank=True)
    entered_by = models.ForeignKey(PERSON, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    withdrawn_by = models.ForeignKey(PERSON, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    withdrawn_why = models.TextField(blank=True)

    class Meta:
        ordering = ["order"]
        constraints = [
            models.UniqueConstraint(fields=["study", "order"], name="inspection_gauge_reading_order_once"),
            models.UniqueConstraint(
                fields=["study", "part", "appraiser", "repeat"],
                condition=Q(withdrawn_at__isnull=True),
                name="inspection_gauge_reading_counts_once",
            ),
            models.CheckConstraint(
                condition=Q(value__isnull=True, read_at__isnull=True) | Q(value__isnull=False, read_at__isnull=False),
                name="inspection_gauge_reading_value_and_time",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.study}: reading {self.order}"

    @property
    def trail(self) -> str:
        return self.study.trail
