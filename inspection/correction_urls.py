from django.urls import path

from . import correction_views as views

urlpatterns = [
    path("parts/<str:part_number>/<str:letter>/scans/compared/", views.casts_compared, name="casts-compared"),
    path("parts/<str:part_number>/<str:letter>/scans/compare/", views.compare_casts, name="compare-casts"),
    path(
        "parts/<str:part_number>/<str:letter>/scans/compared/<int:pk>/stop/",
        views.stop_comparing,
        name="stop-comparing",
    ),
    path("moulds/<str:code>/correct/", views.correct_mould, name="correct-mould"),
    path("corrections/", views.corrections, name="corrections"),
    path("corrections/<str:code>/", views.correction, name="correction"),
    path("corrections/<str:code>/mould/", views.mould_made, name="mould-made"),
    path("corrections/<str:code>/effect/", views.find_effect, name="find-effect"),
    path("corrections/<str:code>/stop/", views.stop_correction, name="stop-correction"),
]
