"""Addresses of the loops."""

from django.urls import path

from . import closure_views as views

urlpatterns = [
    path("loops/", views.loops, name="loops"),
    path("loops/<str:code>/", views.loop, name="loop"),
    path("loops/<str:code>/change/", views.change_loop, name="change-loop"),
    path("loops/<str:code>/end/", views.end_loop, name="end-loop"),
    path("add-loop/", views.add_loop, name="add-loop"),
]
