from django.urls import path

from . import views

app_name = "logbook"
urlpatterns = [
    path("logbook/", views.entry_list, name="list"),
    path("files/<str:sha256>/<str:name>", views.stored_file, name="file"),
]
