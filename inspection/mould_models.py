"""Casts compared, and the mould correction that follows from them. Both are worked out by a job and kept."""

from django.db import models
from django.db.models import Q
from django.urls import reverse

import parts.work_models
from casting.models import Mould
from logbook.models import StoredFile
from parts.models import Geometry, Kit, Revision


class Work(parts.work_models.Work):
    """What a job works out here; with what it worked out in full beside its figures."""

    data = models.ForeignKey(StoredFile, null=True, blank=True, on_delete=models.PROTECT, related_name="+")

    class Meta:
        abstract = True


class CastsCompared(Work):
    """The newest scans of the casts of a revision from one mould, place by place: mean and scatter."""

    revision = models.ForeignKey(Revision, on_delete=models.PROTECT, related_name="casts_compared")
    mould = models.ForeignKey(Mould, null=True, blank=True, on_delete=models.PROTECT, related_name="casts_compared")
    nominal = models.ForeignKey(Geometry, on_delete=models.PROTECT, related_name="+")
    evidence = models.JSONField(default=list, help_text="Serial, scan and hash of the deviations of each cast.")

    class Meta:
        ordering = ["-asked_at", "-pk"]
        verbose_name_plural = "casts compared"
        indexes = [models.Index(fields=["revision", "mould"], name="inspection_compared_of")]

    def __str__(self) -> str:
        return f"casts of {self.revision} from {self.mould or 'no known mould'}"

    @property
    def named(self) -> str:
        return f"Comparing the {self}"

    @property
    def trail(self) -> str:
        return self.mould.trail if self.mould else self.revision.trail

    def get_absolute_url(self) -> str:
        return reverse("inspection:casts-compared", args=self.revision.url_args())


class ComparedPicture(models.Model):
    """kind: "mean", "scatter" or "change". view: of `metrology.pictures.views`."""

    compared = models.ForeignKey(CastsCompared, on_delete=models.CASCADE, related_name="pictures")
    kind = models.CharField(max_length=10)
    view = models.CharField(max_length=20)
    file = models.ForeignKey(StoredFile, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["compared", "kind", "view"], name="inspection_one_compared_picture")
        ]

    def __str__(self) -> str:
        return f"{self.kind}, {self.view}"


class MouldCorrection(Work):
    """What to change in a mould so that the next cast comes closer, foretold; and afterwards what it brought."""

    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="mould_corrections")
    code = models.CharField(max_length=20)
    revision = models.ForeignKey(Revision, on_delete=models.PROTECT, related_name="mould_corrections")
    mould = models.ForeignKey(Mould, on_delete=models.PROTECT, related_name="corrections")
    nominal = models.ForeignKey(Geometry, on_delete=models.PROTECT, related_name="+")
    evidence = models.JSONField(default=list, help_text="Serial, scan and hash of the deviations of each cast.")
    smoothing = models.DecimalField("smoothing length, mm", max_digits=7, decimal_places=1)
    most = models.DecimalField("most in one step, mm", max_digits=6, decimal_places=2)
    damping = models.DecimalField("share taken out, %", max_digits=4, decimal_places=0, default=100)
    by_scale = models.BooleanField("scale per direction first", default=True)
    pull = models.CharField("pull direction", max_length=2, choices=Mould.Pull)
    kind = models.CharField(max_length=10, choices=Mould.Kind)
    surface = models.ForeignKey(
        StoredFile, null=True, blank=True, on_delete=models.PROTECT, related_name="+",
        help_text="The corrected surface of the cavity: STL, mm.",
    )  # fmt: skip
    made = models.OneToOneField(
        Mould, null=True, blank=True, on_delete=models.PROTECT, related_name="made_from",
        verbose_name="the mould that was made from it",
    )  # fmt: skip

    class Meta:
        ordering = ["-asked_at", "-pk"]
        permissions = [("correct_mould", "Can correct moulds")]
        constraints = [
            models.UniqueConstraint(fields=["kit", "code"], name="inspection_correction_code_once"),
            models.CheckConstraint(
                condition=Q(smoothing__gt=0) & Q(most__gt=0) & Q(damping__gt=0) & Q(damping__lte=100),
                name="inspection_correction_settings",
            ),
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def named(self) -> str:
        return f"Mould correction {self}"

    @property
    def trail(self) -> str:
        return self.mould.trail

    def get_absolute_url(self) -> str:
        return reverse("inspection:correction", args=[self.kit.code, self.code])


class CorrectionEffect(Work):
    """What a mould correction brought: the casts of the mould made from it, beside what was foretold."""

    correction = models.ForeignKey(MouldCorrection, on_delete=models.PROTECT, related_name="effects")
    evidence = models.JSONField(default=list, help_text="Serial, scan and hash of the deviations of each cast.")

    class Meta:
        ordering = ["-asked_at", "-pk"]

    def __str__(self) -> str:
        return f"what {self.correction} brought"

    @property
    def named(self) -> str:
        return f"Finding {self}"

    @property
    def trail(self) -> str:
        return self.correction.trail

    def get_absolute_url(self) -> str:
        return self.correction.get_absolute_url()


class CorrectionPicture(models.Model):
    """kind: "change", "before", "foretold" or "brought". view: of `metrology.pictures.views`."""

    correction = models.ForeignKey(MouldCorrection, on_delete=models.CASCADE, related_name="pictures")
    kind = models.CharField(max_length=10)
    view = models.CharField(max_length=20)
    file = models.ForeignKey(StoredFile, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["correction", "kind", "view"], name="inspection_one_correction_picture")
        ]

    def __str__(self) -> str:
        return f"{self.kind}, {self.view}"
