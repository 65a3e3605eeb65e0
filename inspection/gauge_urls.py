"""Addresses of gauge studies, below those of inspection."""

from django.urls import path

from . import gauge_views as views

urlpatterns = [
    path("gauge-studies/", views.studies, name="gauge-studies"),
    path("gauge-studies/plan/", views.plan, name="gauge-study-plan"),
    path("gauge-studies/<str:code>/", views.study, name="gauge-study"),
    path("gauge-studies/<str:code>/withdraw/", views.withdraw_study, name="gauge-study-withdraw"),
    path("gauge-studies/<str:code>/read/<int:place>/", views.read, name="gauge-study-read"),
    path(
        "gauge-studies/<str:code>/readings/<int:order>/withdraw/",
        views.withdraw_reading,
        name="gauge-reading-withdraw",
    ),
]
