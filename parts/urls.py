from django.urls import path

from . import view3d
from .views import (
    alignment,
    components,
    definition,
    features,
    geometry,
    importing,
    kits,
    mouldability,
    regions,
    revisions,
)

app_name = "parts"
SHEET = "parts/<str:part_number>/<str:letter>/definition/"

urlpatterns = [
    path("kit/", kits.change_kit, name="change_kit"),
    path("parts/", components.component_list, name="list"),
    path("new-component/", components.new_component, name="new_component"),
    path("new-interface/", components.new_interface, name="new_interface"),
    path("interfaces/<str:code>/", components.change_interface, name="change_interface"),
    path("parts/<str:part_number>/", components.component, name="component"),
    path("parts/<str:part_number>/change/", components.change_component, name="change_component"),
    path("parts/<str:part_number>/new-revision/", revisions.new_revision, name="new_revision"),
    path("parts/<str:part_number>/<str:letter>/logbook/", revisions.logbook, name="logbook"),
    path(SHEET, definition.definition, name="definition"),
    path(SHEET + "change/", revisions.change_revision, name="change_revision"),
    path(SHEET + "start-trial/", revisions.start_trial, name="start_trial"),
    path(SHEET + "mouldability/", mouldability.mouldability, name="mouldability"),
    path(SHEET + "mouldability/stop/", mouldability.stop, name="stop_mouldability"),
    path(SHEET + "alignment/", alignment.alignment, name="alignment"),
    path(SHEET + "nominal/view/", view3d.nominal, name="nominal_view"),
    path(SHEET + "nominal/", geometry.file_nominal, name="file_nominal"),
    path(SHEET + "drawing/", geometry.file_drawing, name="file_drawing"),
    path(SHEET + "characteristics/new/", definition.new_characteristic, name="new_characteristic"),
    path(SHEET + "characteristics/import/", importing.import_characteristics, name="import"),
    path(SHEET + "characteristics/<int:number>/", definition.change_characteristic, name="change_characteristic"),
    path(
        SHEET + "characteristics/<int:number>/remove/", definition.remove_characteristic, name="remove_characteristic"
    ),
    path(SHEET + "regions/new/", regions.new_region, name="new_region"),
    path(SHEET + "regions/picture/", regions.picture, name="region_picture"),
    path(SHEET + "regions/<int:pk>/", regions.region, name="region"),
    path(SHEET + "regions/<int:pk>/remove/", regions.remove_region, name="remove_region"),
    path(SHEET + "features/new/", features.new_feature, name="new_feature"),
    path(SHEET + "features/<int:pk>/remove/", features.remove_feature, name="remove_feature"),
    path(SHEET + "feeds/new/", features.new_feed, name="new_feed"),
    path(SHEET + "feeds/<int:pk>/remove/", features.remove_feed, name="remove_feed"),
]
