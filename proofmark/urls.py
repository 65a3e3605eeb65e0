"""Addresses. Fixed ones first; everything that belongs to a kit begins with the kit's code."""

from django.contrib import admin
from django.urls import include, path

rooms = ["parts", "casting", "inspection", "lessons", "releases", "sitework", "logbook"]

urlpatterns = [
    path("admin/", admin.site.urls),
    *[path("<str:kit>/", include(f"{room}.urls")) for room in rooms],
]
