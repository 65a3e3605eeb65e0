from django.urls import path

from .views import lessons, mockups, photos, trials

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
    path("mockups/", mockups.mockups, name="mockups"),
    path("mockups/<str:code>/", mockups.mockup, name="mockup"),
    path("mockups/<str:code>/change/", mockups.change_mockup, name="change-mockup"),
    path("mockups/<str:code>/ask/", mockups.ask, name="ask"),
    path("mockups/<str:code>/try/", trials.begin, name="begin"),
    path("add-mockup/", mockups.add_mockup, name="add-mockup"),
    path("questions/", mockups.questions, name="questions"),
    path("questions/<str:code>/", mockups.question, name="question"),
    path("questions/<str:code>/answer/", mockups.answer, name="answer"),
    path("trials/", trials.trials, name="trials"),
    path("trials/<str:code>/", trials.trial, name="trial"),
    path("trials/<str:code>/step/", trials.step, name="step"),
    path("trials/<str:code>/gap/<str:interface>/", trials.gap, name="gap"),
    path("trials/<str:code>/take-out-gap/<int:pk>/", trials.take_out_gap, name="take-out-gap"),
    path("trials/<str:code>/piece/", trials.piece, name="piece"),
    path("trials/<str:code>/take-out-piece/<int:pk>/", trials.take_out_piece, name="take-out-piece"),
    path("trials/<str:code>/note/", trials.note, name="note"),
    path("trials/<str:code>/end/", trials.end, name="end"),
    path("parts/<str:part_number>/<str:letter>/trials/", trials.revision_trials, name="revision_trials"),
]
