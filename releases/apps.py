from django.apps import AppConfig


class ReleasesConfig(AppConfig):
    default_auto_field = "django.db.models.BigAutoField"
    name = "releases"
    verbose_name = "Releases"

    def ready(self):
        from casting import hooks as casting_hooks
        from logbook import hooks as logbook_hooks

        from .queries import stop_on_hold
        from .review import review_after

        logbook_hooks.listeners.append(review_after)
        casting_hooks.stops.append(stop_on_hold)
