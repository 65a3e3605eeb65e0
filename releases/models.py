"""May it be built: gate plans, concessions, sign-offs, releases, holds, withdrawals, packets."""

from datetime import datetime, timedelta

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.urls import reverse

from casting.models import Batch, Cast, Mould
from logbook.models import StoredFile
from parts.models import Component, Kit, Revision

PERSON = settings.AUTH_USER_MODEL


class Verdict(models.TextChoices):
    PASS = "pass", "pass"
    FAIL = "fail", "fail"
    INCONCLUSIVE = "inconclusive", "inconclusive"
    MISSING = "missing", "missing"
    CONCEDED = "conceded", "conceded"
    NOT_APPLICABLE = "not applicable", "not applicable"


class GatePlan(models.Model):
    """Which checks a component must pass, with what settings. One for the kit; a component may have its own."""

    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="gate_plans")
    component = models.OneToOneField(
        Component, null=True, blank=True, on_delete=models.PROTECT, related_name="gate_plan"
    )
    set_by = models.ForeignKey(PERSON, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    set_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["kit"], condition=Q(component__isnull=True), name="releases_one_plan_for_the_kit"
            )
        ]

    def __str__(self) -> str:
        return f"gate plan of {self.component or self.kit}"

    @property
    def trail(self) -> str:
        return self.component.trail if self.component else self.kit.trail


class PlannedCheck(models.Model):
    """One check of a plan. A check left out is not applicable, with a reason."""

    plan = models.ForeignKey(GatePlan, on_delete=models.CASCADE, related_name="checks")
    check_code = models.CharField(max_length=30)
    applies = models.BooleanField(default=True)
    reason = models.CharField("why it does not apply", max_length=200, blank=True)
    settings = models.JSONField(default=dict)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["plan", "check_code"], name="releases_check_once_in_a_plan"),
            models.CheckConstraint(
                condition=Q(applies=True) | ~Q(reason=""), name="releases_left_out_check_has_a_reason"
            ),
        ]

    def __str__(self) -> str:
        return self.check_code


class Concession(models.Model):
    """Permission to use what does not meet a check, limited in quantity or serials, and in time."""

    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="concessions")
    code = models.CharField(max_length=20)
    revision = models.ForeignKey(Revision, on_delete=models.PROTECT, related_name="concessions")
    check_code = models.CharField(max_length=30)
    reason = models.TextField()
    condition = models.CharField("where and how it may be used", max_length=200, blank=True)
    serials = models.ManyToManyField(Cast, blank=True, related_name="concessions")
    quantity = models.PositiveIntegerField(null=True, blank=True)
    expires_on = models.DateField()
    asked_by = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="concessions_asked")
    granted_by = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="concessions_granted")
    granted_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)
    ended_why = models.TextField(blank=True)

    class Meta:
        ordering = ["-granted_at"]
        constraints = [
            models.UniqueConstraint(fields=["kit", "code"], name="releases_concession_code_once"),
            models.CheckConstraint(
                condition=~Q(asked_by=models.F("granted_by")), name="releases_concession_needs_a_second_person"
            ),
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def trail(self) -> str:
        return self.revision.trail


class Release(models.Model):
    """A revision that became buildable: signed by whom, on what evidence, until when."""

    revision = models.OneToOneField(Revision, on_delete=models.PROTECT, related_name="release")
    component = models.ForeignKey(Component, on_delete=models.PROTECT, related_name="releases")
    put_forward_by = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    put_forward_at = models.DateTimeField()
    released_at = models.DateTimeField()
    evidence_hash = models.CharField(max_length=64, help_text="SHA-256 over all frozen check results.")
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-released_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["component"], condition=Q(ended_at__isnull=True), name="releases_one_open_release"
            )
        ]
        permissions = [
            ("put_forward_revision", "Can put a revision forward"),
            ("sign_off_revision", "Can sign off a revision"),
            ("withdraw_revision", "Can withdraw a revision"),
            ("grant_concession", "Can grant a concession"),
            ("place_hold", "Can place a hold"),
            ("lift_hold", "Can lift a hold"),
        ]

    def __str__(self) -> str:
        return f"release of {self.revision}"

    @property
    def trail(self) -> str:
        return self.revision.trail


class SignOff(models.Model):
    """A signature on a revision. Never the author's."""

    revision = models.ForeignKey(Revision, on_delete=models.PROTECT, related_name="sign_offs")
    release = models.ForeignKey(Release, on_delete=models.PROTECT, related_name="sign_offs")
    signed_by = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    signed_name = models.CharField(max_length=150)
    signed_at = models.DateTimeField()
    meaning = models.CharField(max_length=200, default="Evidence read; buildable.")

    class Meta:
        ordering = ["signed_at"]
        constraints = [
            models.UniqueConstraint(fields=["revision", "signed_by"], name="releases_one_signature_a_person")
        ]

    def __str__(self) -> str:
        return f"{self.signed_name}, {self.signed_at:%Y-%m-%d}"


class CheckResult(models.Model):
    """A check as it stood at sign-off: frozen, with the hash of its evidence."""

    release = models.ForeignKey(Release, on_delete=models.PROTECT, related_name="check_results")
    check_code = models.CharField(max_length=30)
    title = models.CharField(max_length=60)
    asked = models.CharField(max_length=200)
    verdict = models.CharField(max_length=15, choices=Verdict)
    code = models.CharField(max_length=40)
    sentence = models.TextField()
    figures = models.JSONField(default=dict)
    evidence = models.JSONField(default=dict)
    evidence_hash = models.CharField(max_length=64)
    position = models.PositiveIntegerField()

    class Meta:
        ordering = ["release", "position"]
        constraints = [models.UniqueConstraint(fields=["release", "check_code"], name="releases_result_once")]

    def __str__(self) -> str:
        return f"{self.title}: {self.verdict}"


class PutForward(models.Model):
    """A revision laid before the second lead. Closed by a sign-off or sent back with a reason."""

    revision = models.ForeignKey(Revision, on_delete=models.PROTECT, related_name="put_forwards")
    by = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    closed_at = models.DateTimeField(null=True, blank=True)
    sent_back_by = models.ForeignKey(PERSON, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    sent_back_why = models.TextField(blank=True)

    class Meta:
        ordering = ["-at"]
        constraints = [
            models.UniqueConstraint(
                fields=["revision"], condition=Q(closed_at__isnull=True), name="releases_put_forward_once"
            )
        ]

    def __str__(self) -> str:
        return f"{self.revision} put forward"


class Hold(models.Model):
    """Stop: nobody casts, moves or installs what it names, until it is lifted."""

    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="holds")
    code = models.CharField(max_length=20)
    revision = models.ForeignKey(Revision, null=True, blank=True, on_delete=models.PROTECT, related_name="holds")
    mould = models.ForeignKey(Mould, null=True, blank=True, on_delete=models.PROTECT, related_name="holds")
    batch = models.ForeignKey(Batch, null=True, blank=True, on_delete=models.PROTECT, related_name="holds")
    cast = models.ForeignKey(Cast, null=True, blank=True, on_delete=models.PROTECT, related_name="holds")
    reason = models.TextField()
    what_to_do = models.TextField(blank=True, help_text="One instruction a line, for the site team.")
    placed_by = models.ForeignKey(PERSON, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    placed_at = models.DateTimeField()
    by_rule = models.CharField(max_length=30, blank=True, help_text="The check that placed it, when no person did.")
    lifted_by = models.ForeignKey(PERSON, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    lifted_at = models.DateTimeField(null=True, blank=True)
    lifted_why = models.TextField(blank=True)

    class Meta:
        ordering = ["-placed_at"]
        constraints = [
            models.UniqueConstraint(fields=["kit", "code"], name="releases_hold_code_once"),
            models.CheckConstraint(
                condition=(
                    Q(revision__isnull=False, mould__isnull=True, batch__isnull=True, cast__isnull=True)
                    | Q(revision__isnull=True, mould__isnull=False, batch__isnull=True, cast__isnull=True)
                    | Q(revision__isnull=True, mould__isnull=True, batch__isnull=False, cast__isnull=True)
                    | Q(revision__isnull=True, mould__isnull=True, batch__isnull=True, cast__isnull=False)
                ),
                name="releases_hold_names_one_thing",
            ),
            models.CheckConstraint(
                condition=Q(placed_by__isnull=False) | ~Q(by_rule=""), name="releases_hold_has_a_placer"
            ),
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def subject(self) -> "Revision | Mould | Batch | Cast":
        return self.revision or self.mould or self.batch or self.cast

    @property
    def is_open(self) -> bool:
        return self.lifted_at is None

    @property
    def trail(self) -> str:
        return self.subject.trail

    def get_absolute_url(self) -> str:
        return reverse("releases:hold", args=[self.kit.code, self.code])


class Withdrawal(models.Model):
    """A revision that must never be used again."""

    revision = models.OneToOneField(Revision, on_delete=models.PROTECT, related_name="withdrawal")
    reason = models.TextField()
    withdrawn_by = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    withdrawn_at = models.DateTimeField()

    class Meta:
        ordering = ["-withdrawn_at"]

    def __str__(self) -> str:
        return f"{self.revision} withdrawn"

    @property
    def trail(self) -> str:
        return self.revision.trail


class Packet(models.Model):
    """The PDF issued with a release."""

    release = models.OneToOneField(Release, on_delete=models.PROTECT, related_name="packet")
    file = models.ForeignKey(StoredFile, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    asked_at = models.DateTimeField()
    made_at = models.DateTimeField(null=True, blank=True)
    address = models.CharField(max_length=200, blank=True, help_text="Where the project answered when it was signed.")
    error = models.TextField(blank=True)

    def __str__(self) -> str:
        return f"packet of {self.release.revision}"

    def what_failed(self, at: datetime) -> str:
        """Why there is no packet yet although there should be; empty while it may still be on its way."""
        if self.file_id:
            return ""
        late = at - self.asked_at > timedelta(minutes=10)
        return self.error or ("The packet should have been made by now. Ask for it again." if late else "")
