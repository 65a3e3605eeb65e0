"""What is made: kits, components, interfaces, revisions, characteristics, regions and nominal geometry."""

from django.conf import settings
from django.core.validators import MinValueValidator, RegexValidator
from django.db import models
from django.db.models import F, Q
from django.urls import reverse
from django.utils import timezone

from logbook.models import StoredFile

PERSON = settings.AUTH_USER_MODEL
code_validator = RegexValidator(r"^[A-Za-z0-9][A-Za-z0-9._-]*$", "Use letters, digits, dots and dashes only.")


class LengthUnit(models.TextChoices):
    MM = "mm", "mm"
    CM = "cm", "cm"
    M = "m", "m"
    IN = "in", "in"
    FT = "ft", "ft"


class Weight(models.TextChoices):
    """How much hangs on it, for components and for characteristics."""

    CRITICAL = "critical", "critical"
    MAJOR = "major", "major"
    MINOR = "minor", "minor"


def limits_in_order(name: str) -> models.CheckConstraint:
    return models.CheckConstraint(
        condition=Q(lower__isnull=True) | Q(upper__isnull=True) | Q(lower__lte=F("upper")), name=name
    )


class Kit(models.Model):
    """What is being built: it owns its components, mock-ups and sites."""

    code = models.CharField(max_length=20, unique=True, validators=[code_validator])
    name = models.CharField(max_length=100)
    about = models.TextField(blank=True)
    time_zone = models.CharField(max_length=50, default="UTC")
    length_unit = models.CharField(max_length=5, choices=LengthUnit, default=LengthUnit.MM)
    invented = models.BooleanField(default=False, help_text="Demonstration data; every page says so.")
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["code"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(
                    code__in=[
                        "admin",
                        "first-run",
                        "kits",
                        "me",
                        "people",
                        "sign-in",
                        "sign-out",
                        "static",
                        "styles",
                        "t",
                    ]
                ),
                name="parts_kit_code_is_not_an_address",
            )
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def trail(self) -> str:
        return self.code

    def get_absolute_url(self) -> str:
        return reverse("board", args=[self.code])


class Component(models.Model):
    """An item meant to be one part of the works. Its part number is independent of revision."""

    class MadeHow(models.TextChoices):
        OPEN_FACE = "open-face", "cast in an open-face mould"
        TWO_PART = "two-part", "cast in a two-part mould"
        PRINTED = "printed", "printed"
        BOUGHT = "bought", "bought in"
        OTHER = "other", "made another way"

    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="components")
    part_number = models.CharField(max_length=40, validators=[code_validator])
    name = models.CharField(max_length=120)
    family = models.CharField(max_length=60, blank=True)
    material = models.CharField(max_length=120)
    made_how = models.CharField(max_length=20, choices=MadeHow, default=MadeHow.OPEN_FACE)
    quantity = models.PositiveIntegerField("quantity in the kit", default=1, validators=[MinValueValidator(1)])
    criticality = models.CharField(max_length=10, choices=Weight, default=Weight.MAJOR)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["part_number"]
        constraints = [models.UniqueConstraint(fields=["kit", "part_number"], name="parts_component_part_number_once")]

    def __str__(self) -> str:
        return f"{self.part_number} {self.name}"

    @property
    def trail(self) -> str:
        return f"{self.kit.code}/{self.part_number}"

    def get_absolute_url(self) -> str:
        return reverse("parts:component", args=[self.kit.code, self.part_number])


class Interface(models.Model):
    """Where two components meet, with the gap that must be there when they are fitted. Millimetres, full size."""

    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="interfaces")
    code = models.CharField(max_length=20, validators=[code_validator])
    name = models.CharField(max_length=120)
    component_a = models.ForeignKey(Component, on_delete=models.PROTECT, related_name="interfaces_a")
    component_b = models.ForeignKey(Component, on_delete=models.PROTECT, related_name="interfaces_b")
    lower = models.DecimalField("least gap", max_digits=10, decimal_places=3, null=True, blank=True)
    upper = models.DecimalField("greatest gap", max_digits=10, decimal_places=3, null=True, blank=True)
    note = models.TextField(blank=True)

    class Meta:
        ordering = ["code"]
        constraints = [
            models.UniqueConstraint(fields=["kit", "code"], name="parts_interface_code_once"),
            limits_in_order("parts_interface_limits_in_order"),
            models.CheckConstraint(
                condition=Q(lower__isnull=False) | Q(upper__isnull=False), name="parts_interface_has_a_limit"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.code} {self.name}"

    @property
    def trail(self) -> str:
        return f"{self.kit.code}/{self.code}"


class RevisionState(models.TextChoices):
    IN_PREPARATION = "in preparation", "in preparation"
    ON_TRIAL = "on trial", "on trial"
    PUT_FORWARD = "put forward", "put forward"
    BUILDABLE = "buildable", "buildable"
    SUPERSEDED = "superseded", "superseded"
    WITHDRAWN = "withdrawn", "withdrawn"


class Revision(models.Model):
    """A controlled issue of a component's definition. Its state changes only through services."""

    component = models.ForeignKey(Component, on_delete=models.PROTECT, related_name="revisions")
    letter = models.CharField(max_length=3, validators=[RegexValidator(r"^[A-Z]{1,3}$", "Use capital letters.")])
    what_changed = models.TextField()
    why = models.TextField()
    cautions = models.TextField(blank=True, help_text="What can hurt someone who casts, lifts or installs it.")
    strength_required = models.DecimalField(
        "required strength, MPa", max_digits=6, decimal_places=1, null=True, blank=True,
        help_text="The engineer's value. Empty when no strength is asked for.",
    )  # fmt: skip
    strength_age_days = models.PositiveIntegerField("at an age of, days", default=28)
    author = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="revisions_drawn")
    state = models.CharField(max_length=20, choices=RevisionState, default=RevisionState.IN_PREPARATION)
    state_since = models.DateTimeField()
    created_at = models.DateTimeField("drawn", default=timezone.now)

    State = RevisionState

    class Meta:
        ordering = ["component", "letter"]
        constraints = [
            models.UniqueConstraint(fields=["component", "letter"], name="parts_revision_letter_once"),
            models.UniqueConstraint(
                fields=["component"], condition=Q(state="buildable"), name="parts_one_buildable_revision"
            ),
            models.CheckConstraint(
                condition=Q(strength_required__isnull=True) | Q(strength_required__gt=0),
                name="parts_revision_strength_is_positive",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.component.part_number} {self.letter}"

    @property
    def trail(self) -> str:
        return f"{self.component.trail}/{self.letter}"

    @property
    def is_open(self) -> bool:
        """Whether its definition may still be changed."""
        return self.state in (RevisionState.IN_PREPARATION, RevisionState.ON_TRIAL)

    def url_args(self) -> list[str]:
        return [self.component.kit.code, self.component.part_number, self.letter]

    def get_absolute_url(self) -> str:
        return reverse("releases:gate", args=self.url_args())


class Characteristic(models.Model):
    """A feature on the drawing with a nominal and limits, in the unit stated."""

    class Kind(models.TextChoices):
        LENGTH = "length", "length"
        DIAMETER = "diameter", "diameter"
        ANGLE = "angle", "angle"
        FLATNESS = "flatness", "flatness"
        POSITION = "position", "position"
        PROFILE = "profile", "profile of a surface"
        MASS = "mass", "mass"
        OTHER = "other", "other"

    class Unit(models.TextChoices):
        MM = "mm", "mm"
        DEG = "°", "°"
        KG = "kg", "kg"
        PERCENT = "%", "%"
        NONE = "1", "no unit"

    class Method(models.TextChoices):
        BY_HAND = "by hand", "by hand"
        SCAN = "scan", "scan"
        GAUGE = "gauge", "go / no-go gauge"

    revision = models.ForeignKey(Revision, on_delete=models.PROTECT, related_name="characteristics")
    number = models.PositiveIntegerField("number on the drawing", validators=[MinValueValidator(1)])
    name = models.CharField(max_length=120)
    kind = models.CharField(max_length=12, choices=Kind, default=Kind.LENGTH)
    nominal = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    lower = models.DecimalField("lower limit", max_digits=14, decimal_places=4, null=True, blank=True)
    upper = models.DecimalField("upper limit", max_digits=14, decimal_places=4, null=True, blank=True)
    unit = models.CharField(max_length=5, choices=Unit, default=Unit.MM)
    weight = models.CharField("class", max_length=10, choices=Weight, default=Weight.MAJOR)
    method = models.CharField(max_length=10, choices=Method, default=Method.BY_HAND)

    class Meta:
        ordering = ["revision", "number"]
        constraints = [
            models.UniqueConstraint(fields=["revision", "number"], name="parts_characteristic_number_once"),
            limits_in_order("parts_characteristic_limits_in_order"),
            models.CheckConstraint(
                condition=Q(lower__isnull=False) | Q(upper__isnull=False), name="parts_characteristic_has_a_limit"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.number} {self.name}"

    @property
    def trail(self) -> str:
        return self.revision.trail

    @property
    def decimals(self) -> int:
        """Decimals of the limits as they were written, so that values are shown alike."""
        given = [v.normalize() for v in (self.lower, self.upper) if v is not None]
        return max([max(0, -v.as_tuple().exponent) for v in given], default=0)


class Geometry(models.Model):
    """A nominal mesh or a drawing on file, by content hash. Replaced, never changed."""

    class Role(models.TextChoices):
        NOMINAL = "nominal", "nominal mesh"
        DRAWING = "drawing", "drawing"

    revision = models.ForeignKey(Revision, on_delete=models.PROTECT, related_name="geometry")
    role = models.CharField(max_length=10, choices=Role)
    file = models.ForeignKey(StoredFile, on_delete=models.PROTECT, related_name="+")
    original_name = models.CharField(max_length=255)
    unit = models.CharField(max_length=5, choices=LengthUnit, blank=True, help_text="Unit of the file; meshes only.")
    facts = models.JSONField(default=dict, help_text="Triangles, size in mm, volume, whether watertight.")
    mesh = models.ForeignKey(
        StoredFile, null=True, blank=True, on_delete=models.PROTECT, related_name="+",
        help_text="The triangles in mm, where the file is a model that triangles had to be made from.",
    )  # fmt: skip
    picture = models.ForeignKey(StoredFile, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    view = models.ForeignKey(
        StoredFile, null=True, blank=True, on_delete=models.PROTECT, related_name="+",
        help_text="What the three-dimensional view draws; made again when it is missing.",
    )  # fmt: skip
    current = models.BooleanField(default=True)
    added_by = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    added_at = models.DateTimeField()

    class Meta:
        ordering = ["-added_at"]
        verbose_name_plural = "geometry"
        constraints = [
            models.UniqueConstraint(
                fields=["revision", "role"], condition=Q(current=True), name="parts_one_current_geometry"
            ),
            models.CheckConstraint(
                condition=~Q(role="nominal") | ~Q(unit=""), name="parts_nominal_mesh_states_its_unit"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_role_display()} {self.original_name}"

    @property
    def trail(self) -> str:
        return self.revision.trail

    @property
    def litres(self) -> float | None:
        """Volume of the nominal; None for a drawing and for a mesh that is not watertight."""
        volume = self.facts.get("volume")
        return None if volume is None else volume / 1_000_000


# Models of this app in modules of their own.
from .alignment_models import RevisionAlignment  # noqa: E402, F401
from .mould_models import MouldabilityCheck  # noqa: E402, F401
from .region_models import Feature, Feed, Region  # noqa: E402, F401
