from django.urls import path

from .views import lessons, photos

app_name = "lessons"
urlpatterns = [
    path("lessons/", lessons.lesson_list, name="list"),
    path("lessons/<str:code>/", lessons.lesson, name="lesson"),
    path("lessons/<str:code>/change/", lessons.change, name="change"),
    path("lessons/<str:code>/prove/", lessons.prove, name="prove"),
    path("lessons/<str:code>/withdraw-proof/", lessons.withdraw_proof, name="withdraw-proof"),
    path("lessons/<str:code>/seen/", lessons.seen, name="seen"),
    path("write-lesson/", lessons.write, name="write"),
    path("parts/<str:part_number>/<str:letter>/lessons/", lessons.revision_lessons, name="revision_lessons"),
    path("photos/<int:pk>/", photos.photo, name="photo"),
    path("photos/<int:pk>/mark/", photos.mark, name="mark-photo"),
    path("photos/<int:pk>/<str:size>.jpg", photos.photo_file, name="photo-file"),
    path("add-photo/<str:kind>/<str:code>/", photos.add, name="add-photo"),
]
