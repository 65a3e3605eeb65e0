from django.apps import AppConfig


class LessonsConfig(AppConfig):
    default_auto_field = "django.db.models.BigAutoField"
    name = "lessons"
    verbose_name = "Trials and lessons"

    def ready(self) -> None:
        from casting import hooks

        from .panels import photos_and_lessons

        if photos_and_lessons not in hooks.panels:
            hooks.panels.append(photos_and_lessons)
