from django.apps import AppConfig


class SiteworkConfig(AppConfig):
    default_auto_field = "django.db.models.BigAutoField"
    name = "sitework"
    verbose_name = "Site work"

    def ready(self):
        from casting.hooks import panels

        from .panels import tag_panel

        panels.append(tag_panel)
