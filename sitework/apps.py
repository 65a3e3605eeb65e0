from django.apps import AppConfig


class SiteworkConfig(AppConfig):
    default_auto_field = "django.db.models.BigAutoField"
    name = "sitework"
    verbose_name = "Site work"
