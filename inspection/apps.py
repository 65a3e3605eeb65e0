from django.apps import AppConfig


class InspectionConfig(AppConfig):
    default_auto_field = "django.db.models.BigAutoField"
    name = "inspection"
    verbose_name = "Inspection"

    def ready(self) -> None:
        from casting import hooks

        from .panels import cast_panel, mould_panel

        hooks.panels.append(cast_panel)
        hooks.mould_panels.append(mould_panel)
