from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("parts", "0006_regions_as_selections")]
    operations = [
        migrations.RemoveField(model_name="region", name="box"),
        migrations.RemoveField(model_name="region", name="facing"),
    ]
