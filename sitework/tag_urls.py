"""The one address outside a kit: what a tag's QR symbol says. Short, so that the symbol stays coarse."""

from django.urls import path

from . import tag_views

urlpatterns = [path("t/<str:code>/", tag_views.tag, name="tag")]
