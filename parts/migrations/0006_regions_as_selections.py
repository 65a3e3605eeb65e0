"""Boxes and facing directions written as selections."""

from django.db import migrations

WAYS = {
    "up": [0.0, 0.0, 1.0],
    "down": [0.0, 0.0, -1.0],
    "forward": [1.0, 0.0, 0.0],
    "back": [-1.0, 0.0, 0.0],
    "left": [0.0, 1.0, 0.0],
    "right": [0.0, -1.0, 0.0],
}


def as_selections(apps, schema_editor):
    for region in apps.get_model("parts", "Region").objects.all():
        parts = [{"box": region.box}] if region.box else []
        if region.facing:
            parts.append({"facing": {"way": WAYS[region.facing], "within": 45.0}})
        region.selection = parts[0] if len(parts) == 1 else {"all": parts}
        region.save(update_fields=["selection"])


class Migration(migrations.Migration):
    dependencies = [("parts", "0005_region_selection_features")]
    operations = [migrations.RunPython(as_selections, migrations.RunPython.noop)]
