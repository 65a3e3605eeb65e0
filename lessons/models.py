"""What was learned: mock-ups and their questions, trials with steps and fit checks, lessons, photos."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.urls import reverse

from casting.models import Cast
from inspection.models import Instrument, Result
from logbook.models import StoredFile
from parts.models import Component, Interface, Kit, Revision, code_validator

PERSON = settings.AUTH_USER_MODEL


class Mockup(models.Model):
    """A scale model (1 : n) or a full-size mock-up (n = 1) that must answer questions."""

    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="mockups")
    code = models.CharField(max_length=20, validators=[code_validator])
    name = models.CharField(max_length=120)
    scale = models.DecimalField("scale, 1 to", max_digits=6, decimal_places=2, default=1)
    about = models.TextField("what it must answer", blank=True)
    built_on = models.DateField()
    components = models.ManyToManyField(Component, related_name="mockups", blank=True)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["code"]
        verbose_name = "mock-up"
        constraints = [
            models.UniqueConstraint(fields=["kit", "code"], name="lessons_mockup_code_once"),
            models.CheckConstraint(condition=Q(scale__gt=0), name="lessons_mockup_scale_is_positive"),
        ]

    def __str__(self) -> str:
        return f"{self.code} {self.name}"

    @property
    def is_full_size(self) -> bool:
        return self.scale == 1

    @property
    def size_said(self) -> str:
        """ "full size" or, as drawings write it, "1 : 10"."""
        return "full size" if self.is_full_size else f"1\u00a0:\u00a0{self.scale.normalize():f}"

    @property
    def trail(self) -> str:
        return f"{self.kit.code}/{self.code}"

    def get_absolute_url(self) -> str:
        return reverse("lessons:mockup", args=[self.kit.code, self.code])


class Question(models.Model):
    """An unknown that a mock-up must answer."""

    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="questions")
    code = models.CharField(max_length=20)
    mockup = models.ForeignKey(Mockup, on_delete=models.PROTECT, related_name="questions")
    components = models.ManyToManyField(Component, related_name="questions")
    text = models.TextField("question")
    asked_by = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    asked_at = models.DateTimeField()
    answer = models.TextField(blank=True)
    answered_by = models.ForeignKey(PERSON, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    answered_at = models.DateTimeField(null=True, blank=True)
    answered_in = models.ForeignKey("Trial", null=True, blank=True, on_delete=models.PROTECT, related_name="answers")

    class Meta:
        ordering = ["code"]
        constraints = [
            models.UniqueConstraint(fields=["kit", "code"], name="lessons_question_code_once"),
            models.CheckConstraint(
                condition=Q(answer="", answered_at__isnull=True) | (~Q(answer="") & Q(answered_at__isnull=False)),
                name="lessons_question_answered_with_a_date",
            ),
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def is_open(self) -> bool:
        return self.answered_at is None

    @property
    def trail(self) -> str:
        return self.mockup.trail

    def get_absolute_url(self) -> str:
        return reverse("lessons:question", args=[self.kit.code, self.code])


class Trial(models.Model):
    """One assembly attempt with recorded conditions."""

    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="trials")
    code = models.CharField(max_length=20)
    mockup = models.ForeignKey(Mockup, on_delete=models.PROTECT, related_name="trials")
    started_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)
    crew = models.CharField(max_length=200, blank=True)
    conditions = models.CharField(max_length=200, blank=True, help_text="Weather, ground, light.")
    went_wrong = models.TextField("what went wrong", blank=True)
    logged_by = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    logged_at = models.DateTimeField()
    casts = models.ManyToManyField(Cast, through="TrialPiece", related_name="trials")

    class Meta:
        ordering = ["-started_at"]
        constraints = [
            models.UniqueConstraint(fields=["kit", "code"], name="lessons_trial_code_once"),
            models.CheckConstraint(
                condition=Q(ended_at__isnull=True) | Q(ended_at__gte=F("started_at")),
                name="lessons_trial_ends_after_start",
            ),
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def trail(self) -> str:
        return f"{self.mockup.trail}/{self.code}"

    def get_absolute_url(self) -> str:
        return reverse("lessons:trial", args=[self.kit.code, self.code])


class TrialPiece(models.Model):
    """What was fitted in a trial: a cast, or on a scale model a printed piece of a revision."""

    trial = models.ForeignKey(Trial, on_delete=models.PROTECT, related_name="pieces")
    revision = models.ForeignKey(Revision, on_delete=models.PROTECT, related_name="trial_pieces")
    cast = models.ForeignKey(Cast, null=True, blank=True, on_delete=models.PROTECT, related_name="trial_pieces")
    place = models.CharField(max_length=80, blank=True)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["trial", "cast"], condition=Q(cast__isnull=False), name="lessons_cast_once_in_a_trial"
            )
        ]

    def __str__(self) -> str:
        return str(self.cast or self.revision)

    @property
    def trail(self) -> str:
        return self.trial.trail


class Step(models.Model):
    trial = models.ForeignKey(Trial, on_delete=models.PROTECT, related_name="steps")
    number = models.PositiveIntegerField()
    text = models.CharField("step", max_length=200)
    minutes = models.DecimalField(max_digits=7, decimal_places=1, null=True, blank=True)
    went_wrong = models.CharField("what went wrong", max_length=300, blank=True)
    done_at = models.DateTimeField(help_text="When it was finished: the next step is timed from here.")

    class Meta:
        ordering = ["trial", "number"]
        constraints = [
            models.UniqueConstraint(fields=["trial", "number"], name="lessons_step_number_once"),
            models.CheckConstraint(condition=Q(minutes__isnull=True) | Q(minutes__gte=0), name="lessons_step_minutes"),
        ]

    def __str__(self) -> str:
        return f"{self.number} {self.text}"

    @property
    def trail(self) -> str:
        return self.trial.trail


class FitCheck(models.Model):
    """A gap measured at an interface in a trial, mm as measured on the model. Limits are frozen at that scale."""

    trial = models.ForeignKey(Trial, on_delete=models.PROTECT, related_name="fit_checks")
    interface = models.ForeignKey(Interface, on_delete=models.PROTECT, related_name="fit_checks")
    where = models.CharField(max_length=80, blank=True)
    gap = models.DecimalField("gap, mm", max_digits=10, decimal_places=3)
    lower = models.DecimalField(max_digits=13, decimal_places=6, null=True, blank=True)
    upper = models.DecimalField(max_digits=13, decimal_places=6, null=True, blank=True)
    instrument = models.ForeignKey(
        Instrument, null=True, blank=True, on_delete=models.PROTECT, related_name="fit_checks"
    )
    uncertainty = models.DecimalField("U, mm", max_digits=8, decimal_places=4)
    result = models.CharField(max_length=20, choices=Result)
    measured_at = models.DateTimeField()
    measured_by = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["interface__code", "pk"]
        constraints = [
            models.CheckConstraint(condition=Q(uncertainty__gt=0), name="lessons_fit_check_states_its_uncertainty")
        ]

    def __str__(self) -> str:
        return f"{self.interface} {self.gap} mm"

    @property
    def trail(self) -> str:
        return self.trial.trail


class Lesson(models.Model):
    """What happened, cause, action, where it applies next, and what proves it."""

    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="lessons")
    code = models.CharField(max_length=20)
    title = models.CharField(max_length=120)
    component = models.ForeignKey(Component, on_delete=models.PROTECT, related_name="lessons")
    what_happened = models.TextField()
    cause = models.TextField(blank=True)
    action = models.TextField(blank=True)
    applies_next = models.TextField("where it applies next", blank=True)
    proof_wanted = models.TextField("what proves it", blank=True)
    blocking = models.BooleanField("blocks the release until proven", default=False)
    carried_by = models.ForeignKey(
        Revision, null=True, blank=True, on_delete=models.PROTECT, related_name="lessons_carried",
        verbose_name="revision that carries the fix",
    )  # fmt: skip
    seen_in_trial = models.ForeignKey(Trial, null=True, blank=True, on_delete=models.PROTECT, related_name="lessons")
    owner = models.ForeignKey(PERSON, null=True, blank=True, on_delete=models.PROTECT, related_name="lessons_owned")
    written_by = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    written_at = models.DateTimeField()
    proven_at = models.DateTimeField(null=True, blank=True)
    proven_by = models.ForeignKey(PERSON, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    proven_in = models.ForeignKey(Trial, null=True, blank=True, on_delete=models.PROTECT, related_name="lessons_proven")
    proof = models.TextField("what was seen that proves it", blank=True)

    class Meta:
        ordering = ["-written_at"]
        constraints = [models.UniqueConstraint(fields=["kit", "code"], name="lessons_lesson_code_once")]
        permissions = [("prove_lesson", "Can say that the fix of a lesson is proven")]

    def __str__(self) -> str:
        return f"{self.code} {self.title}"

    @property
    def is_proven(self) -> bool:
        return self.proven_at is not None

    @property
    def blocks(self) -> bool:
        return self.blocking and not self.is_proven

    @property
    def trail(self) -> str:
        return f"{self.component.trail}/{self.code}"

    def get_absolute_url(self) -> str:
        return reverse("lessons:lesson", args=[self.kit.code, self.code])


class Sighting(models.Model):
    """Each time a lesson was seen: one stroke of its tally."""

    lesson = models.ForeignKey(Lesson, on_delete=models.PROTECT, related_name="sightings")
    cast = models.ForeignKey(Cast, null=True, blank=True, on_delete=models.PROTECT, related_name="sightings")
    trial = models.ForeignKey(Trial, null=True, blank=True, on_delete=models.PROTECT, related_name="sightings")
    at = models.DateTimeField()
    note = models.CharField(max_length=200, blank=True)
    logged_by = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["at"]

    def __str__(self) -> str:
        return f"{self.lesson.code} seen {self.at:%Y-%m-%d}"

    @property
    def trail(self) -> str:
        return self.lesson.trail


class Photo(models.Model):
    """A picture, turned upright, without location data. Belongs to one lesson, trial or cast."""

    file = models.ForeignKey(StoredFile, on_delete=models.PROTECT, related_name="+")
    thumbnail = models.ForeignKey(StoredFile, on_delete=models.PROTECT, related_name="+")
    width = models.PositiveIntegerField()
    height = models.PositiveIntegerField()
    caption = models.CharField(max_length=200, blank=True)
    lesson = models.ForeignKey(Lesson, null=True, blank=True, on_delete=models.PROTECT, related_name="photos")
    trial = models.ForeignKey(Trial, null=True, blank=True, on_delete=models.PROTECT, related_name="photos")
    cast = models.ForeignKey(Cast, null=True, blank=True, on_delete=models.PROTECT, related_name="photos")
    taken_at = models.DateTimeField(null=True, blank=True)
    added_by = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    added_at = models.DateTimeField()

    class Meta:
        ordering = ["added_at", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=(
                    Q(lesson__isnull=False, trial__isnull=True, cast__isnull=True)
                    | Q(lesson__isnull=True, trial__isnull=False, cast__isnull=True)
                    | Q(lesson__isnull=True, trial__isnull=True, cast__isnull=False)
                ),
                name="lessons_photo_belongs_to_one_record",
            )
        ]

    def __str__(self) -> str:
        return self.caption or f"photo {self.pk}"

    @property
    def record(self) -> "Lesson | Trial | Cast":
        return self.lesson or self.trial or self.cast

    @property
    def trail(self) -> str:
        return self.record.trail

    def get_absolute_url(self) -> str:
        return reverse("lessons:photo", args=[self.record.kit.code, self.pk])


class PhotoMark(models.Model):
    """A balloon on a photo. x and y are shares of width and height, from the top left."""

    photo = models.ForeignKey(Photo, on_delete=models.CASCADE, related_name="marks")
    number = models.PositiveIntegerField()
    x = models.FloatField()
    y = models.FloatField()
    text = models.CharField(max_length=200)

    class Meta:
        ordering = ["photo", "number"]
        constraints = [
            models.UniqueConstraint(fields=["photo", "number"], name="lessons_mark_number_once"),
            models.CheckConstraint(
                condition=Q(x__gte=0) & Q(x__lte=1) & Q(y__gte=0) & Q(y__lte=1), name="lessons_mark_inside_the_photo"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.number} {self.text}"

    @property
    def trail(self) -> str:
        return self.photo.trail


from .position_models import MockupScan, NominalAssembly, PlacedPart  # noqa: E402, F401 - models of this app, apart
