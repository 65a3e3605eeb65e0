"""The people who use Proofmark. Roles are Django groups; see `proofmark.roles`."""

from django.contrib.auth.models import AbstractUser
from django.db import models

from metrology.amounts.quantities import FEET_INCHES
from parts.units_in_use import UnitsInUse


class Person(AbstractUser):
    """A person who signs in. Their signature is their name at the moment of signing."""

    class Theme(models.TextChoices):
        SYSTEM = "", "as the device"
        PAPER = "paper", "paper"
        BLUEPRINT = "blueprint", "blueprint"

    class LengthUnit(models.TextChoices):
        KIT = "", "as the kit"
        MM = "mm", "millimetres"
        CM = "cm", "centimetres"
        IN = "in", "inches"
        FEET_INCHES = FEET_INCHES, "feet and inches"

    class OtherUnits(models.TextChoices):
        METRIC = "", "kg, MPa, °C"
        CUSTOMARY = "us", "lb, psi, °F"

    phone = models.CharField(max_length=40, blank=True, help_text="Shown to the site team when they need to call.")
    theme = models.CharField(max_length=10, choices=Theme, default=Theme.SYSTEM, blank=True)
    length_unit = models.CharField(
        max_length=5,
        choices=LengthUnit,
        default=LengthUnit.KIT,
        blank=True,
        help_text="In which your forms take lengths.",
    )
    other_units = models.CharField(
        max_length=5, choices=OtherUnits, default=OtherUnits.METRIC, blank=True,
        help_text="For masses, strengths and temperatures in your forms. Any figure may have its own unit behind it.",
    )  # fmt: skip

    class Meta:
        verbose_name = "person"
        verbose_name_plural = "people"

    def __str__(self) -> str:
        return self.get_full_name() or self.username

    def units_in_use(self, kit_unit: str) -> UnitsInUse:
        return UnitsInUse(self.length_unit or kit_unit, self.other_units == self.OtherUnits.CUSTOMARY)
