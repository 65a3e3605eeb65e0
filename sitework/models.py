"""May it go in: sites and their teams, positions, hold points, tags, acknowledgements, installations."""

import secrets

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.urls import reverse

from casting.models import Cast
from parts.models import Component, Kit, code_validator
from releases.models import Hold, Withdrawal

PERSON = settings.AUTH_USER_MODEL
# No vowels and no look-alikes: a code can be read aloud and never spells a word.
TAG_LETTERS = "23456789BCDFGHJKMNPQRSTVWXZ"


def new_tag_code() -> str:
    return "".join(secrets.choice(TAG_LETTERS) for _ in range(10))


class Site(models.Model):
    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="sites")
    code = models.CharField(max_length=20, validators=[code_validator])
    name = models.CharField(max_length=120)
    contact_name = models.CharField("who to call", max_length=120)
    contact_phone = models.CharField("phone", max_length=40)
    team = models.ManyToManyField(PERSON, blank=True, related_name="sites")

    class Meta:
        ordering = ["code"]
        constraints = [models.UniqueConstraint(fields=["kit", "code"], name="sitework_site_code_once")]

    def __str__(self) -> str:
        return self.name

    @property
    def trail(self) -> str:
        return f"{self.kit.code}/{self.code}"

    def get_absolute_url(self) -> str:
        return reverse("sitework:site", args=[self.kit.code, self.code])


class Position(models.Model):
    """A place on a site that takes one piece of one component."""

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="positions")
    code = models.CharField(max_length=20, validators=[code_validator])
    name = models.CharField(max_length=120)
    component = models.ForeignKey(Component, on_delete=models.PROTECT, related_name="positions")
    order = models.PositiveIntegerField("order of building", default=0)

    class Meta:
        ordering = ["site", "order", "code"]
        constraints = [models.UniqueConstraint(fields=["site", "code"], name="sitework_position_code_once")]

    def __str__(self) -> str:
        return self.name

    @property
    def trail(self) -> str:
        return f"{self.site.trail}/{self.code}"


class HoldPoint(models.Model):
    """Work stops here until it is signed. Asked for each piece of a component that goes in on a site."""

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="hold_points")
    component = models.ForeignKey(Component, on_delete=models.PROTECT, related_name="hold_points")
    number = models.PositiveIntegerField()
    text = models.CharField(max_length=200)

    class Meta:
        ordering = ["site", "component", "number"]
        constraints = [
            models.UniqueConstraint(fields=["site", "component", "number"], name="sitework_hold_point_number_once")
        ]

    def __str__(self) -> str:
        return self.text


class Tag(models.Model):
    """The QR label on a piece. It carries identity, never a status."""

    cast = models.OneToOneField(Cast, on_delete=models.PROTECT, related_name="tag")
    code = models.CharField(max_length=12, unique=True, default=new_tag_code)
    made_at = models.DateTimeField(auto_now_add=True)
    made_by = models.ForeignKey(PERSON, null=True, blank=True, on_delete=models.PROTECT, related_name="+")

    def __str__(self) -> str:
        return f"tag {self.code} on {self.cast}"

    @property
    def trail(self) -> str:
        return self.cast.trail

    def get_absolute_url(self) -> str:
        return reverse("tag", args=[self.code])


class Acknowledgement(models.Model):
    """A site confirms that it has seen a hold or a withdrawal."""

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="acknowledgements")
    hold = models.ForeignKey(Hold, null=True, blank=True, on_delete=models.PROTECT, related_name="acknowledgements")
    withdrawal = models.ForeignKey(
        Withdrawal, null=True, blank=True, on_delete=models.PROTECT, related_name="acknowledgements"
    )
    by = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["site", "hold"], name="sitework_hold_acknowledged_once"),
            models.UniqueConstraint(fields=["site", "withdrawal"], name="sitework_withdrawal_acknowledged_once"),
            models.CheckConstraint(
                condition=(
                    Q(hold__isnull=False, withdrawal__isnull=True) | Q(hold__isnull=True, withdrawal__isnull=False)
                ),
                name="sitework_acknowledges_one_thing",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.site} has seen {self.hold or self.withdrawal}"

    @property
    def trail(self) -> str:
        return (self.hold or self.withdrawal).trail


class Installation(models.Model):
    """A piece put in at a position. Taking it out again ends the row, never deletes it."""

    cast = models.ForeignKey(Cast, on_delete=models.PROTECT, related_name="installations")
    position = models.ForeignKey(Position, on_delete=models.PROTECT, related_name="installations")
    by = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    note = models.TextField(blank=True)
    removed_at = models.DateTimeField(null=True, blank=True)
    removed_by = models.ForeignKey(PERSON, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    removed_why = models.TextField(blank=True)

    class Meta:
        ordering = ["-at"]
        constraints = [
            models.UniqueConstraint(
                fields=["cast"], condition=Q(removed_at__isnull=True), name="sitework_cast_installed_once"
            ),
            models.UniqueConstraint(
                fields=["position"], condition=Q(removed_at__isnull=True), name="sitework_position_taken_once"
            ),
        ]
        permissions = [("log_installation", "Can log a piece as installed"), ("acknowledge", "Can acknowledge a hold")]

    def __str__(self) -> str:
        return f"{self.cast} at {self.position}"

    @property
    def trail(self) -> str:
        return self.cast.trail


class HoldPointSignature(models.Model):
    """Who signed which hold point for which piece, before it went in."""

    hold_point = models.ForeignKey(HoldPoint, on_delete=models.PROTECT, related_name="signatures")
    installation = models.ForeignKey(Installation, on_delete=models.PROTECT, related_name="signatures")
    by = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    note = models.CharField(max_length=120, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["hold_point", "installation"], name="sitework_hold_point_signed_once")
        ]

    def __str__(self) -> str:
        return f"{self.hold_point} signed"
