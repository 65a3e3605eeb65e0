"""The people who use Proofmark. Roles are Django groups; see `proofmark.roles`."""

from django.contrib.auth.models import AbstractUser
from django.db import models


class Person(AbstractUser):
    """A person who signs in. Their signature is their name at the moment of signing."""

    class Theme(models.TextChoices):
        SYSTEM = "", "as the device"
        PAPER = "paper", "paper"
        BLUEPRINT = "blueprint", "blueprint"

    class LengthUnit(models.TextChoices):
        KIT = "", "as the kit"
        MM = "mm", "millimetres"
        IN = "in", "inches"

    phone = models.CharField(max_length=40, blank=True, help_text="Shown to the site team when they need to call.")
    theme = models.CharField(max_length=10, choices=Theme, default=Theme.SYSTEM, blank=True)
    length_unit = models.CharField(max_length=5, choices=LengthUnit, default=LengthUnit.KIT, blank=True)

    class Meta:
        verbose_name = "person"
        verbose_name_plural = "people"

    def __str__(self) -> str:
        return self.get_full_name() or self.username
