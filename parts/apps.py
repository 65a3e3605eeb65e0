from django.apps import AppConfig


class PartsConfig(AppConfig):
    default_auto_field = "django.db.models.BigAutoField"
    name = "parts"
    verbose_name = "Parts"
