from django.apps import AppConfig


class ProofmarkConfig(AppConfig):
    default_auto_field = "django.db.models.BigAutoField"
    name = "proofmark"
    verbose_name = "Proofmark"
