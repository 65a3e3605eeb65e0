"""Looking things up. Records change through the services only, so that the logbook stays whole."""

from django.contrib import admin

from logbook.admin import ReadOnly

from . import models

for model in (
    models.Kit,
    models.Component,
    models.Interface,
    models.Revision,
    models.Characteristic,
    models.Region,
    models.Feature,
    models.Feed,
    models.Geometry,
    models.MouldabilityCheck,
):
    admin.site.register(model, ReadOnly)
