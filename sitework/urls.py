from django.urls import path

from . import views

app_name = "sitework"
urlpatterns = [
    path("sites/", views.sites, name="board"),
    path("sites/new/", views.add_site, name="add-site"),
    path("sites/<str:code>/", views.site, name="site"),
    path("sites/<str:code>/change/", views.change_site, name="change-site"),
    path("sites/<str:code>/positions/new/", views.add_position, name="add-position"),
    path("sites/<str:code>/hold-points/new/", views.add_hold_point, name="add-hold-point"),
    path("sites/<str:code>/acknowledge/<str:what>/<int:pk>/", views.acknowledge, name="acknowledge"),
    path("tags/", views.tags, name="tags"),
    path("tags/sheet/", views.tag_sheet, name="tag-sheet"),
    path("casts/<str:serial>/install/", views.install, name="install"),
    path("casts/<str:serial>/take-out/", views.take_out, name="take-out"),
]
