"""Addresses about people, above any kit."""

from django.contrib.auth.views import LogoutView
from django.urls import path

from . import accounts

urlpatterns = [
    path("sign-in/", accounts.SignIn.as_view(), name="sign-in"),
    path("sign-out/", LogoutView.as_view(), name="sign-out"),
    path("first-run/", accounts.first_run, name="first-run"),
    path("me/", accounts.me, name="me"),
    path("me/password/", accounts.change_password, name="password"),
    path("people/", accounts.people, name="people"),
    path("people/new/", accounts.invite, name="invite"),
    path("people/<int:pk>/password/", accounts.new_password, name="new-password"),
    path("people/<int:pk>/active/", accounts.set_active, name="set-active"),
]
