"""Looking things up. Records change through the services only, so that the logbook stays whole."""

from django.contrib import admin

from logbook.admin import ReadOnly

from . import models

for model in (
    models.GatePlan,
    models.Concession,
    models.Release,
    models.SignOff,
    models.CheckResult,
    models.PutForward,
    models.Hold,
    models.Withdrawal,
    models.Packet,
):
    admin.site.register(model, ReadOnly)
