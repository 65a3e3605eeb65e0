"""How a part was made: moulds, batches, casts, strength tests, nonconformities and their disposition."""

from django.conf import settings
from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import F, Q
from django.urls import reverse

from parts.models import Component, Kit, Revision, code_validator

PERSON = settings.AUTH_USER_MODEL


class Mould(models.Model):
    class Kind(models.TextChoices):
        OPEN_FACE = "open-face", "open-face"
        TWO_PART = "two-part", "two-part"

    class Pull(models.TextChoices):
        UP = "+z", "up"
        DOWN = "-z", "down"
        FORWARD = "+x", "forward"
        BACK = "-x", "back"
        LEFT = "+y", "left"
        RIGHT = "-y", "right"

    class State(models.TextChoices):
        IN_USE = "in use", "in use"
        RESTING = "resting", "resting"
        RETIRED = "retired", "retired"

    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="moulds")
    component = models.ForeignKey(Component, on_delete=models.PROTECT, related_name="moulds")
    revision = models.ForeignKey(Revision, on_delete=models.PROTECT, related_name="moulds")
    code = models.CharField(max_length=20, validators=[code_validator])
    kind = models.CharField(max_length=10, choices=Kind, default=Kind.OPEN_FACE)
    pull = models.CharField("pull direction", max_length=2, choices=Pull, default=Pull.UP)
    scale_x = models.DecimalField("scale applied, forward", max_digits=8, decimal_places=5, default=1)
    scale_y = models.DecimalField("scale applied, left", max_digits=8, decimal_places=5, default=1)
    scale_z = models.DecimalField("scale applied, up", max_digits=8, decimal_places=5, default=1)
    made_on = models.DateField()
    corrects = models.ForeignKey("self", null=True, blank=True, on_delete=models.PROTECT, related_name="corrected_by")
    correction = models.TextField("mould correction", blank=True, help_text="What was changed from the mould before.")
    state = models.CharField(max_length=10, choices=State, default=State.IN_USE)

    class Meta:
        ordering = ["code"]
        constraints = [
            models.UniqueConstraint(fields=["kit", "code"], name="casting_mould_code_once"),
            models.CheckConstraint(
                condition=Q(scale_x__gt=0) & Q(scale_y__gt=0) & Q(scale_z__gt=0), name="casting_mould_scale_is_positive"
            ),
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def trail(self) -> str:
        return f"{self.component.trail}/{self.code}"

    def get_absolute_url(self) -> str:
        return reverse("casting:mould", args=[self.kit.code, self.code])


class Batch(models.Model):
    """One mix."""

    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="batches")
    code = models.CharField(max_length=20, validators=[code_validator])
    mix_design = models.CharField(max_length=120)
    mixed_at = models.DateTimeField()
    mixed_by = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    water_binder = models.DecimalField(
        "water to binder, by mass", max_digits=4, decimal_places=3, null=True, blank=True
    )
    slump = models.DecimalField("slump, mm", max_digits=5, decimal_places=0, null=True, blank=True)
    air_temperature = models.DecimalField("air, °C", max_digits=4, decimal_places=1, null=True, blank=True)
    note = models.TextField(blank=True)

    class Meta:
        ordering = ["-mixed_at"]
        verbose_name_plural = "batches"
        constraints = [models.UniqueConstraint(fields=["kit", "code"], name="casting_batch_code_once")]

    def __str__(self) -> str:
        return self.code

    @property
    def trail(self) -> str:
        return f"{self.kit.code}/{self.code}"

    def get_absolute_url(self) -> str:
        return reverse("casting:batch", args=[self.kit.code, self.code])


class Cast(models.Model):
    """One physical piece, known by its serial."""

    class Standing(models.TextChoices):
        IN_MOULD = "in mould", "in the mould"
        CURING = "curing", "curing"
        IN_STORE = "in store", "in store"
        SEGREGATED = "segregated", "segregated"
        ON_SITE = "on site", "on site"
        INSTALLED = "installed", "installed"
        SCRAPPED = "scrapped", "scrapped"

    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="casts")
    revision = models.ForeignKey(Revision, on_delete=models.PROTECT, related_name="casts")
    mould = models.ForeignKey(Mould, null=True, blank=True, on_delete=models.PROTECT, related_name="casts")
    batch = models.ForeignKey(Batch, null=True, blank=True, on_delete=models.PROTECT, related_name="casts")
    serial = models.CharField(max_length=40, validators=[code_validator])
    poured_at = models.DateTimeField()
    demoulded_at = models.DateTimeField(null=True, blank=True)
    mass = models.DecimalField("mass, kg", max_digits=10, decimal_places=2, null=True, blank=True,
                               validators=[MinValueValidator(0)])  # fmt: skip
    defects = models.TextField(blank=True, help_text="Honeycomb, chips, cracks: what is seen. Empty: none seen.")
    standing = models.CharField("where it stands", max_length=12, choices=Standing, default=Standing.IN_MOULD)
    place = models.CharField(max_length=80, blank=True, help_text="Bay, rack or site.")
    logged_by = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    logged_at = models.DateTimeField()

    class Meta:
        ordering = ["-poured_at", "-pk"]
        constraints = [
            models.UniqueConstraint(models.functions.Lower("serial"), "kit", name="casting_cast_serial_once"),
            models.CheckConstraint(
                condition=Q(demoulded_at__isnull=True) | Q(demoulded_at__gte=F("poured_at")),
                name="casting_cast_demoulded_after_pour",
            ),
            models.CheckConstraint(
                condition=Q(mass__isnull=True) | Q(mass__gt=0), name="casting_cast_mass_is_positive"
            ),
        ]

    def __str__(self) -> str:
        return self.serial

    @property
    def trail(self) -> str:
        return f"{self.revision.trail}/{self.serial}"

    def get_absolute_url(self) -> str:
        return reverse("casting:cast", args=[self.kit.code, self.serial])


class StrengthTest(models.Model):
    """One strength test of a batch: as a rule the mean of the cylinders broken at one age."""

    class Specimen(models.TextChoices):
        CYLINDER = "cylinder", "cylinder"
        CUBE = "cube", "cube"
        CORE = "core", "core"

    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, related_name="strength_tests")
    specimen = models.CharField(max_length=10, choices=Specimen, default=Specimen.CYLINDER)
    label = models.CharField(max_length=40)
    age_days = models.PositiveIntegerField("age, days")
    strength = models.DecimalField("strength, MPa", max_digits=6, decimal_places=2)
    tested_on = models.DateField()
    logged_by = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    logged_at = models.DateTimeField()

    class Meta:
        ordering = ["tested_on", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["batch", "label"], name="casting_strength_label_once"),
            models.CheckConstraint(condition=Q(strength__gt=0), name="casting_strength_is_positive"),
        ]

    def __str__(self) -> str:
        return f"{self.label}, {self.strength} MPa"

    @property
    def trail(self) -> str:
        return self.batch.trail


class Nonconformity(models.Model):
    """A cast that is not as it should be, until somebody has said what becomes of it."""

    class Disposition(models.TextChoices):
        REWORK = "rework", "rework"
        REPAIR = "repair", "repair"
        REGRADE = "regrade", "regrade"
        SCRAP = "scrap", "scrap"
        USE_AS_IS = "use as is", "use as is, by concession"

    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="nonconformities")
    code = models.CharField(max_length=20)
    cast = models.ForeignKey(Cast, on_delete=models.PROTECT, related_name="nonconformities")
    what = models.TextField("what is wrong")
    found_by = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    found_at = models.DateTimeField()
    disposition = models.CharField(max_length=10, choices=Disposition, blank=True)
    correction = models.TextField(blank=True, help_text="What was done to this piece.")
    corrective_action = models.TextField(blank=True, help_text="What removes the cause.")
    decided_by = models.ForeignKey(PERSON, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    decided_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-found_at"]
        verbose_name_plural = "nonconformities"
        permissions = [("decide_nonconformity", "Can decide what becomes of a nonconforming cast")]
        constraints = [
            models.UniqueConstraint(fields=["kit", "code"], name="casting_nonconformity_code_once"),
            models.CheckConstraint(
                condition=Q(disposition="", decided_at__isnull=True)
                | (~Q(disposition="") & Q(decided_at__isnull=False)),
                name="casting_nonconformity_decided_with_a_date",
            ),
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def is_open(self) -> bool:
        return not self.disposition

    @property
    def trail(self) -> str:
        return self.cast.trail

    def get_absolute_url(self) -> str:
        return reverse("casting:nonconformity", args=[self.kit.code, self.code])
