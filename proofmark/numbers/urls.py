"""Addresses below a kit, so that the way back to its rooms stays on the page."""

from django.urls import path

from . import views

app_name = "numbers"
urlpatterns = [
    path("numbers/", views.index, name="list"),
    path("numbers/<slug:name>/", views.page, name="page"),
]
