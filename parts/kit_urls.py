"""Addresses above any kit; the project includes them at a fixed place."""

from django.urls import path

from .views import kits

app_name = "kits"
urlpatterns = [
    path("", kits.kit_list, name="list"),
    path("new/", kits.new_kit, name="new"),
]
