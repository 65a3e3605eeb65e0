from django.apps import AppConfig


class ReleasesConfig(AppConfig):
    default_auto_field = "django.db.models.BigAutoField"
    name = "releases"
    verbose_name = "Releases"

    def ready(self):
        from logbook import hooks

        from .review import review_after

        hooks.listeners.append(review_after)
