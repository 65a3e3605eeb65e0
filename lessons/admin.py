"""Looking things up. Records change through the services only, so that the logbook stays whole."""

from django.contrib import admin

from logbook.admin import ReadOnly

from . import models

for model in (
    models.Mockup,
    models.Question,
    models.Trial,
    models.Step,
    models.FitCheck,
    models.Lesson,
    models.Sighting,
    models.Photo,
    models.NominalAssembly,
    models.PlacedPart,
    models.MockupScan,
):
    admin.site.register(model, ReadOnly)
