"""What a part measures: instruments, scans and their results, measurements."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.urls import reverse

from casting.models import Cast
from logbook.models import StoredFile
from parts.alignment_models import AlignmentKind
from parts.models import Characteristic, Geometry, Kit, LengthUnit

from .mould_models import (  # noqa: F401
    CastsCompared,
    ComparedPicture,
    CorrectionEffect,
    CorrectionPicture,
    MouldCorrection,
)

PERSON = settings.AUTH_USER_MODEL


class Result(models.TextChoices):
    CONFORMS = "conforms", "conforms"
    DOES_NOT = "does not conform", "does not conform"
    INCONCLUSIVE = "inconclusive", "inconclusive"
    NOT_MEASURED = "not measured", "not measured"


class Instrument(models.Model):
    """A measuring instrument with its expanded uncertainty U and the factor k behind it."""

    class Kind(models.TextChoices):
        SCANNER = "scanner", "scanner"
        CALLIPER = "calliper", "calliper"
        TAPE = "tape", "tape"
        FEELER = "feeler gauge", "feeler gauge"
        LEVEL = "level", "level"
        SCALE = "scale", "weighing scale"
        OTHER = "other", "other"

    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="instruments")
    code = models.CharField(max_length=20)
    name = models.CharField(max_length=120)
    kind = models.CharField(max_length=15, choices=Kind)
    unit = models.CharField(max_length=5, choices=Characteristic.Unit, default=Characteristic.Unit.MM)
    uncertainty = models.DecimalField("U, expanded uncertainty", max_digits=8, decimal_places=4)
    coverage_factor = models.DecimalField("k", max_digits=4, decimal_places=2, default=2)
    basis = models.TextField("what U rests on", blank=True)
    calibrated_on = models.DateField(null=True, blank=True)
    due_on = models.DateField("calibration due", null=True, blank=True)

    class Meta:
        ordering = ["code"]
        constraints = [
            models.UniqueConstraint(fields=["kit", "code"], name="inspection_instrument_code_once"),
            models.CheckConstraint(
                condition=Q(uncertainty__gte=0) & Q(coverage_factor__gt=0), name="inspection_instrument_u_and_k"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.code} {self.name}"

    @property
    def trail(self) -> str:
        return f"{self.kit.code}/{self.code}"


class Scan(models.Model):
    """A scan file of one cast and the job that measures it against the nominal."""

    class State(models.TextChoices):
        WAITING = "waiting", "waiting"
        RUNNING = "running", "under way"
        DONE = "done", "done"
        FAILED = "failed", "could not be measured"
        STOPPED = "stopped", "stopped"

    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="scans")
    code = models.CharField(max_length=20)
    cast = models.ForeignKey(Cast, on_delete=models.PROTECT, related_name="scans")
    file = models.ForeignKey(StoredFile, on_delete=models.PROTECT, related_name="+")
    original_name = models.CharField(max_length=255)
    unit = models.CharField(max_length=5, choices=LengthUnit)
    reading = models.JSONField(
        default=dict, blank=True,
        help_text="How the file is read where it does not say so itself: columns of a table, an overruled unit.",
    )  # fmt: skip
    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="scans")
    scanned_at = models.DateTimeField()
    scanned_by = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    uploaded_at = models.DateTimeField()
    # The job. `attempt` counts runs: a worker writes only to the attempt that it claimed.
    state = models.CharField(max_length=10, choices=State, default=State.WAITING)
    attempt = models.PositiveIntegerField(default=0)
    stage = models.CharField(max_length=40, blank=True)
    share = models.FloatField(default=0, help_text="Finished share of the whole job, 0 to 1.")
    heartbeat = models.DateTimeField(null=True, blank=True)
    stop_asked = models.BooleanField(default=False)
    revived = models.BooleanField(default=False, help_text="Taken up again after its worker died; that happens once.")
    error_code = models.CharField(max_length=40, blank=True)
    error = models.TextField(blank=True)
    likely_unit = models.CharField(
        max_length=5, choices=LengthUnit, blank=True, help_text="The unit in which a scan of the wrong size would fit."
    )
    thinned = models.ForeignKey(
        StoredFile, null=True, blank=True, on_delete=models.PROTECT, related_name="+",
        help_text="Some of its points in its own frame, to be looked at before it is aligned.",
    )  # fmt: skip
    withdrawn_at = models.DateTimeField(null=True, blank=True, help_text="Taken out of the evidence, with a reason.")
    withdrawn_why = models.TextField(blank=True)

    class Meta:
        ordering = ["-uploaded_at", "-pk"]
        constraints = [models.UniqueConstraint(fields=["kit", "code"], name="inspection_scan_code_once")]

    def __str__(self) -> str:
        return self.code

    @property
    def trail(self) -> str:
        return self.cast.trail

    def get_absolute_url(self) -> str:
        return reverse("inspection:scan", args=[self.kit.code, self.code])


class ScanResult(models.Model):
    """What a scan says, with everything that it rests on, so that it can be computed again."""

    scan = models.OneToOneField(Scan, on_delete=models.PROTECT, related_name="result")
    nominal = models.ForeignKey(Geometry, on_delete=models.PROTECT, related_name="+")
    result = models.CharField(max_length=20, choices=Result)
    code = models.CharField(max_length=40)
    sentence = models.TextField()
    lower = models.FloatField(help_text="mm")
    upper = models.FloatField(help_text="mm")
    uncertainty = models.FloatField(help_text="Expanded, k = 2, mm.")
    worst = models.FloatField(null=True, help_text="Worst signed deviation, mm; positive is outside the nominal.")
    inside_share = models.FloatField(null=True)
    coverage = models.FloatField(null=True)
    alignment = models.CharField(
        max_length=20, choices=AlignmentKind, default=AlignmentKind.BEST_FIT, help_text="What the verdict rests on."
    )
    best_fit = models.JSONField(
        null=True, blank=True, help_text="What the same scan says by best fit; null where the verdict rests on it."
    )
    figures = models.JSONField(default=dict, help_text="Pose, statistics, histogram, regions, callouts, stage times.")
    deviations = models.ForeignKey(StoredFile, null=True, on_delete=models.PROTECT, related_name="+")
    view = models.ForeignKey(
        StoredFile, null=True, blank=True, on_delete=models.PROTECT, related_name="+",
        help_text="What the three-dimensional view draws; made again when it is missing.",
    )  # fmt: skip
    code_version = models.CharField(max_length=20)
    measured_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(lower__lte=F("upper")), name="inspection_result_limits_in_order")
        ]

    def __str__(self) -> str:
        return self.sentence


class ScanPicture(models.Model):
    result = models.ForeignKey(ScanResult, on_delete=models.CASCADE, related_name="pictures")
    view = models.CharField(max_length=20)
    file = models.ForeignKey(StoredFile, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["pk"]
        constraints = [models.UniqueConstraint(fields=["result", "view"], name="inspection_one_picture_per_view")]

    def __str__(self) -> str:
        return self.view


class MeasurementImport(models.Model):
    """A sheet of measured values that was taken in: the file as it came, and how its columns were read."""

    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="measurement_imports")
    code = models.CharField(max_length=20)
    file = models.ForeignKey(StoredFile, on_delete=models.PROTECT, related_name="+")
    original_name = models.CharField(max_length=255)
    instrument = models.ForeignKey(
        Instrument, on_delete=models.PROTECT, related_name="imports", help_text="Where no column names another."
    )
    layout = models.JSONField(default=dict, help_text="What stands in which column; offered again for the instrument.")
    headings = models.JSONField(default=list)
    casts = models.PositiveIntegerField(help_text="How many casts it has values of.")
    values = models.PositiveIntegerField()
    left_out = models.PositiveIntegerField(default=0, help_text="Cells that could not be used and were left out.")
    imported_at = models.DateTimeField()
    imported_by = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["-imported_at", "-pk"]
        constraints = [models.UniqueConstraint(fields=["kit", "code"], name="inspection_measurement_import_code_once")]

    def __str__(self) -> str:
        return self.code

    @property
    def trail(self) -> str:
        return f"{self.kit.code}/{self.code}"

    def get_absolute_url(self) -> str:
        return reverse("inspection:import", args=[self.kit.code, self.code])


class Measurement(models.Model):
    """One reading of one characteristic on one cast, in the characteristic's unit. A correction is a new row."""

    cast = models.ForeignKey(Cast, on_delete=models.PROTECT, related_name="measurements")
    characteristic = models.ForeignKey(Characteristic, on_delete=models.PROTECT, related_name="measurements")
    value = models.DecimalField(max_digits=14, decimal_places=4)
    readings = models.JSONField(
        default=list, blank=True, help_text="The single readings that the value is the mean of; empty when read once."
    )
    instrument = models.ForeignKey(
        Instrument, null=True, blank=True, on_delete=models.PROTECT, related_name="measurements"
    )
    scan = models.ForeignKey(Scan, null=True, blank=True, on_delete=models.PROTECT, related_name="measurements")
    imported = models.ForeignKey(
        MeasurementImport, null=True, blank=True, on_delete=models.PROTECT, related_name="measurements"
    )
    uncertainty = models.DecimalField(
        "U", max_digits=8, decimal_places=4, help_text="Expanded, as it was when measured."
    )
    result = models.CharField(max_length=20, choices=Result)
    measured_at = models.DateTimeField()
    measured_by = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    replaced = models.BooleanField(default=False, help_text="A later reading corrects this one.")

    class Meta:
        ordering = ["characteristic__number", "measured_at", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(instrument__isnull=False) | Q(scan__isnull=False),
                name="inspection_measurement_has_a_source",
            )
        ]
        indexes = [models.Index(fields=["cast", "characteristic"], name="inspection_measurement_cast")]

    def __str__(self) -> str:
        return f"{self.cast}: {self.characteristic} {self.value}"

    @property
    def trail(self) -> str:
        return self.cast.trail


# Models of this app in modules of their own.
from .alignment_models import MarkedPoint  # noqa: E402, F401
from .closure_models import ClosureLoop, LoopMember  # noqa: E402, F401
from .gauge_models import GaugeStudy, GaugeStudyAppraiser, GaugeStudyPart, GaugeStudyReading  # noqa: E402, F401
