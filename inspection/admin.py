"""Looking things up. Records change through the services only, so that the logbook stays whole."""

from django.contrib import admin

from logbook.admin import ReadOnly

from . import models

for model in (
    models.Instrument,
    models.Scan,
    models.ScanResult,
    models.Measurement,
    models.MeasurementImport,
    models.ClosureLoop,
    models.GaugeStudy,
    models.GaugeStudyReading,
):
    admin.site.register(model, ReadOnly)
