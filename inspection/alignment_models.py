"""Points that a person marked: the same place on a scan and on the nominal."""

from django.db import models

from .models import Scan


class MarkedPoint(models.Model):
    """One pair. Scan coordinates in the frame of the file, nominal ones in the frame of the nominal, all in mm."""

    scan = models.ForeignKey(Scan, on_delete=models.PROTECT, related_name="marks")
    number = models.PositiveIntegerField()
    name = models.CharField(max_length=60, blank=True)
    scan_x = models.FloatField()
    scan_y = models.FloatField()
    scan_z = models.FloatField()
    nominal_x = models.FloatField()
    nominal_y = models.FloatField()
    nominal_z = models.FloatField()

    class Meta:
        ordering = ["scan", "number"]
        constraints = [models.UniqueConstraint(fields=["scan", "number"], name="inspection_mark_number_once")]

    def __str__(self) -> str:
        return self.name or f"pair {self.number}"

    @property
    def on_scan(self) -> tuple[float, float, float]:
        return self.scan_x, self.scan_y, self.scan_z

    @property
    def on_nominal(self) -> tuple[float, float, float]:
        return self.nominal_x, self.nominal_y, self.nominal_z
