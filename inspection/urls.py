from django.urls import path

from . import (
    characteristic_views,
    closure_urls,
    correction_urls,
    entry_views,
    feed_views,
    mark_views,
    sections,
    sheet_views,
    upload,
    view3d,
    views,
    walls,
)

app_name = "inspection"
urlpatterns = [
    path("scans/", views.scans, name="scans"),
    path("scans/<str:code>/", views.scan, name="scan"),
    path("scans/<str:code>/view/", view3d.scan, name="scan_view"),
    path("scans/<str:code>/points/", view3d.points, name="scan_points"),
    path("scans/<str:code>/section/", sections.picture, name="section"),
    path("scans/<str:code>/walls/", walls.picture, name="walls"),
    path("scans/<str:code>/marks/", mark_views.marks, name="marks"),
    path("scans/<str:code>/count/<int:number>/", feed_views.count, name="count_scan_value"),
    path("scans/<str:code>/stop/", views.stop, name="stop"),
    path("scans/<str:code>/again/", views.again, name="again"),
    path("scans/<str:code>/columns/", upload.columns, name="columns"),
    path("scans/<str:code>/withdraw/", views.withdraw, name="withdraw"),
    path("casts/<str:serial>/scan/", upload.upload_scan, name="upload"),
    path("casts/<str:serial>/measure/", entry_views.measure, name="measure"),
    path("measurements/", sheet_views.imports, name="imports"),
    path("measurements/import/", sheet_views.import_sheet, name="import-sheet"),
    path("measurements/<str:code>/", sheet_views.imported, name="import"),
    path("instruments/", views.instruments, name="instruments"),
    path("instruments/<str:code>/", views.instrument, name="instrument"),
    path("add-instrument/", views.add_instrument, name="add-instrument"),
    path("parts/<str:part_number>/<str:letter>/scans/", views.revision_scans, name="revision_scans"),
    path(
        "parts/<str:part_number>/<str:letter>/characteristics/",
        characteristic_views.characteristics,
        name="characteristics",
    ),
    path(
        "parts/<str:part_number>/<str:letter>/characteristics/<int:number>/",
        characteristic_views.characteristic,
        name="characteristic",
    ),
    *closure_urls.urlpatterns,
    *correction_urls.urlpatterns,
]
