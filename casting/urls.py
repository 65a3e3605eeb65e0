from django.urls import path

from . import views

app_name = "casting"
urlpatterns = [
    path("casts/", views.casts, name="casts"),
    path("casts/<str:serial>/", views.cast, name="cast"),
    path("casts/<str:serial>/demould/", views.demould, name="demould"),
    path("casts/<str:serial>/correct/", views.correct, name="correct"),
    path("casts/<str:serial>/move/", views.move, name="move"),
    path("casts/<str:serial>/report/", views.report, name="report"),
    path("log-cast/", views.log_cast, name="log-cast"),
    path("moulds/", views.moulds, name="moulds"),
    path("moulds/<str:code>/", views.mould, name="mould"),
    path("moulds/<str:code>/state/", views.mould_state, name="mould-state"),
    path("log-mould/", views.log_mould, name="log-mould"),
    path("batches/", views.batches, name="batches"),
    path("batches/<str:code>/", views.batch, name="batch"),
    path("batches/<str:code>/strength/", views.log_strength, name="log-strength"),
    path("log-batch/", views.log_batch, name="log-batch"),
    path("nonconformities/", views.nonconformities, name="nonconformities"),
    path("nonconformities/<str:code>/", views.nonconformity, name="nonconformity"),
    path("nonconformities/<str:code>/decide/", views.decide, name="decide"),
    path("parts/<str:part_number>/<str:letter>/casts/", views.revision_casts, name="revision_casts"),
]
