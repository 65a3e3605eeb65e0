from django.urls import path

from . import views

app_name = "releases"
REVISION = "parts/<str:part_number>/<str:letter>/"
urlpatterns = [
    path("parts/<str:part_number>/gate-plan/", views.plan, name="plan"),
    path(REVISION, views.gate, name="gate"),
    path(REVISION + "put-forward/", views.put_forward, name="put-forward"),
    path(REVISION + "send-back/", views.send_back, name="send-back"),
    path(REVISION + "sign/", views.sign, name="sign"),
    path(REVISION + "withdraw/", views.withdraw, name="withdraw"),
    path(REVISION + "concession/", views.grant_concession, name="concession"),
    path(REVISION + "packet/", views.packet, name="packet"),
    path(REVISION + "packet/again/", views.packet_again, name="packet-again"),
    path("concessions/<str:code>/end/", views.end_concession, name="end-concession"),
    path("holds/", views.holds, name="holds"),
    path("holds/new/<str:what>/<str:name>/", views.place_hold, name="place-hold"),
    path("holds/<str:code>/", views.hold, name="hold"),
    path("holds/<str:code>/lift/", views.lift_hold, name="lift-hold"),
    path("gate-plan/", views.plan, name="kit-plan"),
]
