"""Addresses. Fixed ones first; everything that belongs to a kit begins with the kit's code."""

from django.contrib import admin
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.templatetags.static import static
from django.urls import include, path

from proofmark.boards import views as boards
from proofmark.styles import style_sheet
from proofmark.theme import choose_theme

rooms = ["parts", "casting", "inspection", "lessons", "releases", "sitework", "logbook"]


def icon(request: HttpRequest) -> HttpResponse:
    """Browsers ask for it here when they show a file of ours, which has no head to name another place."""
    return redirect(static("proofmark/icon.svg"))


urlpatterns = [
    path("favicon.ico", icon, name="icon"),
    path("admin/", admin.site.urls),
    path("", include("sitework.tag_urls")),
    path("", include("proofmark.account_urls")),
    path("me/theme/", choose_theme, name="theme"),
    path("kits/", include("parts.kit_urls")),
    path("styles/", style_sheet, name="styles"),
    path("", boards.home, name="home"),
    path("<str:kit>/", boards.board, name="board"),
    path("<str:kit>/bench/", boards.my_bench, name="bench"),
    path("<str:kit>/", include("proofmark.numbers.urls")),
    *[path("<str:kit>/", include(f"{room}.urls")) for room in rooms],
]
