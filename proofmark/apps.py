from django.apps import AppConfig, apps
from django.db.models.signals import post_migrate


class ProofmarkConfig(AppConfig):
    default_auto_field = "django.db.models.BigAutoField"
    name = "proofmark"
    verbose_name = "Proofmark"

    def ready(self):
        from . import checks, roles  # noqa: F401  (checks register themselves)

        # Sent once per app; the permissions of all rooms exist when the last one has been migrated.
        post_migrate.connect(roles.apply, sender=list(apps.get_app_configs())[-1], dispatch_uid="proofmark.roles")
