"""A mock-up's nominal assembly, the scans of the whole, and the position reports that follow from them."""

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.urls import reverse

from inspection.models import Instrument, Result
from logbook.models import StoredFile
from parts.models import Geometry, Kit, LengthUnit, Revision
from parts.work_models import Work

PERSON = settings.AUTH_USER_MODEL


class NominalAssembly(models.Model):
    """The parts of a mock-up in their places, as a table was imported. Replaced by the next import, never changed."""

    class Convention(models.TextChoices):
        XYZ = "x, y, z", "about fixed x, then y, then z"
        ZYX = "z, y, x", "about fixed z, then y, then x"
        MATRIX = "matrix", "given as matrices"

    mockup = models.ForeignKey("lessons.Mockup", on_delete=models.PROTECT, related_name="assemblies")
    number = models.PositiveIntegerField()
    current = models.BooleanField(default=True)
    convention = models.CharField("turns", max_length=10, choices=Convention)
    unit = models.CharField("unit of the table", max_length=5, choices=LengthUnit)
    source = models.CharField(max_length=255, help_text="The file's name, or pasted.")
    imported_by = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    imported_at = models.DateTimeField()

    class Meta:
        ordering = ["mockup", "-number"]
        verbose_name_plural = "nominal assemblies"
        constraints = [
            models.UniqueConstraint(fields=["mockup", "number"], name="lessons_assembly_number_once"),
            models.UniqueConstraint(fields=["mockup"], condition=Q(current=True), name="lessons_one_current_assembly"),
        ]

    def __str__(self) -> str:
        return f"nominal assembly {self.number} of {self.mockup.code}"

    @property
    def trail(self) -> str:
        return self.mockup.trail

    def get_absolute_url(self) -> str:
        return reverse("lessons:assembly", args=[self.mockup.kit.code, self.mockup.code])


class PlacedPart(models.Model):
    """One part in its place. The nominal that was on file when the table came in stays with it."""

    assembly = models.ForeignKey(NominalAssembly, on_delete=models.PROTECT, related_name="parts")
    number = models.PositiveIntegerField()
    label = models.CharField(max_length=40)
    revision = models.ForeignKey(Revision, on_delete=models.PROTECT, related_name="placed")
    nominal = models.ForeignKey(Geometry, on_delete=models.PROTECT, related_name="+")
    matrix = models.JSONField(help_text="Sixteen numbers, row by row: the part's frame to the assembly's, mm.")
    position_mm = models.DecimalField(
        "position tolerance, mm", max_digits=8, decimal_places=3, null=True, blank=True,
        help_text="Diameter of the zone: the part's middle may be half of it off.",
    )  # fmt: skip
    turn_deg = models.DecimalField("turn tolerance, °", max_digits=6, decimal_places=3, null=True, blank=True)
    control = models.BooleanField("control part", default=False)

    class Meta:
        ordering = ["assembly", "number"]
        constraints = [
            models.UniqueConstraint(fields=["assembly", "label"], name="lessons_placed_label_once"),
            models.CheckConstraint(
                condition=(Q(position_mm__isnull=True) | Q(position_mm__gt=0))
                & (Q(turn_deg__isnull=True) | Q(turn_deg__gt=0)),
                name="lessons_placed_tolerances",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.label}: {self.revision}"

    @property
    def trail(self) -> str:
        return self.assembly.trail


class MockupScan(Work):
    """One scan of a whole mock-up, and its position report once the job has worked it out."""

    class Placing(models.TextChoices):
        BEST_FIT = "best fit", "best fit, from wherever the scanner stood"
        MARKED = "marked points", "by marked points"
        AS_SCANNED = "as scanned", "as scanned: it is in the assembly's frame already"

    class Axes(models.TextChoices):
        ASSEMBLY = "assembly", "the assembly's axes"
        PART = "part", "each part's own axes"

    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="mockup_scans")
    code = models.CharField(max_length=20)
    assembly = models.ForeignKey(NominalAssembly, on_delete=models.PROTECT, related_name="scans")
    trial = models.ForeignKey(
        "lessons.Trial", null=True, blank=True, on_delete=models.PROTECT, related_name="mockup_scans"
    )
    file = models.ForeignKey(StoredFile, on_delete=models.PROTECT, related_name="+")
    original_name = models.CharField(max_length=255)
    unit = models.CharField("unit of the file", max_length=5, choices=LengthUnit)
    reading = models.JSONField(
        default=dict, blank=True, help_text="What a person said about reading the file: table, overruled unit."
    )
    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="mockup_scans")
    scanned_at = models.DateTimeField()
    placing = models.CharField(max_length=15, choices=Placing, default=Placing.BEST_FIT)
    pairs = models.JSONField(default=list, help_text="Marked points: three scan and three assembly numbers each, mm.")
    by_control = models.BooleanField("fit the whole to the control parts", default=False)
    axes = models.CharField(max_length=10, choices=Axes, default=Axes.ASSEMBLY)
    search_mm = models.DecimalField("search radius, mm", max_digits=5, decimal_places=0, default=40)
    result = models.CharField(max_length=20, choices=Result, blank=True)
    plan = models.ForeignKey(StoredFile, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    elevation = models.ForeignKey(StoredFile, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    withdrawn_why = models.TextField(blank=True)

    class Meta:
        ordering = ["-scanned_at", "-pk"]
        verbose_name = "scan of a mock-up"
        verbose_name_plural = "scans of mock-ups"
        constraints = [
            models.UniqueConstraint(fields=["kit", "code"], name="lessons_mockup_scan_code_once"),
            models.CheckConstraint(
                condition=Q(search_mm__gte=1) & Q(search_mm__lte=1000), name="lessons_mockup_scan_search"
            ),
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def mockup(self) -> models.Model:
        return self.assembly.mockup

    @property
    def named(self) -> str:
        return f"Position report {self.code} of {self.assembly.mockup.code}"

    @property
    def trail(self) -> str:
        return f"{self.assembly.mockup.trail}/{self.code}"

    def get_absolute_url(self) -> str:
        return reverse("lessons:position_report", args=[self.kit.code, self.code])
