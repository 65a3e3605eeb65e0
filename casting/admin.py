"""Looking things up. Records change through the services only, so that the logbook stays whole."""

from django.contrib import admin

from logbook.admin import ReadOnly

from . import models

for model in (
    models.Mould,
    models.Batch,
    models.Cast,
    models.StrengthTest,
    models.Nonconformity,
):
    admin.site.register(model, ReadOnly)
